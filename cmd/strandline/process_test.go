package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/pg/private"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// server is a process of the command that serves.
type server struct {
	t          *testing.T
	cmd        *exec.Cmd
	grpc, http string
	ready      chan struct{} // closed when it serves
	done       chan struct{} // closed when it ended
	mu         sync.Mutex
	log        bytes.Buffer
}

var servingLine = regexp.MustCompile(`msg=serving(?: part=\w+)?(?: grpc=(\S+))?(?: http=(\S+))?`)

// serveProcess starts `strandline serve ARGS` and waits until it says that it serves. It is killed at the end of the test.
func serveProcess(t *testing.T, args ...string) *server {
	t.Helper()
	s := startProcess(t, append([]string{"serve"}, args...)...)
	select {
	case <-s.done:
		t.Fatalf("serve %v ended with %v:\n%s", args, s.cmd.ProcessState, s.text())
	case <-t.Context().Done():
		t.Fatal("the test ended before the server served")
	case <-s.ready:
	}
	return s
}

func startProcess(t *testing.T, args ...string) *server {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	s := &server{t: t, cmd: exec.Command(self, args...), ready: make(chan struct{}), done: make(chan struct{})}
	s.cmd.Env = append(os.Environ(), asCommand+"=1")
	stderr, err := s.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = s.cmd.Process.Kill()
		<-s.done
		if t.Failed() {
			t.Logf("%v said:\n%s", args, s.text())
		}
	})
	lines := make(chan string)
	go func() {
		defer close(lines)
		for in := bufio.NewScanner(stderr); in.Scan(); {
			lines <- in.Text()
		}
	}()
	go func() {
		defer close(s.done)
		for line := range lines {
			s.mu.Lock()
			s.log.WriteString(line + "\n")
			s.mu.Unlock()
			if m := servingLine.FindStringSubmatch(line); m != nil {
				s.grpc, s.http = m[1], m[2]
				close(s.ready)
			}
		}
		_ = s.cmd.Wait()
	}()
	return s
}

func (s *server) text() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.log.String()
}

// signal sends a signal and waits for the end; it returns the exit code, or -1 for a death by signal.
func (s *server) signal(sig syscall.Signal) int {
	s.t.Helper()
	if err := s.cmd.Process.Signal(sig); err != nil {
		s.t.Fatal(err)
	}
	select {
	case <-s.done:
	case <-time.After(time.Minute):
		s.t.Fatalf("the server did not end:\n%s", s.text())
	}
	return s.cmd.ProcessState.ExitCode()
}

// must runs a command line in this process and wants it to go well.
func must(t *testing.T, env []string, args ...string) string {
	t.Helper()
	got := command(t, env, args...)
	if got.code != exitOK {
		t.Fatalf("strandline %s: exit code %d\n%s%s", strings.Join(args, " "), got.code, got.stdout, got.err)
	}
	return got.stdout
}

// wants checks that a text holds all of some others.
func wants(t *testing.T, text string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(text, p) {
			t.Errorf("%q is not in:\n%s", p, text)
		}
	}
}

// aFleet makes an org with a shop, a model, a rule pack and a unit.
func aFleet(t *testing.T, env []string) {
	t.Helper()
	must(t, env, "org", "create", "reefline", "--name", "Reefline Divers")
	must(t, env, "shop", "create", "lagoon", "--name", "Lagoon Shop", "--zone", "Europe/Lisbon", "--jurisdiction", "PT")
	must(t, env, "model", "create", "set-a", "--name", "Set A", "--kind", "regulator-set")
	must(t, env, "rules", "publish", "testdata/rules/house.yaml", "--id", "house")
	must(t, env, "unit", "create", "REG-1", "--model", "set-a", "--shop", "lagoon", "--since", "2024-01-01", "--serial", "S1")
}

