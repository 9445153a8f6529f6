// Package feed serves a service's log of changes: pages of one org's changes, and a stream that says which orgs have
// moved.
//
// The log itself is the service's (a [Source]): numbered per org from 1 without gaps, written in the transaction that
// makes the change. A follower that asks for what comes after its own cursor misses nothing; the stream of heads only
// tells it when to ask. So a head may be skipped, and the last one never is.
//
// The server reads the heads only while somebody follows: at the start, every poll, and of one org at once when it has
// [Server.Moved]. Polling alone is enough: a process that cannot see another's commits finds them so.
package feed

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
)

// Head is the number of an org's last change.
type Head struct {
	Org    tenant.Org
	Number int64
}

// Source is a service's log of changes. Its methods are called concurrently.
type Source interface {
	// Heads returns every org's head.
	Heads(ctx context.Context) ([]Head, error)
	// Read returns at most limit of an org's changes after a number, in order, and the org's head in the same snapshot.
	// An org without changes has head 0.
	Read(ctx context.Context, org tenant.Org, after int64, limit int) (changes []*feedpb.Change, head int64, err error)
}

const (
	defaultLimit = 1000
	maxLimit     = 5000
	// maxBytes bounds a page so that it stays well inside the 4 MiB that gRPC takes for one message by default.
	maxBytes = 3 << 20
)

// Server implements the feed of one service.
type Server struct {
	feedpb.UnimplementedFeedServiceServer
	src   Source
	clock clock.Clock
	heads *heads
}

var _ feedpb.FeedServiceServer = (*Server)(nil)

// NewServer returns a server over src that looks for moved heads every poll (0: each second), and tells with each page what c
// showed. It starts nothing until somebody follows.
func NewServer(src Source, c clock.Clock, poll time.Duration) *Server {
	if poll <= 0 {
		poll = time.Second
	}
	return &Server{src: src, clock: c, heads: newHeads(src, poll)}
}

// Moved says that org has a new change. Call it after the commit; it never blocks.
func (s *Server) Moved(org tenant.Org) { s.heads.moved(org) }

// Close ends every FollowHeads stream with UNAVAILABLE, and those that come later, so that a server can drain. ReadFeed
// goes on.
func (s *Server) Close() { s.heads.close() }

// ReadFeed pages an org's changes. A page can be shorter than its limit although there is more: head says so.
func (s *Server) ReadFeed(ctx context.Context, req *feedpb.ReadFeedRequest) (*feedpb.ReadFeedResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	if req.GetParent() != org.Name() {
		return nil, errs.Field("parent", req.GetParent(), "want orgs/{org}")
	}
	if req.GetAfter() < 0 {
		return nil, errs.Field("after", "negative", "want 0 or the number of a change")
	}
	limit := int(req.GetLimit())
	switch {
	case limit < 0:
		return nil, errs.Field("limit", "negative", "want 0 for 1,000, or a number up to 5,000")
	case limit == 0:
		limit = defaultLimit
	case limit > maxLimit:
		limit = maxLimit
	}
	at := s.clock.Now() // before the log is read: what was acknowledged by then is below the head
	changes, head, err := s.src.Read(ctx, org, req.GetAfter(), limit)
	if err != nil {
		return nil, err
	}
	return &feedpb.ReadFeedResponse{Changes: fit(changes), Head: head, ReadTime: timestamppb.New(at)}, nil
}

// fit cuts a page off where it would be too large for a message; one change always fits.
func fit(changes []*feedpb.Change) []*feedpb.Change {
	size := 0
	for i, c := range changes {
		size += proto.Size(c) + 8 // tag and length
		if size > maxBytes && i > 0 {
			return changes[:i]
		}
	}
	return changes
}

// FollowHeads sends every org's head, and then each head that has moved. Heads that move faster than the client reads
// are skipped but for the newest. It ends when the client leaves, when the log cannot be read, or at [Server.Close].
func (s *Server) FollowHeads(_ *feedpb.FollowHeadsRequest, stream feedpb.FeedService_FollowHeadsServer) error {
	return s.heads.follow(stream.Context(), func(h Head) error {
		return stream.Send(&feedpb.FollowHeadsResponse{Org: h.Org.Name(), Head: h.Number})
	})
}
