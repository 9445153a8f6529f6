package private_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg/private"
)

// TestMain plays the program whose death the tests are about, when it is told to.
func TestMain(m *testing.M) {
	dir := os.Getenv("STRANDLINE_PRIVATE_TEST_DIR")
	if dir == "" {
		os.Exit(m.Run())
	}
	s, err := private.Start(context.Background(), private.Config{Dir: dir})
	if err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	fmt.Println(s.DSN())
	select {} // until it is killed
}

// program starts this binary as a program of its own with a private server.
func program(t *testing.T, dir string) running {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := osexec.Command(self)
	cmd.Env = append(os.Environ(), "STRANDLINE_PRIVATE_TEST_DIR="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may be dead already
		_ = cmd.Wait()
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil || strings.HasPrefix(line, "error:") {
		t.Fatalf("the program says %q, %v", line, err)
	}
	return running{cmd, strings.TrimSpace(line)}
}

type running struct {
	*osexec.Cmd
	dsn string
}

// A program that is killed takes its server with it, and what was committed is there when it starts again.
func TestTheServerDiesWithTheProgram(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	s := start(t, private.Config{Dir: dir})
	exec(t, s, `create table kept (n int)`)
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	for round := 1; round <= 2; round++ {
		p := program(t, dir)
		pid := postmaster(t, dir)
		if _, err := private.Start(t.Context(), private.Config{Dir: dir}); err == nil || !strings.Contains(err.Error(), "in use by pid "+strconv.Itoa(p.Process.Pid)) {
			t.Errorf("while the program runs: %v", err)
		}
		conn, err := pgx.Connect(t.Context(), p.dsn)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Exec(t.Context(), `insert into kept values (1)`); err != nil {
			t.Fatal(err)
		}
		if err := p.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = p.Wait()
		_ = conn.Close(t.Context())
		ended(t, pid)
		s := start(t, private.Config{Dir: dir})
		exec(t, s, `do $$ begin assert (select count(*) from kept) = `+strconv.Itoa(round)+`; end $$`)
		if err := s.Stop(); err != nil {
			t.Fatal(err)
		}
	}
}

// ended waits until a process is gone or a zombie that nobody has reaped yet.
func ended(t *testing.T, pid int) {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for {
		b, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "stat"))
		if err != nil {
			return
		}
		if _, state, ok := strings.Cut(string(b), ") "); ok && strings.HasPrefix(state, "Z") {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("the server, pid %d, outlives its program: %s", pid, b)
		}
		time.Sleep(10 * time.Millisecond) // the kernel gives no other signal of a grandchild's end
	}
}
