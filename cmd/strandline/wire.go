package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pg/private"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/telemetry"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/compliancerpc"
	"strandline.example/strandline/services/history/historypg"
	"strandline.example/strandline/services/history/historyrpc"
	"strandline.example/strandline/services/registry/registrypg"
	"strandline.example/strandline/services/registry/registryrpc"
)

// schemas are what the services keep in the database.
func schemas() []pg.Schema {
	return []pg.Schema{registrypg.Schema, historypg.Schema, compliancepg.Schema}
}

// wiring is what every service needs to be built.
type wiring struct {
	dsn       string
	key       *auth.Key
	clk       clock.Clock
	log       *slog.Logger
	maxConns  int32
	spool     string
	maxImport int64
	tls       *tls.Config // of the public ports
	tel       *telemetry.Telemetry
}

func (a *app) wiring(dsn string, key *auth.Key, log *slog.Logger) *wiring {
	return &wiring{
		dsn: dsn, key: key, clk: a.clk, log: log,
		maxConns: int32(a.set.MaxConns), spool: filepath.Join(a.set.Data, "spool"), maxImport: int64(a.set.MaxImport) << 20,
	}
}

// service is one of the three, over its own role and schema, behind its own gRPC server with the feed.
type service struct {
	name     string
	db       *pg.DB
	server   *rpc.Server
	register func(grpc.ServiceRegistrar)     // its public API
	run      func(ctx context.Context) error // what it does between calls; nil for nothing
	conns    []*grpc.ClientConn              // to the others
}

func (s *service) close() error {
	var all []error
	for _, c := range s.conns {
		all = append(all, c.Close())
	}
	if s.db != nil {
		s.db.Close()
	}
	return errors.Join(all...)
}

// newServer returns a gRPC server that answers health checks by asking the databases.
func (w *wiring) newServer(tlsConfig *tls.Config, dbs ...*pg.DB) *rpc.Server {
	return rpc.NewServer(rpc.ServerConfig{
		Verifier: auth.NewVerifier(w.key.Public()), Clock: w.clk, Logger: w.log, TLS: tlsConfig, Telemetry: w.tel.Server(),
		Health: func(ctx context.Context) error {
			for _, db := range dbs {
				if err := db.Ping(ctx); err != nil {
					return err
				}
			}
			return nil
		},
	})
}

func (w *wiring) open(ctx context.Context, s pg.Schema) (*pg.DB, error) {
	db, err := pg.Open(ctx, pg.Config{DSN: w.dsn, Role: s.Role, Schema: s.Name, MaxConns: w.maxConns, Application: "strandline " + s.Name, Tracer: w.tel.Database()})
	if err != nil {
		return nil, w.unmigrated(err)
	}
	err = db.Migrated(ctx, s)
	if err == nil {
		err = w.tel.ObservePool(db.Pool(), s.Name)
	}
	if err != nil {
		db.Close()
		return nil, w.unmigrated(err)
	}
	return db, nil
}

// unmigrated adds the command that helps to an error about a schema that is missing or behind.
func (w *wiring) unmigrated(err error) error {
	missing := false
	switch pg.Code(err) {
	case "22023", "42501", "3F000", "42P01": // the role does not exist or may not be taken; no schema; no table
		missing = true
	}
	if e := errs.As(err); e != nil && e.Meta["want"] != "" {
		missing = true
	}
	if !missing {
		return err
	}
	return errs.New(errs.Unavailable, "SCHEMA_BEHIND", "the database is not migrated to this version; run: strandline migrate --dsn DSN (as a user that may create roles and schemas)").Because(err)
}

// pages returns the signer of page tokens: the same in every process that shares the key.
func (w *wiring) pages() *page.Signer { return page.NewSigner(w.key.Secret("page tokens")) }

// serviceToken is what one service shows another.
func (w *wiring) serviceToken(name string) grpc.DialOption {
	return grpc.WithPerRPCCredentials(rpc.ServiceToken(w.key, "service:"+name, w.clk))
}

func (w *wiring) registry(ctx context.Context, tlsConfig *tls.Config) (*service, error) {
	db, err := w.open(ctx, registrypg.Schema)
	if err != nil {
		return nil, err
	}
	impl := registryrpc.New(registryrpc.Config{DB: db, Clock: w.clk, Pages: w.pages(), Logger: w.log.With("service", "registry")})
	s := &service{name: "registry", db: db, server: w.newServer(tlsConfig, db), register: impl.Register}
	impl.Register(s.server)
	impl.RegisterFeed(s.server)
	return s, nil
}

// dialer connects one service to another, with a token.
type dialer func(opts ...grpc.DialOption) (*grpc.ClientConn, error)

func (w *wiring) history(ctx context.Context, tlsConfig *tls.Config, registry dialer) (*service, error) {
	conn, err := registry(w.serviceToken("history"))
	if err != nil {
		return nil, err
	}
	db, err := w.open(ctx, historypg.Schema)
	if err != nil {
		_ = conn.Close()
		return nil, err
	}
	impl := historyrpc.New(historyrpc.Config{DB: db, Clock: w.clk, Pages: w.pages(), Logger: w.log.With("service", "history"), Registry: registrypb.NewRegistryServiceClient(conn), SpoolDir: w.spool, MaxImportBytes: w.maxImport})
	s := &service{name: "history", db: db, server: w.newServer(tlsConfig, db), register: impl.Register, conns: []*grpc.ClientConn{conn}}
	impl.Register(s.server)
	impl.RegisterFeed(s.server)
	return s, nil
}

