package stack

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/grpc"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/telemetry"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/compliancerpc"
	"strandline.example/strandline/services/history/historypg"
	"strandline.example/strandline/services/history/historyrpc"
	"strandline.example/strandline/services/registry/registrypg"
	"strandline.example/strandline/services/registry/registryrpc"
)

// Schemas are what the services keep in the database.
func Schemas() []pg.Schema {
	return []pg.Schema{registrypg.Schema, historypg.Schema, compliancepg.Schema}
}

// Config is what the services are built from.
type Config struct {
	DSN       string // of the database, as a user who may take on the services' roles
	Key       *auth.Key
	Clock     clock.Clock
	Log       *slog.Logger
	MaxConns  int32                // of each service to the database; 8 if 0
	Spool     string               // folder for what an import cannot hold in memory
	MaxImport int64                // bytes of one import of entries
	TLS       *tls.Config          // of the ports that others reach; plain text if nil
	Telemetry *telemetry.Telemetry // nil for none
}

// Service is one of the three, over its own role and schema, behind its own gRPC server with the feed.
type Service struct {
	name     string
	db       *pg.DB
	server   *rpc.Server
	register func(grpc.ServiceRegistrar)     // its public API
	run      func(ctx context.Context) error // what it does between calls; nil for nothing
	conns    []*grpc.ClientConn              // to the others

	running sync.WaitGroup
	cancel  context.CancelFunc
}

// Server returns the service's own gRPC server.
func (s *Service) Server() *rpc.Server { return s.server }

// Start lets the service answer, and do what it does between calls. If that ends before Stop, failed is told.
func (s *Service) Start(failed func(error)) {
	ctx, cancel := context.WithCancel(context.Background())
	s.cancel = cancel
	if s.run != nil {
		s.running.Go(func() {
			if err := s.run(ctx); ctx.Err() == nil {
				failed(errs.New(errs.Internal, "INTERNAL", s.name+" stopped following the others").Because(err))
			}
		})
	}
	s.server.SetServing(true)
}

// Stop ends the service: health checks answer NOT_SERVING; after wait no new calls are taken; those that run get until limit.
func (s *Service) Stop(ctx context.Context, wait, limit time.Duration) error {
	s.server.SetServing(false)
	pause(ctx, wait)
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	s.rest()
	return errors.Join(s.server.Drain(ctx), s.close())
}

// rest ends what the service does between calls.
func (s *Service) rest() {
	if s.cancel != nil {
		s.cancel()
	}
	s.running.Wait()
}

func (s *Service) close() error {
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
func (c Config) newServer(dbs ...*pg.DB) *rpc.Server {
	return rpc.NewServer(rpc.ServerConfig{
		Verifier: auth.NewVerifier(c.Key.Public()), Clock: c.Clock, Logger: c.Log, TLS: c.TLS, Telemetry: c.Telemetry.Server(),
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

func (c Config) open(ctx context.Context, s pg.Schema) (*pg.DB, error) {
	db, err := pg.Open(ctx, pg.Config{DSN: c.DSN, Role: s.Role, Schema: s.Name, MaxConns: c.MaxConns, Application: "strandline " + s.Name, Tracer: c.Telemetry.Database()})
	if err != nil {
		return nil, c.unmigrated(err)
	}
	err = db.Migrated(ctx, s)
	if err == nil {
		err = c.Telemetry.ObservePool(db.Pool(), s.Name)
	}
	if err != nil {
		db.Close()
		return nil, c.unmigrated(err)
	}
	return db, nil
}

// unmigrated adds the command that helps to an error about a schema that is missing or behind.
func (c Config) unmigrated(err error) error {
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
func (c Config) pages() *page.Signer { return page.NewSigner(c.Key.Secret("page tokens")) }

// serviceToken is what one service shows another.
func (c Config) serviceToken(name string) grpc.DialOption {
	return grpc.WithPerRPCCredentials(rpc.ServiceToken(c.Key, "service:"+name, c.Clock))
}

// Registry builds the registry.
func (c Config) Registry(ctx context.Context) (*Service, error) {
	db, err := c.open(ctx, registrypg.Schema)
	if err != nil {
		return nil, err
	}
	impl := registryrpc.New(registryrpc.Config{DB: db, Clock: c.Clock, Pages: c.pages(), Logger: c.Log.With("service", "registry")})
	s := &Service{name: "registry", db: db, server: c.newServer(db), register: impl.Register}
	impl.Register(s.server)
	impl.RegisterFeed(s.server)
	return s, nil
}

// Dialer connects one service to another; the options carry its token.
type Dialer func(opts ...grpc.DialOption) (*grpc.ClientConn, error)

// History builds history, which asks the registry about units.
func (c Config) History(ctx context.Context, registry Dialer) (*Service, error) {
	conn, err := registry(c.serviceToken("history"))
	if err != nil {
		return nil, err
	}
	db, err := c.open(ctx, historypg.Schema)
	if err != nil {
		_ = conn.Close()
		return nil, err
	}
	impl := historyrpc.New(historyrpc.Config{DB: db, Clock: c.Clock, Pages: c.pages(), Logger: c.Log.With("service", "history"), Registry: registrypb.NewRegistryServiceClient(conn), SpoolDir: c.Spool, MaxImportBytes: c.MaxImport})
	s := &Service{name: "history", db: db, server: c.newServer(db), register: impl.Register, conns: []*grpc.ClientConn{conn}}
	impl.Register(s.server)
	impl.RegisterFeed(s.server)
	return s, nil
}

// Compliance builds compliance, which follows the feeds of the other two and asks them for what certificates are made from.
func (c Config) Compliance(ctx context.Context, registry, history Dialer) (*Service, error) {
	s := &Service{name: "compliance"}
	feeds := make([]feedpb.FeedServiceClient, 2)
	for i, dial := range []Dialer{registry, history} {
		conn, err := dial(c.serviceToken("compliance"))
		if err != nil {
			return nil, errors.Join(err, s.close())
		}
		s.conns = append(s.conns, conn)
		feeds[i] = feedpb.NewFeedServiceClient(conn)
	}
	var err error
	if s.db, err = c.open(ctx, compliancepg.Schema); err != nil {
		return nil, errors.Join(err, s.close())
	}
	reg, his := s.conns[0], s.conns[1]
	peers := &compliancerpc.Peers{
		Orders: historypb.NewOrderServiceClient(his), History: historypb.NewHistoryServiceClient(his), Procedures: historypb.NewProcedureServiceClient(his),
		Lots: historypb.NewLotServiceClient(his), Registry: registrypb.NewRegistryServiceClient(reg),
	}
	impl := compliancerpc.New(compliancerpc.Config{DB: s.db, Clock: c.Clock, Pages: c.pages(), Logger: c.Log.With("service", "compliance"), Registry: feeds[0], History: feeds[1], Peers: peers})
	s.server, s.register, s.run = c.newServer(s.db), impl.Register, impl.Run
	impl.Register(s.server)
	return s, nil
}

// pause waits for d or until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
