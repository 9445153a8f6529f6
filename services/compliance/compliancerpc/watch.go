package compliancerpc

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// WatchConfig bounds the streams of WatchAvailability. Its zero value is what a server uses.
type WatchConfig struct {
	Batch    int           // messages that a stream holds at a time, and units and allocations that one transaction reads; 0 for 500
	Complete time.Duration // how often a client to which nothing happens hears that it has everything; 0 for 20 s
	Slow     time.Duration // how long one message may wait for the client before the client is dropped; 0 for 30 s
	Streams  int           // of one org in this process; 0 for 1000
	Readers  int           // batches read at a time in this process; 0 for 4

	Ended func(org tenant.Org, err error) // called when a stream has ended; for tests
}

func (c *WatchConfig) defaults() {
	if c.Batch <= 0 {
		c.Batch = 500
	}
	if c.Complete <= 0 {
		c.Complete = 20 * time.Second
	}
	if c.Slow <= 0 {
		c.Slow = 30 * time.Second
	}
	if c.Streams <= 0 {
		c.Streams = 1000
	}
	if c.Readers <= 0 {
		c.Readers = 4
	}
}

// WatchAvailability streams the state of units and allocations: all there is, then whatever changes, each whole. It holds one batch in memory
// and no connection of the database while it waits, and ends with the caller, with the server, or when the caller is too slow.
func (s *Server) WatchAvailability(req *compliancepb.WatchAvailabilityRequest, stream grpc.ServerStreamingServer[compliancepb.WatchAvailabilityResponse]) error {
	ctx := stream.Context()
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return err
	}
	w := &watcher{server: s, org: org, stream: stream}
	if w.q.Shop, err = shopOrAny(org, req.GetShop()); err != nil {
		return err
	}
	w.q.Limit, w.q.Now = s.watch.Batch, s.clock.Now
	w.bound = watchBinding(org, w.q.Shop)
	if t := req.GetResumeToken(); t != "" {
		if err := w.resume(t); err != nil {
			return err
		}
	}
	seen, leave, err := s.hub.Join(ctx, org)
	if err != nil {
		return err
	}
	if err = w.open(ctx); err == nil {
		err = w.run(ctx, seen)
	}
	leave()
	if s.watch.Ended != nil {
		s.watch.Ended(org, err)
	}
	return err
}

// watcher is one stream.
type watcher struct {
	server *Server
	org    tenant.Org
	stream grpc.ServerStreamingServer[compliancepb.WatchAvailabilityResponse]
	q      compliance.WatchQuery
	bound  string
	head   compliance.WatchHead // what the client has everything of, once it has
	least  int64                // the number of a change that there is, to be read at least
}

// resume takes the place after which the stream goes on from a token.
func (w *watcher) resume(token string) error {
	if w.server.pages.Decode(w.bound, token, &w.q.After) != nil || !w.q.After.Begun {
		return badResumeToken(token)
	}
	return nil
}

func badResumeToken(token string) error {
	e := errs.New(errs.Invalid, "RESUME_TOKEN_INVALID",
		"resume_token is not one that a stream with this parent and shop gave out; hand in the last one of this stream, or begin again without one")
	e.Violations = []errs.Violation{{Field: "resume_token", Value: token, Description: e.Message, Reason: e.Reason}}
	return e
}

// open brings the projection up and sees that there is such an org and such a shop. Where a feed cannot be read, the stream tells what is known.
func (w *watcher) open(ctx context.Context) error {
	known := func(ctx context.Context, r *compliancepg.Reader) (err error) {
		if w.least, err = r.WatchNumber(ctx); err != nil || w.q.Shop == "" {
			return err
		}
		found, err := r.HasShop(ctx, w.q.Shop)
		if err == nil && !found {
			return errs.Missing(resname.ShopName(w.org, w.q.Shop))
		}
		return err
	}
	if _, err := w.server.applier.Pull(ctx, w.org); err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	_, err := w.server.read(ctx, w.org, nil, known)
	return err
}