func TestServe(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	env := []string{"STRANDLINE_DATA=" + data, "STRANDLINE_NO_INPUT=true"}
	args := []string{"--data", data, "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0"}

	s := serveProcess(t, args...)
	aFleet(t, env)
	must(t, env, "log", "usage", "REG-1", "--dives", "3", "--at", "2024-02-01 10:00")

	t.Run("first start makes secrets and tells only where", func(t *testing.T) {
		for _, name := range []string{"key.pem", "operator.token"} {
			info, err := os.Stat(filepath.Join(data, name))
			if err != nil || info.Mode().Perm() != 0o600 {
				t.Errorf("%s: %v, error %v; want mode 0600", name, info, err)
			}
			wants(t, s.text(), name)
		}
		token, err := os.ReadFile(filepath.Join(data, "operator.token"))
		if err != nil || len(token) < 50 || strings.Contains(s.text(), strings.TrimSpace(string(token))) {
			t.Errorf("the operator's token: %d bytes, error %v; it must not stand in the log", len(token), err)
		}
	})
	t.Run("health", func(t *testing.T) {
		wants(t, must(t, env, "health"), "is serving")
	})
	t.Run("JSON gateway", func(t *testing.T) {
		token := strings.TrimSpace(must(t, env, "token", "--org", "reefline", "--role", "auditor"))
		status, body := get(t, "http://"+s.http+"/v1/orgs/reefline/shops", token)
		var r struct {
			Shops []struct{ Name, TimeZone string }
		}
		if err := json.Unmarshal(body, &r); status != http.StatusOK || err != nil || len(r.Shops) != 1 || r.Shops[0].TimeZone != "Europe/Lisbon" {
			t.Errorf("status %d, error %v, body %s", status, err, body)
		}
		if status, body := get(t, "http://"+s.http+"/v1/orgs/reefline/shops", ""); status != http.StatusUnauthorized {
			t.Errorf("without a token: status %d, body %s", status, body)
		}
		operator, err := os.ReadFile(filepath.Join(data, "operator.token"))
		if err != nil {
			t.Fatal(err)
		}
		status, body = get(t, "http://"+s.http+"/v1/orgs", strings.TrimSpace(string(operator)))
		if status != http.StatusOK || !strings.Contains(string(body), "orgs/reefline") {
			t.Errorf("orgs with the operator's token: status %d, body %s", status, body)
		}
	})
	t.Run("a command for another role is refused with code 5", func(t *testing.T) {
		got := command(t, append(env, "STRANDLINE_ROLE=auditor"), "hold", "REG-1", "--reason", "x")
		if got.code != exitDenied || got.stdout != "" {
			t.Errorf("exit code %d, output %q, error %q", got.code, got.stdout, got.err)
		}
		wants(t, got.err, "PERMISSION_MISSING")
	})
	t.Run("everyday", func(t *testing.T) { everyday(t, env) })
	t.Run("two servers cannot share a data folder", func(t *testing.T) {
		got := command(t, env, "serve", "--timeout", "100ms", "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0")
		if got.code != exitUnavailable {
			t.Errorf("exit code %d, want %d; error %q", got.code, exitUnavailable, got.err)
		}
		wants(t, got.err, "in use by process")
	})

	if code := s.signal(syscall.SIGTERM); code != exitOK {
		t.Fatalf("after SIGTERM: exit code %d\n%s", code, s.text())
	}
	wants(t, s.text(), "msg=stopped")
	if _, err := os.Stat(statePath(data)); !os.IsNotExist(err) {
		t.Errorf("%s is still there after the end: %v", statePath(data), err)
	}

	t.Run("commands work without a server, on the same data", func(t *testing.T) {
		wants(t, must(t, env, "history", "REG-1"), "3 dives")
		must(t, env, "log", "usage", "REG-1", "--dives", "2", "--at", "2024-02-02 10:00")
		wants(t, must(t, env, "unit", "show", "REG-1", "--as-of", "2024-03-01"), "95 dives", "may be handed out  yes")
	})

	// kill -9 while entries are being appended: what was acknowledged is there afterwards, and the ledger is whole.
	s = serveProcess(t, args...)
	acknowledged := appendUntilKilled(t, s, data)
	s = serveProcess(t, args...)
	entries := must(t, env, "history", "REG-1", "--output", "json")
	for _, name := range acknowledged {
		if !strings.Contains(entries, name) {
			t.Errorf("%s was acknowledged and is lost", name)
		}
	}
	wants(t, must(t, env, "verify"), "is whole")
	if code := s.signal(syscall.SIGINT); code != exitOK {
		t.Errorf("after SIGINT: exit code %d", code)
	}
}

