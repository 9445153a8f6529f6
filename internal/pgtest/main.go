package pgtest

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pg/private"
)

// the is what Main started; tests of one binary share it.
var the *cluster

type cluster struct {
	admin    string // DSN of a database that is not cloned
	template string // name of the database that is
	prefix   string // of the names of all databases made here
	count    atomic.Int64
	made     bool   // the template exists
	strategy string // of clones, in SQL
	mu       sync.Mutex
	kept     []string // names of further templates, see [Filled]
	stop     func() error
}

// Main starts PostgreSQL, migrates the schemas into the template, runs the tests, stops everything and exits. The hooks
// of a package that has more to do at the end (a check for leaked goroutines) belong in [Run].
func Main(m *testing.M, schemas ...pg.Schema) {
	os.Exit(Run(m, nil, schemas...))
}

// Run is Main that returns the exit code. After is called when the tests have passed and the server has stopped; an
// error from it is a failure.
func Run(m *testing.M, after func() error, schemas ...pg.Schema) int {
	ctx := context.Background()
	c, err := begin(ctx, schemas)
	if err != nil {
		fmt.Fprintln(os.Stderr, "pgtest: these tests need PostgreSQL:", err)
		return 1
	}
	the = c
	code := m.Run()
	if err := c.end(ctx); err != nil {
		fmt.Fprintln(os.Stderr, "pgtest:", err)
		code = max(code, 1)
	}
	if code == 0 && after != nil {
		if err := after(); err != nil {
			fmt.Fprintln(os.Stderr, "pgtest:", err)
			return 1
		}
	}
	return code
}

func begin(ctx context.Context, schemas []pg.Schema) (*cluster, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	var unique [6]byte
	if _, err := rand.Read(unique[:]); err != nil {
		return nil, err
	}
	c := &cluster{prefix: "strandline_test_" + hex.EncodeToString(unique[:]), stop: func() error { return nil }}
	c.template = c.prefix + "_template"
	if c.admin = os.Getenv("STRANDLINE_DSN"); c.admin == "" {
		if err := c.startServer(ctx); err != nil {
			return nil, err
		}
	}
	if err := c.migrateTemplate(ctx, schemas); err != nil {
		return nil, errors.Join(err, c.end(ctx))
	}
	return c, nil
}

func (c *cluster) migrateTemplate(ctx context.Context, schemas []pg.Schema) error {
	if err := c.exec(ctx, `create database `+c.template); err != nil {
		return err
	}
	c.made = true
	dsn, err := withDatabase(c.admin, c.template)
	if err != nil {
		return err
	}
	return pg.Migrate(ctx, dsn, schemas...)
}

const folderPrefix = "strandline-pgtest-"

func (c *cluster) startServer(ctx context.Context) error {
	sweep()
	dir, err := os.MkdirTemp(home(), folderPrefix)
	if err != nil {
		return err
	}
	// The server may run as another user than we do, and must be able to walk in.
	if err := os.Chmod(dir, 0o711); err != nil {
		return err
	}
	s, err := private.Start(ctx, private.Config{Dir: dir, NoSync: true, Settings: map[string]string{
		"max_connections": "300",
		"shared_buffers":  "64MB",
		"max_wal_size":    "512MB", // few checkpoints while tests run, and bounded memory
		"autovacuum":      "off",
	}})
	if err != nil {
		return errors.Join(err, os.RemoveAll(dir))
	}
	c.admin = s.DSN()
	// The files of a database are copied in a tenth of the time in which its pages go through the log. It takes checkpoints, which cost nothing
	// where nothing is synced.
	c.strategy = ` strategy file_copy`
	c.stop = func() error { return errors.Join(s.Stop(), os.RemoveAll(dir)) }
	return nil
}

// memory is a file system in memory, where the system has one.
const memory = "/dev/shm"

// home returns where the server's folder is made: in memory if there is room, unless TMPDIR says where. A clone is some 300 files, which on
// a disk take several times as long to make and remove.
func home() string {
	const room = 3 << 30 // a server takes some hundred MB
	const writable = 2   // W_OK of access(2)
	var fs syscall.Statfs_t
	if os.Getenv("TMPDIR") != "" || syscall.Access(memory, writable) != nil || syscall.Statfs(memory, &fs) != nil || fs.Bavail*uint64(fs.Bsize) < room ||
		available() < room {
		return os.TempDir()
	}
	return memory
}

// available returns how many bytes of memory the system says are to be had (proc(5)); 0 if it does not say.
func available() (n uint64) {
	text, _ := os.ReadFile("/proc/meminfo")
	_, rest, _ := strings.Cut(string(text), "MemAvailable:")
	_, _ = fmt.Sscan(rest, &n)
	return n << 10
}

// sweep removes the folders of test binaries that died without cleaning up. A live one holds its folder's lock.
func sweep() {
	var left []string
	for _, place := range []string{os.TempDir(), memory} {
		found, _ := filepath.Glob(filepath.Join(place, folderPrefix+"*"))
		left = append(left, found...)
	}
	for _, dir := range left {
		f, err := os.OpenFile(filepath.Join(dir, "postgres.lock"), os.O_RDWR, 0)
		if err != nil {
			continue
		}
		if fi, err := f.Stat(); err != nil || time.Since(fi.ModTime()) < time.Minute {
			_ = f.Close() // made, and perhaps not locked yet, by a binary that starts at this moment
			continue
		}
		if syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) == nil {
			_ = os.RemoveAll(dir) // what cannot be removed is left for the next sweep
		}
		_ = f.Close()
	}
}

func (c *cluster) end(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	var err error
	if c.made && os.Getenv("STRANDLINE_DSN") != "" {
		for _, name := range append(c.kept, c.template) {
			err = errors.Join(err, c.exec(ctx, `drop database if exists `+name+` with (force)`))
		}
	}
	return errors.Join(err, c.stop())
}

func (c *cluster) exec(ctx context.Context, sql string) error {
	conn, err := pgx.Connect(ctx, c.admin)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	_, err = conn.Exec(ctx, sql)
	return err
}

// withDatabase returns the DSN, in the same form, with another database.
func withDatabase(dsn, name string) (string, error) {
	if !strings.HasPrefix(dsn, "postgres://") && !strings.HasPrefix(dsn, "postgresql://") {
		return dsn + " dbname=" + name, nil // the last one counts
	}
	u, err := url.Parse(dsn)
	if err != nil {
		return "", errors.New("STRANDLINE_DSN is not a URL that can be read")
	}
	u.Path = "/" + name
	q := u.Query()
	q.Del("dbname")
	u.RawQuery = q.Encode()
	return u.String(), nil
}
