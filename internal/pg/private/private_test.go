package private_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg/private"
)

// folder returns a data folder that the server's user can walk to (t.TempDir is closed to others as root).
func folder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "strandline-private-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
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
	defer conn.Close(t.Context())
	if _, err := conn.Exec(t.Context(), sql); err != nil {
		t.Fatal(err)
	}
}

func TestStopAndStartKeepsRows(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	s := start(t, private.Config{Dir: dir})
	exec(t, s, `create table kept (n int); insert into kept values (7)`)
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	again := start(t, private.Config{Dir: dir})
	exec(t, again, `do $$ begin assert (select n from kept) = 7; end $$`)
}