// everyday goes through what people do with a unit, and what is refused.
func everyday(t *testing.T, env []string) {
	steps := []struct {
		args string
		code int
		out  []string // in standard output
		err  []string // in standard error
	}{
		{args: "unit show REG-1 --as-of 2024-03-01", out: []string{"REG-1  regulator-set", "may be handed out  yes", "97 dives", "2026-01-01", "House policy", "The maker's manual and local law come first."}},
		{args: "unit show NONE", code: exitNotFound, err: []string{"NONE"}},
		{args: "due --org misspelt", code: exitNotFound, err: []string{"misspelt", "org list"}},
		{args: "log usage REG-1 --dives 300 --at 2024-03-02 --reference R-7", out: []string{"300 dives [R-7]", "may not be handed out", "clears: A passed overhaul."}},
		{args: "due --by usage --exit-code --as-of 2024-03-10", code: exitOverdue, out: []string{"REG-1", "1 past the limit"}},
		{args: "due --by usage --as-of 2024-03-10 --output json", out: []string{`"items": [`, `"assetTag": "REG-1"`, `"divesUsed": "303"`, `"divesLeft": "0"`, `"overdueCount": 1`}},
		{args: "history REG-1", out: []string{"no.", "300 dives [R-7]", "cli:"}},
		{args: "log amend REG-1 2 --dives 3 --reason typed", out: []string{"amendment of no. 2: 3 dives [R-7] (typed)"}},
		{args: "log amend REG-1 3 --dives 3 --reason again", code: exitUsage, err: []string{"is an amendment"}},
		{args: "log amend REG-1 2 --outcome pass --reason x", code: exitUsage, err: []string{"--outcome does not go with"}},
		{args: "log amend REG-1 77 --dives 1 --reason x", code: exitNotFound, err: []string{"77"}},
		{args: "unit show REG-1 --as-of 2024-03-10", out: []string{"94 dives"}},
		{args: "log condition REG-1 --condition free-flow --at 2024-04-01T10:00:00Z", out: []string{"free-flow: pulled", "may not be handed out"}},
		{args: "holds", out: []string{"REG-1", "condition", "a later pass of"}},
		{args: "lift REG-1 --reason x", code: exitRejected, err: []string{"HOLD_NEEDS_PROOF", "Nothing was written.", "log service"}},
		{args: "available --kind regulator-set --from 2024-04-02 --to 2024-04-03", out: []string{"0 may be promised, 1 may not", "no  REG-1"}},
		{args: "log service REG-1 --activity overhaul --outcome pass --at 2024-04-02 --dry-run", out: []string{"overhaul: pass"}, err: []string{"nothing was written"}},
		{args: "holds REG-1", out: []string{"free-flow"}},
		{args: "log service REG-1 --activity overhaul --outcome pass --at 2024-04-02", out: []string{"overhaul: pass"}},
		{args: "holds", out: []string{"No holds."}},
		{args: "hold REG-1 --reason leaks --output json", out: []string{`"cause": "CAUSE_MANUAL"`, `"reason": "leaks"`}},
		{args: "lift REG-1 --reason checked", out: []string{"is lifted"}},
		{args: "lift REG-1 --reason checked", code: exitNotFound, err: []string{"no open hold"}},
		{args: "unit create REG-1 --model set-a --shop lagoon --since 2024-01-01", code: exitRejected, err: []string{"ASSET_TAG_TAKEN", "Nothing was written."}},
		{args: "log usage REG-1 --dives 1 --at 2019-01-01", code: exitRejected, err: []string{"BEFORE_COMMISSIONING"}},
		{args: "log usage REG-1 --dives -1", code: exitRejected, err: []string{"dives", "-1"}},
		{args: "unit create REG-2 --model set-a --shop lagoon --since 2024-01-01", out: []string{"REG-2 is registered at lagoon."}},
		{args: "fit REG-2 --to REG-1 --at 2024-05-01 --place spare", out: []string{"REG-2 is fitted to REG-1."}},
		{args: "fit REG-1 --to REG-2", code: exitRejected, err: []string{"FITTING_CYCLE"}},
		{args: "unit show REG-2", out: []string{"fitted to REG-1"}},
		{args: "unfit REG-2 --at 2024-05-02", out: []string{"REG-2 is taken off REG-1."}},
		{args: "transfer REG-2 --to nowhere", code: exitNotFound, err: []string{"nowhere"}},
		{args: "retire REG-2 --reason sold --yes", out: []string{"REG-2 is retired."}},
		{args: "unit list", out: []string{"REG-1"}},
		{args: "unit list --retired --output json", out: []string{"REG-2", "STATE_RETIRED"}},
		{args: "summary", out: []string{"lagoon", "all"}},
		{args: "rules list", out: []string{"house"}},
		{args: "rules show house", out: []string{"24 months or 100 dives", "[from memory, not compared with the document]"}},
		{args: "rules publish testdata/rules/house.yaml --id house", out: []string{"revision 1"}},
		{args: "verify", out: []string{"is whole"}},
		{args: "rebuild", out: []string{"built again"}},
		{args: "unit show REG-1 --as-of 2024-05-10 --output json", out: []string{`"mayHandOut": true`}},
		{args: "technician create ann --name Ann --qualification overhaul,regulator-set,2024-01-01,2026-12-31", out: []string{"Ann (ann) is registered."}},
		{args: "technician list", out: []string{"2026-12-31"}},
		{args: "org list --output json", out: []string{`"name": "orgs/reefline"`}},
	}
	for _, s := range steps {
		got := command(t, env, strings.Fields(s.args)...)
		if got.code != s.code {
			t.Errorf("strandline %s: exit code %d, want %d\n%s%s", s.args, got.code, s.code, got.stdout, got.err)
		}
		wants(t, got.stdout, s.out...)
		wants(t, got.err, s.err...)
	}
}

