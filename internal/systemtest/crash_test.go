package systemtest

import (
	"bufio"
	"context"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/pg/private"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/rpc"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// process is `strandline serve` as a user runs it.
type process struct {
	cmd  *exec.Cmd
	logs *strings.Builder
	done chan struct{}
}

func buildBinary(t *testing.T) string {
	t.Helper()
	bin := filepath.Join(t.TempDir(), "strandline")
	cmd := exec.CommandContext(t.Context(), "go", "build", "-o", bin, "../../cmd/strandline")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return bin
}

// apart leaves a test of processes out with -short, which the tests with the race detector have: it would see nothing of them.
func apart(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("what it tests are processes of their own, which take long to build and start")
	}
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().String()
}

// serve starts the binary and waits until it answers.
func serve(t *testing.T, bin, dsn, data, listen, http string) *process {
	t.Helper()
	p := &process{cmd: exec.CommandContext(context.WithoutCancel(t.Context()), bin, "serve", "--dsn", dsn, "--data", data, "--listen", listen, "--http", http), logs: &strings.Builder{}, done: make(chan struct{})}
	pipe, err := p.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(p.done)
		for sc := bufio.NewScanner(pipe); sc.Scan(); {
			p.logs.WriteString(sc.Text() + "\n")
		}
	}()
	conn, err := rpc.Dial(listen)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	deadline := time.Now().Add(30 * time.Second)
	for time.Now().Before(deadline) {
		ctx, cancel := contextWithTimeout(t, time.Second)
		r, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
		cancel()
		if err == nil && r.GetStatus() == healthpb.HealthCheckResponse_SERVING {
			return p
		}
		time.Sleep(20 * time.Millisecond)
	}
	p.kill()
	t.Fatalf("strandline serve does not answer:\n%s", p.logs)
	return nil
}

// kill ends the process as kill -9 does.
func (p *process) kill() {
	_ = p.cmd.Process.Kill()
	<-p.done
	_ = p.cmd.Wait()
}

