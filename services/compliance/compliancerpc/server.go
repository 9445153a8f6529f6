package compliancerpc

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// Config is what a server needs; all but Logger, Peers and Follow are required.
type Config struct {
	DB       *pg.DB
	Clock    clock.Clock
	Pages    *page.Signer
	Logger   *slog.Logger                                           // nil: silent
	Registry feedpb.FeedServiceClient                               // the registry's feed
	History  feedpb.FeedServiceClient                               // the history's feed
	Peers    *Peers                                                 // what certificates are made from; nil: there are none
	Follow   compliance.FollowConfig                                // how Run follows; the zero value will do
	Poll     time.Duration                                          // how often streams look for what other processes wrote; 0 for a second
	Watch    WatchConfig                                            // the bounds of WatchAvailability; the zero value will do
	Looked   func(org tenant.Org, t compliance.Told, err error)     // called after each look of Run for what is to be told; for tests
	Reviewed func(org tenant.Org, r compliance.Reviewed, err error) // called after each review of promises; for tests
}

// Server serves ComplianceService, AvailabilityService, RecallService and CertificateService. Its reads answer from the projection as it stands, or wait for
// what at_least asks; Run keeps the projection up with the feeds. Any number of servers may share one database.
type Server struct {
	compliancepb.UnimplementedComplianceServiceServer
	compliancepb.UnimplementedAvailabilityServiceServer
	compliancepb.UnimplementedRecallServiceServer
	compliancepb.UnimplementedCertificateServiceServer

	db       *pg.DB
	clock    clock.Clock
	pages    *page.Signer
	follow   compliance.FollowConfig
	store    *compliancepg.Store
	applier  *compliance.Applier
	notifier *compliance.Notifier
	reviewer *compliance.Reviewer
	poll     time.Duration
	feeds    [2]feedReader
	peers    *Peers
	logger   *slog.Logger

	watch   WatchConfig
	hub     *compliance.WatchHub
	batches *watchBatches
}

// New returns a server. It reads nothing until it is asked or Run.
func New(c Config) *Server {
	s := &Server{
		db: c.DB, clock: c.Clock, pages: c.Pages, follow: c.Follow, store: compliancepg.NewStore(c.DB, decodePack).Recalling(decodeRecall).Clocked(c.Clock),
		peers: c.Peers, logger: c.Logger,
		feeds: [2]feedReader{{compliance.Registry, c.Registry}, {compliance.History, c.History}},
	}
	if s.logger == nil {
		s.logger = slog.New(slog.DiscardHandler)
	}
	if s.follow.Logger == nil {
		s.follow.Logger = c.Logger
	}
	s.applier = compliance.NewApplier(s.store, s.feeds[0], s.feeds[1])
	s.notifier = compliance.NewNotifier(s.store, c.Clock, c.Logger, c.Looked)
	s.reviewer = compliance.NewReviewer(s.store, c.Clock, c.Logger, c.Reviewed)
	if s.poll = c.Poll; s.poll <= 0 {
		s.poll = time.Second
	}
	s.watch = c.Watch
	s.watch.defaults()
	s.hub = compliance.NewWatchHub(s.store, c.DB.Committed, s.poll, s.watch.Streams)
	s.batches = &watchBatches{server: s, turns: make(chan struct{}, s.watch.Readers), shared: map[watchPlace]*watchBatch{}}
	return s
}

// Register registers the services.
func (s *Server) Register(r grpc.ServiceRegistrar) {
	compliancepb.RegisterComplianceServiceServer(r, s)
	compliancepb.RegisterAvailabilityServiceServer(r, s)
	compliancepb.RegisterRecallServiceServer(r, s)
	compliancepb.RegisterCertificateServiceServer(r, s)
}

