package systemtest

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	grpccodes "google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/stack"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
)

// skewed is the machine's clock, set wrong.
type skewed struct{ off atomic.Int64 }

func (c *skewed) Now() time.Time {
	return time.Now().Add(time.Duration(c.off.Load())).UTC().Truncate(time.Microsecond)
}

func (c *skewed) set(d time.Duration) { c.off.Store(int64(d)) }

// node is a service that is stopped and started anew, at the same address.
type node struct {
	name    string
	clock   *skewed
	address string
	build   func(context.Context) (*stack.Service, error)

	mu      sync.Mutex
	service *stack.Service
	served  chan struct{}
}

func (n *node) start(t testing.TB) {
	t.Helper()
	n.mu.Lock()
	defer n.mu.Unlock()
	s, err := n.build(context.WithoutCancel(t.Context()))
	if err != nil {
		t.Fatalf("%s: %v", n.name, err)
	}
	_ = os.Remove(n.address)
	l, err := net.Listen("unix", n.address)
	if err != nil {
		t.Fatal(err)
	}
	n.service, n.served = s, make(chan struct{})
	go func(done chan struct{}) {
		defer close(done)
		_ = s.Server().Serve(l)
	}(n.served)
	s.Start(func(error) {})
}

// stop ends the service; what runs is cut off after a limit.
func (n *node) stop(t testing.TB, limit time.Duration) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.service == nil {
		return
	}
	_ = n.service.Stop(context.WithoutCancel(t.Context()), 0, limit) // calls that were cut off are its errors
	<-n.served
	n.service = nil
}

// gateWorld is registry, history and two compliances on one database, with everything between them and their callers broken now and then.
type gateWorld struct {
	t          testing.TB
	rng        *rand.Rand // of whoever changes the world; others have their own
	key        *auth.Key
	registry   *node
	history    *node
	compliance [2]*node
	faults     faults
	clocks     []*skewed
}

func newGateWorld(t testing.TB, seed uint64) *gateWorld {
	t.Helper()
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	w := &gateWorld{t: t, rng: rand.New(rand.NewPCG(seed, 1)), key: key}
	database := pgtest.New(t)
	dir, err := os.MkdirTemp("", "gate") //nolint:usetesting // a socket's path is short, and the test's own folder has its name in it
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	spool := t.TempDir()
	add := func(name string, build func(c stack.Config) func(context.Context) (*stack.Service, error)) *node {
		n := &node{name: name, clock: &skewed{}, address: filepath.Join(dir, name)}
		n.build = build(stack.Config{DSN: database.DSN(), Key: key, Clock: n.clock, Log: slog.New(slog.DiscardHandler), MaxConns: 24, Spool: spool, MaxImport: 1 << 30})
		w.clocks = append(w.clocks, n.clock)
		return n
	}
	w.registry = add("registry", func(c stack.Config) func(context.Context) (*stack.Service, error) { return c.Registry })
	w.history = add("history", func(c stack.Config) func(context.Context) (*stack.Service, error) {
		return func(ctx context.Context) (*stack.Service, error) {
			return c.History(ctx, w.between(w.registry, -1, 0, seed+11))
		}
	})
	for i := range w.compliance {
		w.compliance[i] = add(fmt.Sprint("compliance", i), func(c stack.Config) func(context.Context) (*stack.Service, error) {
			return func(ctx context.Context) (*stack.Service, error) {
				return c.Compliance(ctx, w.between(w.registry, i, 0, seed+uint64(20+i)), w.between(w.history, i, 1, seed+uint64(30+i)))
			}
		})
	}
	for _, n := range w.nodes() {
		n.start(t)
	}
	t.Cleanup(func() {
		all := w.nodes()
		for i := len(all) - 1; i >= 0; i-- {
			all[i].stop(t, time.Second)
		}
	})
	return w
}

func (w *gateWorld) nodes() []*node {
	return []*node{w.registry, w.history, w.compliance[0], w.compliance[1]}
}

// token is good whatever the clocks show: who may call is not what is tried here.
func (w *gateWorld) token(role, org string) grpc.DialOption {
	at := time.Now()
	token, err := w.key.Mint(auth.Claims{Subject: "test:" + role, Role: role, Org: org, Issued: at.AddDate(0, 0, -3), Expires: at.AddDate(0, 0, 3)})
	if err != nil {
		w.t.Fatal(err)
	}
	return grpc.WithPerRPCCredentials(rpc.BearerToken(token))
}

func dialNode(n *node, opts ...grpc.DialOption) (*grpc.ClientConn, error) {
	return rpc.Dial("unix:"+n.address, append([]grpc.DialOption{grpc.WithConnectParams(grpc.ConnectParams{
		Backoff: backoff.Config{BaseDelay: 5 * time.Millisecond, Multiplier: 1.5, Jitter: 0.2, MaxDelay: 50 * time.Millisecond}, MinConnectTimeout: 200 * time.Millisecond,
	})}, opts...)...)
}

// between connects a service to another. The token that it brings is of its clock, and another is shown.
func (w *gateWorld) between(to *node, replica, source int, seed uint64) stack.Dialer {
	return func(...grpc.DialOption) (*grpc.ClientConn, error) {
		f := &faultyConn{faults: &w.faults, replica: replica, source: source, rng: rand.New(rand.NewPCG(seed, uint64(time.Now().UnixNano())))}
		return dialNode(to, w.token(auth.RoleService, ""), grpc.WithChainUnaryInterceptor(f.unary), grpc.WithChainStreamInterceptor(f.stream))
	}
}

