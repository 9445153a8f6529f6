package private

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
)

const (
	superuser = "strandline" // the admin of the private server, and its database
	port      = "5432"       // names the socket; there is no TCP port

	socketPrefix = "strandline-socket-" // of its folder, where that is outside the data folder

	// A socket's path has room for 107 bytes and a zero on Linux (unix(7)).
	maxSocketPath = 107
)

// Config says where the data is and how to run on it.
type Config struct {
	Dir  string                        // the data folder; made if missing
	Logf func(format string, v ...any) // progress for people; nil: silent

	NoSync      bool              // for tests only: a crash of the machine may lose data
	Settings    map[string]string // more of PostgreSQL's settings
	StartWithin time.Duration     // how long to try; 0: a minute
}

// Server is a running private PostgreSQL.
type Server struct {
	conf   Config
	bin    Binaries
	as     account
	data   string   // absolute
	dataFD *os.File // open on data if the account cannot walk to it
	socket string   // folder of the socket
	temp   bool     // socket is outside the data folder
	lock   *os.File
	proc   *process

	stop    sync.Once
	stopErr error
}

// Start opens the data folder, makes a database there on first use, starts the server and waits until it answers. One
// process at a time may have the folder open. The server stops with [Server.Stop], and by itself when this process dies.
func Start(ctx context.Context, c Config) (*Server, error) {
	if c.Logf == nil {
		c.Logf = func(string, ...any) {}
	}
	if c.StartWithin == 0 {
		c.StartWithin = time.Minute
	}
	if c.Dir == "" {
		return nil, unusable("a private PostgreSQL needs a data folder")
	}
	dir, err := filepath.Abs(c.Dir)
	if err != nil {
		return nil, fail(c.Dir, err)
	}
	c.Dir = dir
	s := &Server{conf: c}
	if err := s.start(ctx); err != nil {
		if serr := s.Stop(); serr != nil {
			return nil, errors.Join(err, serr)
		}
		return nil, err
	}
	return s, nil
}

func (s *Server) start(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, s.conf.StartWithin)
	defer cancel()
	if err := s.openFolder(); err != nil {
		return err
	}
	major, err := majorOf(s.data)
	if err != nil {
		return fail(s.conf.Dir, err)
	}
	if s.bin, err = Find(major); err != nil {
		return err
	}
	if major == 0 {
		s.conf.Logf("making a PostgreSQL %d database in %s", s.bin.Major, s.conf.Dir)
		if err := s.initdb(ctx); err != nil {
			return err
		}
	}
	if s.as.cred != nil {
		if ok, err := s.as.reaches(s.data); err != nil {
			return fail(s.conf.Dir, err)
		} else if !ok {
			// The server walks to its data through a descriptor that it inherits, and from then on stays inside.
			if s.dataFD, err = os.Open(s.data); err != nil {
				return fail(s.conf.Dir, err)
			}
		}
	}
	if err := s.chooseSocket(); err != nil {
		return fail(s.conf.Dir, err)
	}
	if err := s.launch(ctx); err != nil {
		return err
	}
	return s.createDatabase(ctx)
}

func (s *Server) root() string { return filepath.Join(s.conf.Dir, "postgres") }

// openFolder locks the data folder and makes what is ours in it.
func (s *Server) openFolder() error {
	var err error
	if s.as, err = serverAccount(); err != nil {
		return err
	}
	if err := os.MkdirAll(s.conf.Dir, 0o711); err != nil {
		return fail(s.conf.Dir, err)
	}
	if s.lock, err = lockFolder(filepath.Join(s.conf.Dir, "postgres.lock"), s.conf.Dir); err != nil {
		return fail(s.conf.Dir, err)
	}
	if err := s.as.own(s.root()); err != nil {
		return fail(s.conf.Dir, err)
	}
	s.data = filepath.Join(s.root(), "data")
	return nil
}

// majorOf reads which version a data folder belongs to; 0 if there is none yet.
func majorOf(data string) (int, error) {
	b, err := os.ReadFile(filepath.Join(data, "PG_VERSION"))
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	var major int
	if _, err := fmt.Sscanf(string(b), "%d", &major); err != nil {
		return 0, fmt.Errorf("%s/PG_VERSION holds %q", data, b)
	}
	return major, nil
}

// initdb makes the data in a folder of another name first, so that an interrupted one is never taken for whole.
func (s *Server) initdb(ctx context.Context) error {
	fresh := filepath.Join(s.root(), "data.new")
	if err := os.RemoveAll(fresh); err != nil {
		return fail(s.conf.Dir, err)
	}
	if err := s.as.own(fresh); err != nil {
		return fail(s.conf.Dir, err)
	}
	fd, err := os.Open(fresh)
	if err != nil {
		return fail(s.conf.Dir, err)
	}
	defer func() { _ = fd.Close() }()
	args := []string{"--pgdata", throughFD, "--username", superuser, "--auth", "trust", "--encoding", "UTF8", "--locale", "C", "--data-checksums", "--no-instructions"}
	if s.conf.NoSync {
		args = append(args, "--no-sync")
	}
	cmd := exec.CommandContext(ctx, filepath.Join(s.bin.Dir, "initdb"), args...)
	s.dress(cmd)
	cmd.ExtraFiles = []*os.File{fd}
	if out, err := cmd.CombinedOutput(); err != nil {
		return unusable(fmt.Sprintf("initdb in %s: %v\n%s", s.conf.Dir, err, tail(out)))
	}
	if err := os.Rename(fresh, s.data); err != nil {
		return fail(s.conf.Dir, err)
	}
	return nil
}

