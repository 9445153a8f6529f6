package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// backend is the server that a run talks to: another process, or this one.
type backend struct {
	conn     grpc.ClientConnInterface
	key      *auth.Key // signs tokens; nil when there is none
	heads    func(ctx context.Context, org tenant.Org) (*typepb.Position, error)
	remember func(org tenant.Org, p *typepb.Position)
	closers  []func() error // last first
}

func (b *backend) close() error {
	var all []error
	for i := len(b.closers) - 1; i >= 0; i-- {
		all = append(all, b.closers[i]())
	}
	return errors.Join(all...)
}

// open returns the backend of the run: the server of the settings, else the local one if it answers, else all services in this
// process.
func (a *app) open(ctx context.Context) (*backend, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.backend != nil {
		return a.backend, nil
	}
	b, err := a.find(ctx)
	if err != nil {
		return nil, err
	}
	a.backend = b
	return b, nil
}

func (a *app) find(ctx context.Context) (*backend, error) {
	key, err := a.loadKey()
	if err != nil {
		return nil, err
	}
	if a.set.Server != "" {
		conn, closers, err := a.dialServer(a.set.Server)
		if err != nil {
			return nil, err
		}
		return &backend{conn: conn, key: key, closers: closers}, nil
	}
	if b := a.local(ctx, key); b != nil {
		return b, nil
	}
	return a.inProcess(ctx)
}

// local connects to the server that runs in the data folder, if one does and answers.
func (a *app) local(ctx context.Context, key *auth.Key) *backend {
	s, err := readServerState(a.set.Data)
	if err != nil || s.DSN != digest(a.set.DSN) || !s.alive() {
		return nil
	}
	conn, closers, err := a.dialServer(s.address())
	if err != nil {
		return nil
	}
	b := &backend{conn: conn, key: key, closers: closers}
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	h, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
	if err != nil || h.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		_ = b.close()
		return nil
	}
	marks := positions{dir: filepath.Join(a.set.Data, "run"), clk: a.clk}
	b.heads, b.remember = marks.get, marks.set
	return b
}

// dialServer connects to one server, or to the three services of a split one: registry=A,history=B,compliance=C.
func (a *app) dialServer(target string, more ...grpc.DialOption) (grpc.ClientConnInterface, []func() error, error) {
	var closers []func() error
	dial := func(target string) (*grpc.ClientConn, error) {
		opts, err := a.dialOptions(target)
		if err != nil {
			return nil, err
		}
		conn, err := rpc.Dial(strings.TrimPrefix(strings.TrimPrefix(target, "https://"), "http://"), append(opts, more...)...)
		if err == nil {
			closers = append(closers, conn.Close)
		}
		return conn, err
	}
	if !strings.Contains(target, "=") {
		conn, err := dial(target)
		return conn, closers, err
	}
	routes := routed{}
	for _, part := range strings.Split(target, ",") {
		name, address, _ := strings.Cut(part, "=")
		if name != "registry" && name != "history" && name != "compliance" || address == "" {
			return nil, nil, usagef("--server %q: want host:port, or registry=host:port,history=host:port,compliance=host:port", target)
		}
		conn, err := dial(address)
		if err != nil {
			return nil, nil, err
		}
		routes["/strandline."+name+".v1."] = conn
	}
	return routes, closers, nil
}

// dialOptions returns how to speak to a server: TLS to other machines, plain text to this one, unless the settings say otherwise.
func (a *app) dialOptions(target string) ([]grpc.DialOption, error) {
	switch {
	case a.set.Plaintext || strings.HasPrefix(target, "http://"):
		return []grpc.DialOption{grpc.WithTransportCredentials(insecure.NewCredentials())}, nil
	case a.set.CAFile != "" || strings.HasPrefix(target, "https://"):
		c, err := rpc.LoadClientTLS(a.set.CAFile, "", "")
		if err != nil {
			return nil, err
		}
		return []grpc.DialOption{grpc.WithTransportCredentials(credentials.NewTLS(c))}, nil
	}
	return nil, nil
}

// routed sends each call to the service that has it, by the package in its name.
type routed map[string]*grpc.ClientConn

// health is the call that goes to every service: all have to serve.
const health = "/grpc.health.v1.Health/Check"

func (r routed) find(method string) (*grpc.ClientConn, error) {
	for prefix, conn := range r {
		if strings.HasPrefix(method, prefix) {
			return conn, nil
		}
	}
	return nil, errs.New(errs.Unavailable, "UNAVAILABLE", "--server names no address for "+method)
}

func (r routed) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	if method == health {
		for _, conn := range r {
			if err := conn.Invoke(ctx, method, args, reply, opts...); err != nil {
				return err
			}
			if h, ok := reply.(*healthpb.HealthCheckResponse); ok && h.GetStatus() != healthpb.HealthCheckResponse_SERVING {
				return nil
			}
		}
		return nil
	}
	conn, err := r.find(method)
	if err != nil {
		return err
	}
	return conn.Invoke(ctx, method, args, reply, opts...)
}

func (r routed) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	conn, err := r.find(method)
	if err != nil {
		return nil, err
	}
	return conn.NewStream(ctx, desc, method, opts...)
}

// inProcess starts every service in this process for the time of the run.
func (a *app) inProcess(ctx context.Context) (_ *backend, err error) {
	b := &backend{}
	defer func() {
		if err != nil {
			err = errors.Join(err, b.close())
		}
	}()
	// What runs for the whole run must not end with the time of one answer.
	ctx = context.WithoutCancel(ctx)
	if err := os.MkdirAll(a.set.Data, 0o755); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	if b.key, err = auth.LoadOrCreateKey(a.keyFile()); err != nil {
		return nil, err
	}
	log := a.logger("off")
	db, err := a.database(ctx, log)
	if err != nil {
		return nil, err
	}
	b.closers = append(b.closers, db.stop)
	st, err := a.stack(db.dsn, b.key, log).All(ctx)
	if err != nil {
		return nil, err
	}
	b.closers = append(b.closers, func() error { return st.Stop(context.WithoutCancel(ctx), 0, 10*time.Second) })
	st.Start()
	conn, err := st.Public().InProcess()
	if err != nil {
		return nil, err
	}
	b.closers = append(b.closers, conn.Close)
	b.conn, b.heads = conn, st.Heads
	return b, nil
}