// run sends batches until the stream ends.
func (w *watcher) run(ctx context.Context, seen *compliance.WatchedOrg) error {
	beat := time.NewTicker(w.server.watch.Complete)
	defer beat.Stop()
	for {
		b, err := w.next(ctx)
		if err != nil {
			return err
		}
		messages := b.messages
		if w.q.After = b.Next; b.Done {
			w.head = b.Head
			m, err := w.complete()
			if err != nil {
				return err
			}
			messages = append(slices.Clip(messages), m) // others have them too
		}
		if err := w.send(ctx, messages); err != nil {
			return err
		}
		if !b.Done {
			continue
		}
		beat.Reset(w.server.watch.Complete)
		if err := w.wait(ctx, seen, beat.C); err != nil {
			return err
		}
	}
}

// next returns the next batch.
func (w *watcher) next(ctx context.Context) (*watchBatch, error) {
	b, err := w.server.batches.next(ctx, w.org, w.q, w.least)
	if errors.Is(err, compliance.ErrWatchAhead) { // what the client has is not what there is
		e := errs.New(errs.Invalid, "RESUME_TOKEN_INVALID", "resume_token is of a change that this server does not have, as after a restored backup; begin again without one")
		e.Violations = []errs.Violation{{Field: "resume_token", Description: e.Message, Reason: e.Reason}}
		return nil, e
	}
	return b, err
}

// wait returns when there is something new to read. Where only the position has moved, and every so often, it says that the client has
// everything.
func (w *watcher) wait(ctx context.Context, seen *compliance.WatchedOrg, beat <-chan time.Time) error {
	for {
		head, moved, err := seen.Head()
		if err != nil {
			return err
		}
		if head.Number > w.head.Number {
			w.least = head.Number
			return nil
		}
		if head.Number < w.head.Number || !ahead(head.Position, w.head.Position) {
			select {
			case <-moved:
				continue
			case <-beat:
			case <-ctx.Done():
				return ctx.Err()
			}
		} else {
			w.head = head
		}
		m, err := w.complete()
		if err != nil {
			return err
		}
		if err := w.send(ctx, []*compliancepb.WatchAvailabilityResponse{m}); err != nil {
			return err
		}
	}
}

// ahead says whether a position is after another in some log.
func ahead(p, o compliance.Position) bool {
	return p.Registry > o.Registry || p.History > o.History || p.Compliance > o.Compliance
}

// slowTicks is in how many parts the time is looked at that a message may wait for its client.
const slowTicks = 4

// send sends messages. A client that lets one of them wait for too long is dropped: what it has not taken in, it gets when it resumes.
func (w *watcher) send(ctx context.Context, messages []*compliancepb.WatchAvailabilityResponse) error {
	var sent atomic.Int64
	done := make(chan error, 1)
	go func() { // a Send that waits for its client ends only with the stream
		for _, m := range messages {
			if err := w.stream.Send(m); err != nil {
				done <- err
				return
			}
			sent.Add(1)
		}
		done <- nil
	}()
	tick := time.NewTicker(w.server.watch.Slow / slowTicks)
	defer tick.Stop()
	var before int64
	for still := 0; ; {
		select {
		case err := <-done:
			return err
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		if n := sent.Load(); n > before {
			before, still = n, 0
			continue
		}
		if still++; still > slowTicks {
			limit := w.server.watch.Slow.String()
			return errs.New(errs.Exhausted, "WATCH_TOO_SLOW",
				"the client has taken nothing in for "+limit+" and was dropped; go on with the resume_token of the last message it has, and read faster", "limit", limit, "waiting", fmt.Sprint(len(messages)-int(before)))
		}
	}
}

func (w *watcher) token(k compliance.WatchKey) (string, error) {
	return w.server.pages.Encode(w.bound, k)
}

func (w *watcher) complete() (*compliancepb.WatchAvailabilityResponse, error) {
	token, err := w.token(w.q.After)
	return &compliancepb.WatchAvailabilityResponse{
		Change:      &compliancepb.WatchAvailabilityResponse_Complete_{Complete: &compliancepb.WatchAvailabilityResponse_Complete{Position: positionPB(w.head.Position)}},
		ResumeToken: token,
	}, err
}
