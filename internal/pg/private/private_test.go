package private_test

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg/private"
)

// folder returns a data folder that the server's user can walk to (t.TempDir is closed to others as root).
func folder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "strandline-private-test-") //nolint:usetesting // t.TempDir is closed to the server's user
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o711); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "data")
}

func start(t *testing.T, c private.Config) *private.Server {
	t.Helper()
	c.Logf = t.Logf
	s, err := private.Start(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Stop(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func exec(t *testing.T, s *private.Server, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	if _, err := conn.Exec(t.Context(), sql); err != nil {
		t.Fatal(err)
	}
}

func setting(t *testing.T, s *private.Server, name string) (v string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	if err := conn.QueryRow(t.Context(), `select current_setting($1)`, name).Scan(&v); err != nil {
		t.Fatal(err)
	}
	return v
}

// postmaster reads the server's pid.
func postmaster(t *testing.T, dir string) int {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "postgres", "data", "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	first, _, _ := strings.Cut(string(b), "\n")
	pid, err := strconv.Atoi(first)
	if err != nil {
		t.Fatal(err)
	}
	return pid
}

func TestStopAndStartKeepsRows(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	s := start(t, private.Config{Dir: dir})
	exec(t, s, `create table kept (n int); insert into kept values (7)`)
	for range 2 {
		if err := s.Stop(); err != nil {
			t.Fatal(err)
		}
	}
	select {
	case <-s.Exited():
	default:
		t.Error("Exited is open after Stop")
	}
	again := start(t, private.Config{Dir: dir})
	exec(t, again, `do $$ begin assert (select n from kept) = 7; end $$`)
}

// The postmaster is killed while its backends are alive; the next start has to wait for them, and every row that was
// committed is there.
func TestKillAndStartKeepsCommittedRows(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	s := start(t, private.Config{Dir: dir})
	exec(t, s, `create table kept (n int)`)
	conn, err := pgx.Connect(t.Context(), s.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	for round := 1; round <= 3; round++ {
		exec(t, s, `insert into kept select generate_series(1, 10000)`)
		if err := syscall.Kill(postmaster(t, dir), syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		<-s.Exited()
		if err := s.Stop(); err != nil {
			t.Fatal(err)
		}
		s = start(t, private.Config{Dir: dir})
		exec(t, s, `do $$ begin assert (select count(*) from kept) = 10000 * `+strconv.Itoa(round)+`; end $$`)
	}
}

func TestRealDataIsSyncedAndTestsNeedNot(t *testing.T) {
	t.Parallel()
	s := start(t, private.Config{Dir: folder(t)})
	for name, want := range map[string]string{"fsync": "on", "synchronous_commit": "on", "full_page_writes": "on", "data_checksums": "on",
		"listen_addresses": "", "server_encoding": "UTF8", "lc_collate": "C", "TimeZone": "UTC"} {
		if got := setting(t, s, name); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
	fast := start(t, private.Config{Dir: folder(t), NoSync: true, Settings: map[string]string{"work_mem": "7MB"}})
	for name, want := range map[string]string{"fsync": "off", "work_mem": "7MB"} {
		if got := setting(t, fast, name); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
}

func TestOthersAreLockedOut(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	start(t, private.Config{Dir: dir, NoSync: true})
	for _, d := range []string{"postgres", "postgres/data", "postgres/run"} {
		fi, err := os.Stat(filepath.Join(dir, d))
		if err != nil {
			t.Fatal(err)
		}
		if m := fi.Mode().Perm(); m != 0o700 {
			t.Errorf("%s has mode %o", d, m)
		}
		if owner := fi.Sys().(*syscall.Stat_t).Uid; os.Geteuid() == 0 && owner == 0 {
			t.Errorf("%s belongs to root", d)
		}
	}
	fi, err := os.Stat(filepath.Join(dir, "postgres/run/.s.PGSQL.5432"))
	if err != nil {
		t.Fatal(err)
	}
	if m := fi.Mode().Perm(); m != 0o700 {
		t.Errorf("the socket has mode %o", m)
	}
}

func TestTheServerIsNotRoot(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	start(t, private.Config{Dir: dir, NoSync: true})
	fi, err := os.Stat("/proc/" + strconv.Itoa(postmaster(t, dir)))
	if err != nil {
		t.Fatal(err)
	}
	switch uid := fi.Sys().(*syscall.Stat_t).Uid; {
	case uid == 0:
		t.Error("the server runs as root")
	case os.Geteuid() != 0 && uid != uint32(os.Geteuid()):
		t.Errorf("the server runs as %d", uid)
	}
}

func TestOneProcessAtATime(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	s := start(t, private.Config{Dir: dir, NoSync: true})
	_, err := private.Start(t.Context(), private.Config{Dir: dir, NoSync: true})
	if want := "already in use by pid " + strconv.Itoa(os.Getpid()); err == nil || !strings.Contains(err.Error(), want) || errs.As(err) == nil {
		t.Errorf("got %v, want it to say %q", err, want)
	}
	exec(t, s, `select 1`) // the second try did the first no harm
}

// A socket's path has room for 107 bytes.
func TestALongFolder(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), strings.Repeat("long/", 30))
	s := start(t, private.Config{Dir: dir, NoSync: true})
	exec(t, s, `create table kept (n int); insert into kept values (7)`)
	socket := recorded(t, dir)
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(socket); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s is left: %v", socket, err)
	}
	exec(t, start(t, private.Config{Dir: dir, NoSync: true}), `do $$ begin assert (select n from kept) = 7; end $$`)
}

// recorded returns the folder of the socket outside the data folder.
func recorded(t *testing.T, dir string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "postgres", "socket"))
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(b))
}

// As root the server is another user, to whom root's own folders are closed (like /root on most systems).
func TestAFolderThatTheServersUserCannotWalkTo(t *testing.T) {
	t.Parallel()
	closed := filepath.Join(folder(t), "closed")
	if err := os.MkdirAll(closed, 0o700); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(closed, "it's here")
	s := start(t, private.Config{Dir: dir, NoSync: true})
	exec(t, s, `create table kept (n int); insert into kept values (7)`)
	exec(t, s, `checkpoint`)
	if err := syscall.Kill(postmaster(t, dir), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-s.Exited()
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	exec(t, start(t, private.Config{Dir: dir, NoSync: true}), `do $$ begin assert (select n from kept) = 7; end $$`)
}

func TestAnInterruptedInitdbIsRedone(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	half := filepath.Join(dir, "postgres", "data.new", "base")
	if err := os.MkdirAll(half, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o711); err != nil {
		t.Fatal(err)
	}
	exec(t, start(t, private.Config{Dir: dir, NoSync: true}), `select 1`)
}

// After a restart of the machine a pid may have gone to somebody else; PostgreSQL alone would refuse for ever.
func TestAStalePIDOfAnotherProcess(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	s := start(t, private.Config{Dir: dir, NoSync: true})
	path := filepath.Join(dir, "postgres", "data", "postmaster.pid")
	old, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(old), "\n")
	if err := os.WriteFile(path, []byte(strconv.Itoa(os.Getpid())+"\n"+rest), 0o600); err != nil {
		t.Fatal(err)
	}
	exec(t, start(t, private.Config{Dir: dir, NoSync: true}), `select 1`)
}

func TestDataOfAnotherVersionIsRefused(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	data := filepath.Join(dir, "postgres", "data")
	if err := os.MkdirAll(data, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(data, "PG_VERSION"), []byte("99\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := private.Start(t.Context(), private.Config{Dir: dir})
	if err == nil || !strings.Contains(err.Error(), "cannot open data of version 99") {
		t.Errorf("got %v", err)
	}
}

func TestAServerThatCannotStartSaysWhy(t *testing.T) {
	t.Parallel()
	_, err := private.Start(t.Context(), private.Config{Dir: folder(t), NoSync: true, Settings: map[string]string{"shared_buffers": "nonsense"}})
	if err == nil || !strings.Contains(err.Error(), `invalid value for parameter "shared_buffers"`) || errs.As(err) == nil {
		t.Errorf("got %v", err)
	}
}