// Run follows both feeds until ctx ends, and tells what has become due of the orgs they have, each time that one was pulled: when
// something has happened there, and in every sweep. It returns nil after all it started has ended.
func (s *Server) Run(ctx context.Context) error {
	follow := s.follow
	var whole sync.Map // orgs that were pulled whole since the beginning
	follow.Pulled = func(org tenant.Org, p compliance.Position, err error) {
		if s.follow.Pulled != nil {
			s.follow.Pulled(org, p, err)
		}
		// What is due is told also while a feed cannot be read; but not before it has been read once, after what may have been days.
		if err == nil {
			whole.Store(org, true)
			s.reviewer.Wake(org)
		}
		if _, ok := whole.Load(org); ok {
			s.notifier.Wake(org)
		}
	}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return s.applier.Follow(ctx, follow) })
	g.Go(func() error { s.notifier.Run(ctx); return nil })
	g.Go(func() error { s.reviewer.Run(ctx); return nil })
	return g.Wait()
}

// read waits for at_least and runs fn in one snapshot of the org. The position is the snapshot's. An org that the registry has
// never told of is NOT_FOUND.
func (s *Server) read(ctx context.Context, org tenant.Org, atLeast *typepb.Position, fn func(ctx context.Context, r *compliancepg.Reader) error) (*typepb.Position, error) {
	return s.known(ctx, org, atLeast, func() (p compliance.Position, err error) {
		err = s.store.Read(ctx, org, func(ctx context.Context, r *compliancepg.Reader) (err error) {
			if p, err = r.Position(ctx); err != nil || p.Registry == 0 {
				return err
			}
			return fn(ctx, r)
		})
		return p, err
	})
}

// search is read for units that a query asks for; fn may be called again.
func (s *Server) search(ctx context.Context, org tenant.Org, atLeast *typepb.Position, q compliance.PromiseQuery, fn func(ctx context.Context, f *compliancepg.Found) error) (*typepb.Position, error) {
	return s.known(ctx, org, atLeast, func() (compliance.Position, error) { return s.store.Search(ctx, org, q, fn) })
}

// known waits for at_least and reads an org, of which nothing is known while the position that read returns has none of the registry.
func (s *Server) known(ctx context.Context, org tenant.Org, atLeast *typepb.Position, read func() (compliance.Position, error)) (*typepb.Position, error) {
	if err := s.applier.CatchUp(ctx, org, positionOf(atLeast)); err != nil {
		return nil, err
	}
	for pulled := false; ; pulled = true {
		p, err := read()
		switch {
		case err != nil:
			return nil, err
		case p.Registry > 0:
			return positionPB(p), nil
		case pulled:
			return nil, errs.Missing(org.Name())
		}
		// Nothing is known of the org. An empty answer would look like a fleet in order: either it is new, or it is misspelt.
		if _, err := s.applier.Pull(ctx, org); err != nil {
			return nil, err
		}
	}
}

func positionOf(p *typepb.Position) compliance.Position {
	return compliance.Position{Registry: p.GetRegistry(), History: p.GetHistory(), Compliance: p.GetCompliance()}
}

func positionPB(p compliance.Position) *typepb.Position {
	return &typepb.Position{Registry: p.Registry, History: p.History, Compliance: p.Compliance}
}

// asked returns the instant a request asks about; otherwise for one that asks about none.
func asked(field string, t *timestamppb.Timestamp, otherwise time.Time) (time.Time, error) {
	if t == nil {
		return otherwise, nil
	}
	at := instantOf(t)
	if !t.IsValid() || at.Before(earliest) || at.After(latest) {
		return time.Time{}, errs.Field(field, t.AsTime().Format(time.RFC3339), "want an instant of the years 1900 to 2999")
	}
	return at, nil
}

// binding is what a page token is bound to: the list and the request without the page it asks for.
func binding(list string, org tenant.Org, req proto.Message) string {
	r := proto.Clone(req).ProtoReflect()
	for _, name := range []string{"page_size", "page_token", "at_least"} {
		if f := r.Descriptor().Fields().ByTextName(name); f != nil {
			r.Clear(f)
		}
	}
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(r.Interface())
	if err != nil {
		return fmt.Sprintf("%s %s %v", list, org.ID, err)
	}
	return list + " " + org.ID + " " + string(body)
}

// subject returns who acts.
func subject(ctx context.Context) string {
	c, _ := tenant.FromContext(ctx)
	return c.Subject
}
