// Package historyrpc speaks the services of history and its FeedService: it reads names and messages into package history's types,
// calls one use case, and writes the answer. It asks the registry for package history.
package historyrpc

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/feed"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/historypg"
	"strandline.example/strandline/services/history/procedure"
	"strandline.example/strandline/services/history/work"
)

// Config is what a server needs. DB, Pages and Registry are required.
type Config struct {
	DB             *pg.DB // open on historypg.Schema
	Clock          clock.Clock
	Pages          *page.Signer
	Logger         *slog.Logger
	Registry       registrypb.RegistryServiceClient // with a service's credentials
	SpoolDir       string                           // where imports wait; the system's temporary folder if empty
	MaxImportBytes int64                            // of the entries of one import; 256 MiB if 0
	FeedPoll       time.Duration                    // how often the feed looks for moved heads; feed's default if 0
}

const defaultMaxImport = 256 << 20

// Server serves the services of history, and the feed.
type Server struct {
	historypb.UnimplementedHistoryServiceServer
	historypb.UnimplementedBenchServiceServer
	historypb.UnimplementedProcedureServiceServer
	historypb.UnimplementedOrderServiceServer
	historypb.UnimplementedLotServiceServer
	config     Config
	store      *historypg.Store
	ledger     *history.Ledger
	desk       *work.Desk
	procedures *procedures
	feed       *feed.Server
}

var _ historypb.HistoryServiceServer = (*Server)(nil)

// New returns a server.
func New(c Config) *Server {
	if c.Clock == nil {
		c.Clock = clock.System{}
	}
	if c.Logger == nil {
		c.Logger = slog.Default()
	}
	if c.MaxImportBytes == 0 {
		c.MaxImportBytes = defaultMaxImport
	}
	s := &Server{config: c, store: historypg.New(c.DB)}
	s.procedures = newProcedures(procedure.Shipped, s.store)
	s.feed = feed.NewServer(source{s.store}, c.Clock, c.FeedPoll)
	s.ledger = history.NewLedger(s.store, registry{c.Registry}, c.Clock, s.feed.Moved)
	s.desk = work.New(s.ledger, s.store, registry{c.Registry}, recipes{s.procedures}, c.Clock)
	return s
}

// Register registers the services that are for everybody.
func (s *Server) Register(r grpc.ServiceRegistrar) {
	historypb.RegisterHistoryServiceServer(r, s)
	historypb.RegisterBenchServiceServer(r, s)
	historypb.RegisterProcedureServiceServer(r, s)
	historypb.RegisterOrderServiceServer(r, s)
	historypb.RegisterLotServiceServer(r, s)
}

// RegisterFeed registers the feed, for internal callers.
func (s *Server) RegisterFeed(r grpc.ServiceRegistrar) { feedpb.RegisterFeedServiceServer(r, s.feed) }

// Close ends the streams of the feed, so that a server can drain.
func (s *Server) Close() { s.feed.Close() }

// AppendEntries appends a batch.
func (s *Server) AppendEntries(ctx context.Context, req *historypb.AppendEntriesRequest) (*historypb.AppendEntriesResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	in := newReading(org)
	drafts := make([]history.Draft, len(req.GetEntries()))
	for i, e := range req.GetEntries() {
		in.entry(e, &drafts[i])
		if len(drafts[i].Problems) > 0 && drafts[i].Problems[0].Reason == "ORG_MISMATCH" {
			field := fmt.Sprintf("entries[%d].%s", i, drafts[i].Problems[0].Field)
			return nil, errs.New(errs.Denied, "ORG_MISMATCH", field+" is of another org than parent", "field", field)
		}
	}
	done, err := s.ledger.Append(ctx, org, recorder(ctx), drafts, req.GetValidateOnly())
	if err != nil {
		return nil, err
	}
	out := &historypb.AppendEntriesResponse{
		Receipts: make([]*historypb.Receipt, len(done.Rows)),
		Position: &typepb.Position{History: done.Last},
	}
	receipts := make([]historypb.Receipt, len(done.Rows))
	var recorded instants
	for i, r := range done.Rows {
		p := &receipts[i]
		p.Entry = req.GetEntries()[i].GetName()
		if r.Sequence > 0 {
			p.Sequence, p.RecordedTime, p.Digest = r.Sequence, recorded.proto(r.Recorded), r.Digest[:]
		}
		out.Receipts[i] = p
	}
	return out, nil
}

// instants makes timestamps, sharing equal ones that follow one another.
type instants struct {
	at   time.Time
	last *timestamppb.Timestamp
}

func (i *instants) proto(t time.Time) *timestamppb.Timestamp {
	if i.last == nil || !i.at.Equal(t) {
		i.at, i.last = t, timestamppb.New(t)
	}
	return i.last
}

// recorder is who records: the token's subject.
func recorder(ctx context.Context) string {
	c, _ := tenant.FromContext(ctx)
	return c.Subject
}

// GetEntry reads one entry.
func (s *Server) GetEntry(ctx context.Context, req *historypb.GetEntryRequest) (*historypb.GetEntryResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	unit, id, err := resname.UnitChildUUID(org, "name", req.GetName(), "entries")
	if err != nil {
		return nil, err
	}
	row, err := s.store.Get(ctx, org, unit, id)
	if err != nil {
		return nil, err
	}
	e, err := entryProto(org, &row)
	if err != nil {
		return nil, err
	}
	return &historypb.GetEntryResponse{Entry: e}, nil
}

// VerifyLedger recomputes the chain.
func (s *Server) VerifyLedger(ctx context.Context, req *historypb.VerifyLedgerRequest) (*historypb.VerifyLedgerResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	n, digest, err := s.ledger.Verify(ctx, org)
	if err != nil {
		return nil, err
	}
	return &historypb.VerifyLedgerResponse{EntryCount: n, HeadDigest: digest[:]}, nil
}
