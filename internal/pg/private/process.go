package private

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// process is a running postmaster.
type process struct {
	cmd  *exec.Cmd
	done chan struct{} // closed when it has ended
	err  error         // how; read after done
}

// spawn starts the command so that it dies with this process. The kernel sends the parent-death signal when the *thread*
// ends that started the child, so that thread is kept until the child has ended.
func spawn(cmd *exec.Cmd) (*process, error) {
	p := &process{cmd: cmd, done: make(chan struct{})}
	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		p.err = cmd.Wait()
		close(p.done)
	}()
	return p, <-started
}

// end asks for a fast shutdown, and for an immediate one if that takes long.
func (p *process) end() error {
	for _, s := range []struct {
		signal syscall.Signal
		within time.Duration
	}{{syscall.SIGINT, time.Minute}, {syscall.SIGQUIT, 10 * time.Second}, {syscall.SIGKILL, 10 * time.Second}} {
		if err := p.cmd.Process.Signal(s.signal); err != nil && !errors.Is(err, os.ErrProcessDone) {
			return err
		}
		t := time.NewTimer(s.within)
		select {
		case <-p.done:
			t.Stop()
			return nil
		case <-t.C:
		}
	}
	return errors.New("the PostgreSQL server does not stop")
}

// launch starts the server and waits until it answers. An earlier server of the folder may still be on its way out (its
// backends hold the shared memory for a moment; its dead postmaster may wait to be reaped): then it tries again.
func (s *Server) launch(ctx context.Context) error {
	said := false
	for {
		err := s.tryLaunch(ctx)
		var early *leavingError
		if !errors.As(err, &early) {
			return err
		}
		if !said {
			said = true
			s.conf.Logf("waiting for the previous PostgreSQL server of %s to be gone", s.conf.Dir)
		}
		t := time.NewTimer(100 * time.Millisecond)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return unusable(fmt.Sprintf("the previous PostgreSQL server of %s is still there: %s", s.conf.Dir, early.text))
		}
	}
}

// leavingError is a failed start that may succeed soon.
type leavingError struct{ text string }

func (e *leavingError) Error() string { return e.text }

func (s *Server) tryLaunch(ctx context.Context) error {
	if err := s.clearStalePID(); err != nil {
		return err
	}
	logPath := filepath.Join(s.root(), "log")
	logFile, err := os.OpenFile(logPath, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return fail(s.conf.Dir, err)
	}
	defer func() { _ = logFile.Close() }()
	from, err := logFile.Seek(0, io.SeekEnd)
	if err != nil {
		return fail(s.conf.Dir, err)
	}
	cmd := exec.Command(filepath.Join(s.bin.Dir, "postgres"), s.arguments()...)
	s.dress(cmd)
	cmd.SysProcAttr.Pdeathsig = syscall.SIGQUIT
	cmd.Stdout, cmd.Stderr = logFile, logFile
	if s.dataFD != nil {
		cmd.ExtraFiles = []*os.File{s.dataFD}
	}
	p, err := spawn(cmd)
	if err != nil {
		return fail(s.conf.Dir, err)
	}
	for {
		err := ping(ctx, s.dsn("postgres"))
		if err == nil {
			s.proc = p
			return nil
		}
		t := time.NewTimer(10 * time.Millisecond)
		select {
		case <-p.done:
			t.Stop()
			text := logSince(logPath, from)
			if strings.Contains(text, "pre-existing shared memory block") || strings.Contains(text, `lock file "postmaster.pid" already exists`) {
				return &leavingError{text}
			}
			return unusable(fmt.Sprintf("the PostgreSQL server in %s ended at once (%v); its log says:\n%s", s.conf.Dir, p.err, text))
		case <-ctx.Done():
			t.Stop()
			return errors.Join(unusable(fmt.Sprintf("the PostgreSQL server in %s does not answer: %v; its log says:\n%s", s.conf.Dir, err, logSince(logPath, from))), p.end())
		case <-t.C:
		}
	}
}