// caller connects somebody to a service.
func (w *gateWorld) caller(to *node, role, org string, rng *rand.Rand, broken bool) *grpc.ClientConn {
	w.t.Helper()
	opts := []grpc.DialOption{w.token(role, org)}
	if broken {
		f := &faultyConn{faults: &w.faults, replica: -1, rng: rng, outside: true}
		opts = append(opts, grpc.WithChainUnaryInterceptor(f.unary))
	}
	conn, err := dialNode(to, opts...)
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// faults are what goes wrong between services and callers, and how often it did.
type faults struct {
	on     atomic.Bool
	cutOff [2][2]atomic.Int32 // by replica of compliance and source (registry, history): 0 no, 1 refused at once, 2 without an answer

	delayed, lostBefore, lostAfter, twice, late, cutCalls, short, stale atomic.Int64
	later                                                               sync.WaitGroup
}

// faultyConn breaks calls of one connection.
type faultyConn struct {
	faults  *faults
	replica int // of compliance, whose connection it is; -1 if of another
	source  int
	outside bool // it is a caller's

	mu  sync.Mutex
	rng *rand.Rand
}

// deaf is the replica to which nobody ever tells that something has moved: the gate does not depend on it.
const deaf = 1

func (f *faultyConn) chance(n int) bool { return f.roll(n) == 0 }

func (f *faultyConn) roll(n int) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.rng.IntN(n)
}

var errInjected = status.Error(grpccodes.Unavailable, "injected: the connection broke")

func (f *faultyConn) cut(ctx context.Context) error {
	if f.replica < 0 {
		return nil
	}
	switch f.faults.cutOff[f.replica][f.source].Load() {
	case 1:
		f.faults.cutCalls.Add(1)
		return errInjected
	case 2:
		f.faults.cutCalls.Add(1)
		<-ctx.Done()
		return status.FromContextError(ctx.Err()).Err()
	}
	return nil
}

func (f *faultyConn) stream(ctx context.Context, desc *grpc.StreamDesc, cc *grpc.ClientConn, method string, streamer grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	if f.replica >= 0 && (f.replica == deaf || f.faults.cutOff[f.replica][f.source].Load() != 0) {
		return nil, errInjected
	}
	return streamer(ctx, desc, cc, method, opts...)
}

func (f *faultyConn) unary(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	if err := f.cut(ctx); err != nil {
		return err
	}
	if !f.faults.on.Load() {
		return invoke(ctx, method, req, reply, cc, opts...)
	}
	scale := 3 // between services little goes wrong: each call of a caller comes to several there
	if f.outside {
		scale = 1
	}
	if f.chance(6 * scale) {
		f.faults.delayed.Add(1)
		d := time.Duration(f.roll(15)) * time.Millisecond
		if f.chance(20) {
			d *= 15 // overtaken by many
		}
		wait(ctx, d)
	}
	switch f.roll(100 * scale) {
	case 0, 1:
		f.faults.lostBefore.Add(1)
		return errInjected
	case 2, 3, 4:
		f.faults.lostAfter.Add(1)
		_ = invoke(ctx, method, req, reply, cc, opts...)
		return errInjected
	case 5, 6, 7: // it arrives twice; if it was done once, it was done
		f.faults.twice.Add(1)
		second := proto.Clone(reply.(proto.Message))
		var errs [2]error
		var g sync.WaitGroup
		g.Go(func() { errs[1] = invoke(ctx, method, req, second, cc, opts...) })
		errs[0] = invoke(ctx, method, req, reply, cc, opts...)
		g.Wait()
		switch {
		case errs[0] == nil:
			return nil
		case errs[1] == nil:
			proto.Reset(reply.(proto.Message))
			proto.Merge(reply.(proto.Message), second)
			return nil
		case !definite(errs[0]):
			return errs[0]
		}
		return errs[1]
	case 8, 9: // it is answered, and arrives once more much later
		err := invoke(ctx, method, req, reply, cc, opts...)
		f.faults.late.Add(1)
		again, request := proto.Clone(reply.(proto.Message)), proto.Clone(req.(proto.Message))
		d := time.Duration(20+f.roll(400)) * time.Millisecond
		f.faults.later.Go(func() {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
			defer cancel()
			wait(ctx, d)
			_ = invoke(ctx, method, request, again, cc, opts...)
		})
		if err != nil {
			return errInjected // it may be done yet
		}
		return nil
	}
	err := invoke(ctx, method, req, reply, cc, opts...)
	if page, ok := reply.(*feedpb.ReadFeedResponse); ok && err == nil && f.replica >= 0 {
		switch n := len(page.GetChanges()); {
		case n > 0 && f.chance(5): // a copy that has the head, and not all of the changes
			f.faults.short.Add(1)
			page.Changes = page.Changes[:f.roll(n)]
		case n == 0 && page.GetHead() > 0 && f.chance(60): // a copy that lags behind what was seen before
			f.faults.stale.Add(1)
			page.Head -= 1 + int64(f.roll(3))
		}
	}
	return err
}

func wait(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// definite says whether an error means that the call had no effect and will have none.
func definite(err error) bool {
	switch status.Code(err) {
	case grpccodes.InvalidArgument, grpccodes.FailedPrecondition, grpccodes.NotFound, grpccodes.AlreadyExists, grpccodes.PermissionDenied, grpccodes.Aborted, grpccodes.OutOfRange:
		return true
	case grpccodes.Unavailable:
		return reasonOf(err) == "GATE_SHUT"
	}
	return false
}