// throughFD is how a child reaches the first of its ExtraFiles by path, wherever that lies.
const throughFD = "/proc/self/fd/3"

// dress gives a command its account, its process group and a bare environment (messages in English: some are read).
func (s *Server) dress(cmd *exec.Cmd) {
	cmd.Dir = "/"
	cmd.Env = []string{"PATH=" + s.bin.Dir + ":/usr/bin:/bin", "LC_ALL=C", "TZ=UTC"}
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: s.as.cred, Setpgid: true}
	cmd.WaitDelay = 5 * time.Second
}

// chooseSocket picks the socket's folder and clears what an earlier run left.
func (s *Server) chooseSocket() error {
	record := filepath.Join(s.root(), "socket")
	if old, err := os.ReadFile(record); err == nil {
		// We hold the lock, so nobody uses it. Only a folder of our own naming is removed.
		if d := strings.TrimSpace(string(old)); strings.HasPrefix(filepath.Base(d), socketPrefix) {
			if err := os.RemoveAll(d); err != nil {
				return err
			}
		}
		if err := os.Remove(record); err != nil {
			return err
		}
	}
	s.socket = filepath.Join(s.root(), "run")
	if s.dataFD == nil && len(filepath.Join(s.socket, ".s.PGSQL."+port)) <= maxSocketPath && !strings.ContainsAny(s.socket, ",\"") {
		return s.as.own(s.socket)
	}
	s.socket = ""
	var tried []string
	for _, place := range []string{os.TempDir(), "/tmp", "/run", "/dev/shm"} {
		temp, err := os.MkdirTemp(place, socketPrefix)
		if err != nil {
			tried = append(tried, err.Error())
			continue
		}
		ok, err := s.as.reaches(temp)
		if len(filepath.Join(temp, ".s.PGSQL."+port)) <= maxSocketPath && ok && err == nil {
			s.socket, s.temp = temp, true
			break
		}
		tried = append(tried, place+" is closed to the server's user, or its path is too long")
		if err := os.Remove(temp); err != nil {
			return err
		}
	}
	if s.socket == "" {
		return fmt.Errorf("no place for the socket (a short path, open to the server's user; TMPDIR names one): %s", strings.Join(tried, "; "))
	}
	if err := s.as.own(s.socket); err != nil {
		return err
	}
	return os.WriteFile(record, []byte(s.socket+"\n"), 0o600)
}

func (s *Server) createDatabase(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, s.dsn("postgres"))
	if err != nil {
		return fail(s.conf.Dir, err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	var there bool
	if err := conn.QueryRow(ctx, `select exists (select from pg_database where datname = $1)`, superuser).Scan(&there); err != nil {
		return fail(s.conf.Dir, err)
	}
	if there {
		return nil
	}
	if _, err := conn.Exec(ctx, `create database `+superuser); err != nil {
		return fail(s.conf.Dir, err)
	}
	return nil
}

// DSN returns the connection string of the admin, in keyword/value form.
func (s *Server) DSN() string { return s.dsn(superuser) }

func (s *Server) dsn(database string) string {
	quoted := strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(s.socket)
	return fmt.Sprintf("host='%s' port=%s user=%s dbname=%s sslmode=disable", quoted, port, superuser, database)
}

// Exited is closed when the server has ended, by [Server.Stop] or by itself.
func (s *Server) Exited() <-chan struct{} { return s.proc.done }

// Stop ends the server after its statements in flight were cancelled and its data is on disk, and lets go of the
// folder. It may be called twice.
func (s *Server) Stop() error {
	s.stop.Do(func() {
		if s.proc != nil {
			s.stopErr = s.proc.end()
		}
		if s.temp {
			s.stopErr = errors.Join(s.stopErr, os.RemoveAll(s.socket), os.Remove(filepath.Join(s.root(), "socket")))
		}
		if s.dataFD != nil {
			_ = s.dataFD.Close()
		}
		if s.lock != nil {
			_ = s.lock.Close()
		}
	})
	return s.stopErr
}

// fail names the folder in an error of the operating system.
func fail(dir string, err error) error {
	if e := errs.As(err); e != nil {
		return e
	}
	return errs.New(errs.Unavailable, "UNAVAILABLE", "private PostgreSQL in "+dir).Because(err)
}

func tail(b []byte) string {
	const most = 2000
	if len(b) > most {
		b = b[len(b)-most:]
	}
	return strings.TrimSpace(string(b))
}