func (s *Server) arguments() []string {
	data := s.data
	if s.dataFD != nil {
		data = throughFD
	}
	set := map[string]string{
		"listen_addresses":        "",
		"unix_socket_directories": s.socket,
		"unix_socket_permissions": "0700", // root needs none
		"port":                    port,
		"max_connections":         "100",
		"log_destination":         "stderr",
		"logging_collector":       "off",
		"lc_messages":             "C",
		"timezone":                "UTC",
		"log_timezone":            "UTC",
	}
	if s.conf.NoSync {
		set["fsync"] = "off"
		set["synchronous_commit"] = "off"
		set["full_page_writes"] = "off"
	}
	for k, v := range s.conf.Settings {
		set[k] = v
	}
	args := []string{"-D", data}
	for _, k := range sortedKeys(set) {
		args = append(args, "-c", k+"="+set[k])
	}
	return args
}

// clearStalePID removes a postmaster.pid that would keep PostgreSQL from starting although no server of this folder is
// left: its postmaster is dead and only waits to be reaped (some containers take long over that), or, after a machine or a
// container started anew, its pid has gone to another process. We hold the folder's lock, and every process of a server
// has the data folder as its working directory: if a process is there, or in any doubt, the file stays.
func (s *Server) clearStalePID() error {
	path := filepath.Join(s.data, "postmaster.pid")
	b, err := os.ReadFile(path)
	if err != nil {
		return nil //nolint:nilerr // no file: nothing to clear; not readable: the server will say so
	}
	first, _, _ := strings.Cut(string(b), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil || pid <= 0 {
		return nil //nolint:nilerr // the server judges a damaged file
	}
	if _, err := os.Stat("/proc/" + strconv.Itoa(pid)); err != nil {
		return nil //nolint:nilerr // the server sees for itself that nobody has the pid
	}
	if used, err := s.dataInUse(pid); err != nil || used {
		return nil //nolint:nilerr // on its way out, or not for us to see
	}
	s.conf.Logf("removing %s: pid %d is no server of this folder", path, pid)
	if err := os.Remove(path); err != nil {
		return fail(s.conf.Dir, err)
	}
	return nil
}

// dataInUse says whether a process works in the data folder. An error means that this cannot be seen: suspect is the one
// process that must be seen through, or be dead; others of another user's are none of the server's.
func (s *Server) dataInUse(suspect int) (bool, error) {
	here, err := os.Stat(s.data)
	if err != nil {
		return false, err
	}
	links, err := filepath.Glob("/proc/[0-9]*/cwd")
	if err != nil {
		return false, err
	}
	for _, link := range links {
		at, err := os.Stat(link)
		switch {
		case err == nil:
			if os.SameFile(at, here) {
				return true, nil
			}
		case link == "/proc/"+strconv.Itoa(suspect)+"/cwd" && !zombie(suspect):
			return false, err
		}
	}
	return false, nil
}

// zombie says whether a process is dead and not reaped.
func zombie(pid int) bool {
	b, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return errors.Is(err, os.ErrNotExist)
	}
	// pid (comm) state ...; comm can hold anything.
	i := strings.LastIndexByte(string(b), ')')
	return i >= 0 && strings.HasPrefix(string(b[i+1:]), " Z")
}

func ping(ctx context.Context, dsn string) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		return err
	}
	return conn.Close(ctx)
}

func logSince(path string, from int64) string {
	f, err := os.Open(path)
	if err != nil {
		return err.Error()
	}
	defer func() { _ = f.Close() }()
	if _, err := f.Seek(from, io.SeekStart); err != nil {
		return err.Error()
	}
	b, err := io.ReadAll(io.LimitReader(f, 1<<20))
	if err != nil {
		return err.Error()
	}
	return tail(b)
}

func sortedKeys(m map[string]string) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