// TestAcknowledgedEntriesSurviveKill is invariant 1: `strandline serve` is killed with kill -9 again and again while four writers
// append; every entry that was answered OK is in the ledger exactly once, its receipt says the same afterwards, and the chain holds.
func TestAcknowledgedEntriesSurviveKill(t *testing.T) {
	apart(t)
	const kills = 12
	bin, db := buildBinary(t), pgtest.New(t)
	data := t.TempDir()
	key, err := auth.LoadOrCreateKey(filepath.Join(data, "key.pem"))
	if err != nil {
		t.Fatal(err)
	}
	listen, http := freePort(t), freePort(t)
	p := serve(t, bin, db.DSN(), data, listen, http)
	defer func() { p.kill() }()
	mint := func(role, org string) grpc.DialOption {
		at := time.Now()
		token, err := key.Mint(auth.Claims{Subject: "test", Role: role, Org: org, Issued: at, Expires: at.Add(time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		return grpc.WithPerRPCCredentials(rpc.BearerToken(token))
	}
	dial := func(role, org string) *grpc.ClientConn {
		conn, err := rpc.Dial(listen, mint(role, org))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		return conn
	}
	f := newFleetOver(t, dial, "crash")
	unit := f.unit("bcd", "B-1")

	type acked struct {
		entry   *historypb.Entry
		receipt *historypb.Receipt
	}
	var (
		mu    sync.Mutex
		acks  []acked
		sent  int
		group sync.WaitGroup
	)
	ctx, stop := context.WithCancel(t.Context())
	for w := range 4 {
		rng := rand.New(rand.NewPCG(uint64(w), 7))
		conn := dial(auth.RoleTechnician, "crash")
		client := historypb.NewHistoryServiceClient(conn)
		group.Go(func() {
			for ctx.Err() == nil {
				var batch []*historypb.Entry
				for range 1 + rng.IntN(5) {
					batch = append(batch, dives(unit, time.Now().Add(-time.Duration(rng.IntN(90*24))*time.Hour), 1))
				}
				for ctx.Err() == nil { // an answer that was lost is asked for again with the same ids
					call, cancel := context.WithTimeout(ctx, 2*time.Second)
					r, err := client.AppendEntries(call, &historypb.AppendEntriesRequest{Parent: f.org, Entries: batch, RequestId: uuid.NewString()})
					cancel()
					mu.Lock()
					sent++
					if err == nil {
						for i, e := range batch {
							acks = append(acks, acked{e, r.GetReceipts()[i]})
						}
					}
					mu.Unlock()
					if err == nil {
						break
					}
					time.Sleep(10 * time.Millisecond)
				}
			}
		})
	}
	for range kills {
		time.Sleep(time.Duration(150+rand.IntN(250)) * time.Millisecond)
		p.kill()
		p = serve(t, bin, db.DSN(), data, listen, http)
	}
	time.Sleep(200 * time.Millisecond)
	stop()
	group.Wait()

	if len(acks) < 20*kills {
		t.Fatalf("only %d entries were acknowledged in %d kills: the load was too low to mean anything", len(acks), kills)
	}
	// What a call that was given up has sent may be committed yet: nothing is counted before nothing more comes.
	for last := int64(-1); ; time.Sleep(time.Second) {
		v, err := f.history.VerifyLedger(t.Context(), &historypb.VerifyLedgerRequest{Name: f.org})
		if err != nil {
			t.Fatal(err)
		}
		if v.GetEntryCount() == last {
			break
		}
		last = v.GetEntryCount()
	}
	count := map[string]*historypb.Entry{}
	total := int64(0)
	for token := ""; ; {
		r, err := f.history.ListEntries(t.Context(), &historypb.ListEntriesRequest{Parent: unit, PageSize: 1000, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range r.GetEntries() {
			if count[e.GetName()] != nil {
				t.Errorf("%s is in the ledger twice", e.GetName())
			}
			count[e.GetName()] = e
			total++
		}
		if token = r.GetNextPageToken(); token == "" {
			break
		}
	}
	for _, a := range acks {
		e := count[a.entry.GetName()]
		switch {
		case e == nil:
			t.Errorf("acknowledged and lost: %s", a.entry.GetName())
		case e.GetSequence() != a.receipt.GetSequence() || string(e.GetDigest()) != string(a.receipt.GetDigest()) || !proto.Equal(e.GetRecordedTime(), a.receipt.GetRecordedTime()):
			t.Errorf("%s is not what its receipt says", a.entry.GetName())
		}
	}
	v, err := f.history.VerifyLedger(t.Context(), &historypb.VerifyLedgerRequest{Name: f.org})
	if err != nil || v.GetEntryCount() != total {
		t.Errorf("the chain: %v, %d entries; listed %d", err, v.GetEntryCount(), total)
	}
	f.position.History = total
	if got := f.standing(unit); got.GetClocks()[0].GetDivesUsed() != total {
		t.Errorf("compliance counts %d dives of %d", got.GetClocks()[0].GetDivesUsed(), total)
	}
	t.Logf("%d kills, %d calls, %d entries acknowledged, %d in the ledger", kills, sent, len(acks), total)
}

// killPostmaster ends the private PostgreSQL in dir as kill -9 does.
func killPostmaster(t *testing.T, dir string) {
	t.Helper()
	var found []string
	_ = filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && d.Name() == "postmaster.pid" {
			found = append(found, path)
		}
		return nil
	})
	if len(found) != 1 {
		t.Fatalf("%d postmaster.pid under the data folder", len(found))
	}
	raw, err := os.ReadFile(found[0])
	if err != nil {
		t.Fatal(err)
	}
	line, _, _ := strings.Cut(string(raw), "\n")
	pid, err := strconv.Atoi(line)
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
}

// TestDatabaseKilled kills the PostgreSQL under running services; what was acknowledged is there, and the services go on by themselves.
func TestDatabaseKilled(t *testing.T) {
	apart(t)
	bin := buildBinary(t)
	if os.Getenv("STRANDLINE_DSN") != "" {
		t.Skip("STRANDLINE_DSN names a PostgreSQL that is not this test's to kill")
	}
	// The folder is open to search, so that the server's user reaches it and the socket keeps its place over a restart.
	home, err := os.MkdirTemp("", "strandline") //nolint:usetesting // t.TempDir is closed to the server's user
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(home) })
	if err := os.Chmod(home, 0o755); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(home, "pg")
	srv, err := private.Start(t.Context(), private.Config{Dir: dir, Logf: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = srv.Stop() }()
	dsn := srv.DSN()
	migrate := exec.CommandContext(t.Context(), bin, "migrate", "--dsn", srv.DSN())
	if out, err := migrate.CombinedOutput(); err != nil {
		t.Fatalf("migrate: %v\n%s", err, out)
	}
	data := t.TempDir()
	key, err := auth.LoadOrCreateKey(filepath.Join(data, "key.pem"))
	if err != nil {
		t.Fatal(err)
	}
	listen, http := freePort(t), freePort(t)
	p := serve(t, bin, srv.DSN(), data, listen, http)
	defer p.kill()
	dial := func(role, org string) *grpc.ClientConn {
		at := time.Now()
		token, err := key.Mint(auth.Claims{Subject: "test", Role: role, Org: org, Issued: at, Expires: at.Add(time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		conn, err := rpc.Dial(listen, grpc.WithPerRPCCredentials(rpc.BearerToken(token)))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		return conn
	}
	f := newFleetOver(t, dial, "dbcrash")
	unit := f.unit("bcd", "B-1")
	var names []string
	for round := range 3 {
		for range 20 {
			e := dives(unit, time.Now().Add(-time.Hour), 1)
			f.append(e)
			names = append(names, e.GetName())
		}
		killPostmaster(t, dir)
		_ = srv.Stop() // it is dead; this lets go of the folder
		if srv, err = private.Start(t.Context(), private.Config{Dir: dir, Logf: t.Logf}); err != nil {
			t.Fatal(err)
		}
		if srv.DSN() != dsn {
			t.Fatalf("the private PostgreSQL moved from %s to %s", dsn, srv.DSN())
		}
		began := time.Now()
		for {
			ctx, cancel := contextWithTimeout(t, time.Second)
			_, err := f.history.GetEntry(ctx, &historypb.GetEntryRequest{Name: names[len(names)-1]})
			cancel()
			if err == nil {
				break
			}
			if time.Since(began) > 15*time.Second {
				t.Fatalf("round %d: the services do not find the database again: %v", round, err)
			}
			time.Sleep(50 * time.Millisecond)
		}
	}
	for _, n := range names {
		if _, err := f.history.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: n}); err != nil {
			t.Errorf("acknowledged and lost: %s: %v", n, err)
		}
	}
	f.position.History = int64(len(names))
	if got := f.standing(unit).GetClocks()[0].GetDivesUsed(); got != int64(len(names)) {
		t.Errorf("compliance counts %d dives of %d", got, len(names))
	}
}
