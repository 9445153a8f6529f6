// Package registryrpc speaks gRPC for the registry: it reads names, converts between protos and the domain, calls one use
// case or one query, and writes the answer. It decides nothing about what exists.
//
// Every mutation runs through idem.Run, so that a repeat of a request id gets the first answer and validate_only leaves
// nothing. The answer of a request that wrote nothing because of validate_only carries no position.
package registryrpc

import (
	"context"
	"log/slog"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/feed"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/registry"
	"strandline.example/strandline/services/registry/registrypg"
)

// DefaultMaxImport is how many bytes of records one import may have unless the configuration says otherwise.
const DefaultMaxImport = 512 << 20

// Config is what a server works with. DB, Clock and Pages are required.
type Config struct {
	DB             *pg.DB
	Clock          clock.Clock
	Pages          *page.Signer
	Logger         *slog.Logger  // slog.Default if nil
	FeedPoll       time.Duration // how often the feed looks for other replicas' changes; the feed's default if 0
	SpoolDir       string        // where imports are kept while they arrive; the system's if empty
	MaxImportBytes int64         // DefaultMaxImport if 0
}

// Server implements RegistryService and the registry's FeedService. It is safe for concurrent use.
type Server struct {
	registrypb.UnimplementedRegistryServiceServer
	config Config
	store  *registrypg.Store
	cases  *registry.Registry
	feed   *feed.Server
}

var _ registrypb.RegistryServiceServer = (*Server)(nil)

// New returns a server. It starts nothing.
func New(c Config) *Server {
	if c.Logger == nil {
		c.Logger = slog.Default()
	}
	if c.MaxImportBytes == 0 {
		c.MaxImportBytes = DefaultMaxImport
	}
	store := registrypg.New(c.DB, encodeChange)
	return &Server{config: c, store: store, cases: registry.New(store), feed: feed.NewServer(registrypg.NewFeed(c.DB), c.Clock, c.FeedPoll)}
}

// Register registers RegistryService.
func (s *Server) Register(r grpc.ServiceRegistrar) { registrypb.RegisterRegistryServiceServer(r, s) }

// RegisterFeed registers the registry's FeedService.
func (s *Server) RegisterFeed(r grpc.ServiceRegistrar) { feedpb.RegisterFeedServiceServer(r, s.feed) }

// Close ends the streams that follow the feed.
func (s *Server) Close() { s.feed.Close() }

// mutation is the part of a request that every mutation has.
type mutation interface {
	proto.Message
	GetRequestId() string
}

// mutate runs a use case once per request id and wakes the feed after the commit. Do gets the instant of the request.
func mutate[R proto.Message](ctx context.Context, s *Server, org tenant.Org, method string, dry bool, req mutation, do func(ctx context.Context, now time.Time) (R, error)) (R, error) {
	now := s.config.Clock.Now()
	resp, err := idem.Run(ctx, s.config.DB, org, now, method, req.GetRequestId(), dry, req, func(ctx context.Context) (R, error) {
		return do(ctx, now)
	})
	if err == nil && !dry {
		s.feed.Moved(org)
	}
	return resp, err
}

// position returns where a change stands; nowhere if nothing was written.
func position(dry bool, number int64) *typepb.Position {
	if dry {
		return nil
	}
	return &typepb.Position{Registry: number}
}

// paging is one list request: its size, and the place of its page token.
type paging struct {
	signer  *page.Signer
	binding string
	size    int
}

// paging reads the paging fields of a request into cursor. The token works for the same list of the same org with the
// same bound values only.
func (s *Server) paging(list string, size int32, token string, cursor any, bound ...string) (paging, error) {
	p := paging{signer: s.config.Pages, binding: strings.Join(append([]string{"registry", list}, bound...), "\x00"), size: page.Size(size)}
	if token == "" {
		return p, nil
	}
	return p, p.signer.Decode(p.binding, token, cursor)
}

// limit is how many rows to read: one more than the page, to know whether there is another.
func (p paging) limit() int { return p.size + 1 }

// cut returns the page's rows and the token of the next page, empty on the last.
func cut[T any](p paging, rows []T, cursor func(last T) any) ([]T, string, error) {
	if len(rows) <= p.size {
		return rows, "", nil
	}
	rows = rows[:p.size]
	token, err := p.signer.Encode(p.binding, cursor(rows[p.size-1]))
	if err != nil {
		return nil, "", errs.New(errs.Internal, "INTERNAL", "the page token cannot be made").Because(err)
	}
	return rows, token, nil
}