// get asks for a page with a token.
func get(t *testing.T, url, token string) (int, []byte) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, body
}

// appendUntilKilled appends entries one by one from several callers, kills the server with SIGKILL in the middle of it, and returns
// the names of the entries that it acknowledged.
func appendUntilKilled(t *testing.T, s *server, data string) (names []string) {
	t.Helper()
	key, err := auth.LoadKey(filepath.Join(data, "key.pem"))
	if err != nil {
		t.Fatal(err)
	}
	a := &app{clk: clock.System{}, set: settings{Role: auth.RoleChainManager, Org: "reefline"}}
	conn, err := rpc.Dial(s.grpc, grpc.WithDisableRetry())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	c, err := a.as(&backend{conn: conn, key: key}, auth.RoleChainManager, tenant.Must("reefline"))
	if err != nil {
		t.Fatal(err)
	}
	unit, err := c.unit(t.Context(), "REG-1")
	if err != nil {
		t.Fatal(err)
	}
	const callers, enough = 4, 60
	var mu sync.Mutex
	var wg sync.WaitGroup
	killed := make(chan struct{})
	for range callers {
		wg.Go(func() {
			for {
				name := unit.GetName() + "/entries/" + newID()
				_, err := c.History.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: c.Org.Name(), Entries: []*historypb.Entry{{
					Name: name, OccurredTime: timestamp(time.Date(2024, 3, 1, 12, 0, 0, 0, time.UTC)),
					Detail: &historypb.Entry_Usage{Usage: &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Dives: 1}}}},
				}}})
				if err != nil {
					select {
					case <-killed:
					default:
						t.Errorf("append: %v", err)
					}
					return
				}
				mu.Lock()
				names = append(names, name)
				if len(names) == enough {
					close(killed)
					if err := s.cmd.Process.Kill(); err != nil {
						t.Errorf("kill: %v", err)
					}
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	<-s.done
	if len(names) < enough {
		t.Fatalf("%d entries were acknowledged before the kill, want at least %d", len(names), enough)
	}
	return names
}