func (w *wiring) compliance(ctx context.Context, tlsConfig *tls.Config, registry, history dialer) (*service, error) {
	s := &service{name: "compliance"}
	feeds := make([]feedpb.FeedServiceClient, 2)
	for i, dial := range []dialer{registry, history} {
		conn, err := dial(w.serviceToken("compliance"))
		if err != nil {
			return nil, errors.Join(err, s.close())
		}
		s.conns = append(s.conns, conn)
		feeds[i] = feedpb.NewFeedServiceClient(conn)
	}
	var err error
	if s.db, err = w.open(ctx, compliancepg.Schema); err != nil {
		return nil, errors.Join(err, s.close())
	}
	impl := compliancerpc.New(compliancerpc.Config{DB: s.db, Clock: w.clk, Pages: w.pages(), Logger: w.log.With("service", "compliance"), Registry: feeds[0], History: feeds[1]})
	s.server, s.register, s.run = w.newServer(tlsConfig, s.db), impl.Register, impl.Run
	impl.Register(s.server)
	return s, nil
}

// stack is the three services in one process, connected inside it, behind one public server.
type stack struct {
	services []*service // in the order they depend on one another
	public   *rpc.Server
	feeds    []*grpc.ClientConn // registry's and history's, for their heads
	log      *slog.Logger

	running sync.WaitGroup
	cancel  context.CancelFunc
}

// all builds the three services in this process. Between them there is what there is between processes: gRPC clients, tokens,
// permissions.
func (w *wiring) all(ctx context.Context) (_ *stack, err error) {
	st := &stack{log: w.log}
	defer func() {
		if err != nil {
			err = errors.Join(err, st.close())
		}
	}()
	reg, err := w.registry(ctx, nil)
	if err != nil {
		return nil, err
	}
	st.services = append(st.services, reg)
	his, err := w.history(ctx, nil, reg.server.InProcess)
	if err != nil {
		return nil, err
	}
	st.services = append(st.services, his)
	com, err := w.compliance(ctx, nil, reg.server.InProcess, his.server.InProcess)
	if err != nil {
		return nil, err
	}
	st.services = append(st.services, com)
	for _, s := range []*service{reg, his} {
		conn, err := s.server.InProcess(w.serviceToken("heads"))
		if err != nil {
			return nil, err
		}
		st.feeds = append(st.feeds, conn)
	}
	st.public = w.newServer(w.tls, reg.db, his.db, com.db)
	for _, s := range st.services {
		s.register(st.public)
	}
	return st, nil
}

// start lets the services answer and compliance follow the feeds.
func (st *stack) start() {
	ctx, cancel := context.WithCancel(context.Background())
	st.cancel = cancel
	for _, s := range st.services {
		s.server.SetServing(true)
		if s.run != nil {
			st.running.Go(func() {
				if err := s.run(ctx); err != nil && ctx.Err() == nil {
					st.log.Error("a service stopped following", "service", s.name, "error", err)
				}
			})
		}
	}
	st.public.SetServing(true)
}

// stop ends everything in order: no new calls, running ones out, then what they need. wait is the time between saying NOT_SERVING
// and refusing calls; limit is what running calls get.
func (st *stack) stop(ctx context.Context, wait, limit time.Duration) error {
	st.public.SetServing(false)
	pause(ctx, wait)
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	all := []error{st.public.Drain(ctx)}
	if st.cancel != nil {
		st.cancel()
	}
	st.running.Wait()
	for i := len(st.services) - 1; i >= 0; i-- {
		all = append(all, st.services[i].server.Drain(ctx))
	}
	return errors.Join(append(all, st.close())...)
}

func (st *stack) close() error {
	var all []error
	for _, c := range st.feeds {
		all = append(all, c.Close())
	}
	for i := len(st.services) - 1; i >= 0; i-- {
		all = append(all, st.services[i].close())
	}
	st.feeds, st.services = nil, nil
	return errors.Join(all...)
}

// heads returns where the org's logs stand now, so that a read can ask for all of it.
func (st *stack) heads(ctx context.Context, org tenant.Org) (*typepb.Position, error) {
	var at [2]int64
	for i, conn := range st.feeds {
		r, err := feedpb.NewFeedServiceClient(conn).ReadFeed(ctx, &feedpb.ReadFeedRequest{Parent: org.Name(), After: math.MaxInt64, Limit: 1})
		if err != nil {
			return nil, err
		}
		at[i] = r.GetHead()
	}
	return &typepb.Position{Registry: at[0], History: at[1]}, nil
}

// database returns the database of the run and how to let go of it: the one of the settings, or a private one that is started and
// migrated.
func (a *app) database(ctx context.Context, log *slog.Logger) (db *database, err error) {
	if a.set.DSN != "" {
		return &database{dsn: a.set.DSN, stop: func() error { return nil }}, nil
	}
	wait, cancel := context.WithTimeout(ctx, max(a.set.Timeout, 10*time.Second))
	defer cancel()
	unlock, err := a.lockData(wait)
	if err != nil {
		return nil, err
	}
	srv, err := private.Start(ctx, private.Config{Dir: a.set.Data, Logf: func(format string, args ...any) {
		log.Info("postgres: " + strings.TrimSpace(fmt.Sprintf(format, args...)))
	}})
	if err != nil {
		return nil, errors.Join(err, unlock())
	}
	db = &database{dsn: srv.DSN(), exited: srv.Exited(), stop: func() error { return errors.Join(srv.Stop(), unlock()) }}
	if err := pg.Migrate(ctx, srv.DSN(), schemas()...); err != nil {
		return nil, errors.Join(err, db.stop())
	}
	return db, nil
}

// database is where the services keep what they know.
type database struct {
	dsn    string
	exited <-chan struct{} // closed when a private one has ended; nil for another
	stop   func() error
}

// pause waits for d or until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}
