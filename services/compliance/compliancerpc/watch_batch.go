package compliancerpc

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// watchBatches reads batches for streams. Those that are at the same place, as nearly all are when something changes, share one read and its
// messages. No more than some read at a time, so that streams never keep other calls from the database.
type watchBatches struct {
	server *Server
	turns  chan struct{} // one place for each batch that is being read
	reads  atomic.Int64

	mu     sync.Mutex
	shared map[watchPlace]*watchBatch
}

// watchPlace is what a batch depends on.
type watchPlace struct {
	org   uuid.UUID
	shop  string
	after compliance.WatchKey
}

// watchBatch is a batch and its messages, which nobody changes once done is closed.
type watchBatch struct {
	compliance.WatchBatch
	messages []*compliancepb.WatchAvailabilityResponse
	err      error
	done     chan struct{}
}

// watchShared is how long a batch is kept for others at its place.
const watchShared = time.Second

// next returns the batch after the place of a query, of a state in which at least a number is seen.
func (b *watchBatches) next(ctx context.Context, org tenant.Org, q compliance.WatchQuery, least int64) (*watchBatch, error) {
	place := watchPlace{org.UUID, q.Shop, q.After}
	for {
		b.mu.Lock()
		w := b.shared[place]
		if w == nil {
			w = &watchBatch{done: make(chan struct{})}
			b.shared[place] = w
			b.mu.Unlock()
			b.read(ctx, org, q, w)
			if w.err != nil || w.Head.Number < least {
				b.forget(place, w)
				return w, w.err
			}
			time.AfterFunc(watchShared, func() { b.forget(place, w) })
			return w, nil
		}
		b.mu.Unlock()
		select {
		case <-w.done:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		if w.err == nil && w.Head.Number >= least {
			return w, nil
		}
		b.forget(place, w) // it failed, perhaps because its reader left, or is too old
	}
}

func (b *watchBatches) forget(place watchPlace, w *watchBatch) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.shared[place] == w {
		delete(b.shared, place)
	}
}

// read reads a batch, in a transaction of its own.
func (b *watchBatches) read(ctx context.Context, org tenant.Org, q compliance.WatchQuery, w *watchBatch) {
	defer close(w.done)
	select {
	case b.turns <- struct{}{}:
		defer func() { <-b.turns }()
	case <-ctx.Done():
		w.err = ctx.Err()
		return
	}
	b.reads.Add(1)
	w.err = b.server.store.Read(ctx, org, func(ctx context.Context, r *compliancepg.Reader) (err error) {
		w.WatchBatch, err = r.Watch(ctx, q)
		return err
	})
	bound := watchBinding(org, q.Shop)
	for i := range w.Items {
		if w.err != nil {
			return
		}
		var m *compliancepb.WatchAvailabilityResponse
		if m, w.err = b.message(org, bound, &w.Items[i]); w.err == nil {
			w.messages = append(w.messages, m)
		}
	}
	w.Items = nil
}

// watchBinding is what resume tokens are bound to.
func watchBinding(org tenant.Org, shop string) string {
	return "WatchAvailability " + org.ID + " " + shop
}

func (b *watchBatches) message(org tenant.Org, bound string, i *compliance.WatchItem) (m *compliancepb.WatchAvailabilityResponse, err error) {
	m = &compliancepb.WatchAvailabilityResponse{}
	if i.Unit != nil {
		m.Change = &compliancepb.WatchAvailabilityResponse_Unit{Unit: watchedPB(org, i.Unit)}
	} else {
		m.Change = &compliancepb.WatchAvailabilityResponse_Allocation{Allocation: allocationPB(org, i.Allocation)}
	}
	m.ResumeToken, err = b.server.pages.Encode(bound, i.Key)
	return m, err
}