// TestServeApart runs the four parts as four processes over one database, which is migrated first by the command.
func TestServeApart(t *testing.T) {
	dir := t.TempDir()
	db, err := private.Start(t.Context(), private.Config{Dir: filepath.Join(dir, "db"), NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Stop(); err != nil {
			t.Error(err)
		}
	})
	key := filepath.Join(dir, "key.pem")
	must(t, nil, "key", "--key-file", key)
	common := []string{"--dsn", db.DSN(), "--key-file", key, "--data", filepath.Join(dir, "data")}
	part := func(name string, more ...string) *server {
		t.Helper()
		return serveProcess(t, append(append([]string{name, "--listen", "127.0.0.1:0"}, common...), more...)...)
	}

	early := startProcess(t, append([]string{"serve", "registry", "--listen", "127.0.0.1:0"}, common...)...)
	<-early.done
	if code := early.cmd.ProcessState.ExitCode(); code != exitUnavailable {
		t.Errorf("serve on a database that is not migrated: exit code %d, want %d", code, exitUnavailable)
	}
	wants(t, early.text(), "strandline migrate")
	must(t, nil, "migrate", "--dsn", db.DSN())
	must(t, nil, "migrate", "--dsn", db.DSN())

	registry := part("registry")
	history := part("history", "--registry-addr", registry.grpc)
	compliance := part("compliance", "--registry-addr", registry.grpc, "--history-addr", history.grpc)
	board := serveProcess(t, "board", "--http", "127.0.0.1:0", "--registry-addr", registry.grpc, "--history-addr", history.grpc, "--compliance-addr", compliance.grpc, "--data", filepath.Join(dir, "data"))

	env := []string{
		"STRANDLINE_SERVER=registry=" + registry.grpc + ",history=" + history.grpc + ",compliance=" + compliance.grpc,
		"STRANDLINE_KEY_FILE=" + key, "STRANDLINE_DATA=" + filepath.Join(dir, "none"),
	}
	aFleet(t, env)
	wants(t, must(t, env, "log", "test", "REG-1", "--activity", "overhaul", "--outcome", "fail", "--at", "2024-02-01"), "may not be handed out")
	wants(t, must(t, env, "holds"), "REG-1", "failed")
	if status, body := get(t, "http://"+board.http+"/readyz", ""); status != http.StatusOK {
		t.Errorf("readyz: status %d, body %s", status, body)
	}
	// A counter whose services go down one after the other: the gate is shut, and there is still the paper list.
	must(t, env, "unit", "create", "REG-2", "--model", "set-a", "--shop", "lagoon", "--since", time.Now().AddDate(0, -1, 0).Format(time.DateOnly), "--serial", "S2")
	must(t, env, "allocations", "allocate", "--shop", "lagoon", "--from", time.Now().Format(time.DateOnly), "--to", time.Now().AddDate(0, 0, 1).Format(time.DateOnly), "--want", "@REG-2", "--reference", "R-1", "--confirm")
	down := func(all ...*server) {
		for _, s := range all {
			if code := s.signal(syscall.SIGTERM); code != exitOK {
				t.Errorf("after SIGTERM: exit code %d\n%s", code, s.text())
			}
		}
	}
	org := append([]string{"STRANDLINE_ORG=reefline"}, env...)
	down(history)
	o := command(t, org, "handout", "R-1")
	if o.code != exitUnavailable {
		t.Errorf("handout without history: exit code %d, want %d", o.code, exitUnavailable)
	}
	wants(t, o.err, "(GATE_SHUT)", "history", "'strandline paper --shop lagoon'")
	down(registry)
	o = command(t, org, "handout", "R-1")
	if o.code != exitUnavailable {
		t.Errorf("handout without registry and history: exit code %d, want %d", o.code, exitUnavailable)
	}
	wants(t, o.err, "(GATE_SHUT)", "'strandline paper --shop lagoon'")
	wants(t, must(t, org, "paper", "--shop", "lagoon"), "PAPER LIST of Lagoon Shop", "REG-2", "R-1", "REG-1")
	down(board, compliance)
}
