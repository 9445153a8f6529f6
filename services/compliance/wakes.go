package compliance

import (
	"context"
	"iter"
	"sync"

	"strandline.example/strandline/internal/tenant"
)

// wakes are the orgs that somebody has to look at. One that is woken again before its turn waits once. It is safe for concurrent use.
type wakes struct {
	mu     sync.Mutex
	queued map[tenant.Org]bool
	queue  []tenant.Org
	wake   chan struct{}
}

func newWakes() *wakes { return &wakes{queued: map[tenant.Org]bool{}, wake: make(chan struct{}, 1)} }

// Wake has Run look at an org soon. It never blocks.
func (w *wakes) Wake(org tenant.Org) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.queued[org] {
		return
	}
	w.queued[org] = true
	w.queue = append(w.queue, org)
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

func (w *wakes) next() (tenant.Org, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.queue) == 0 {
		return tenant.Org{}, false
	}
	org := w.queue[0]
	w.queue = w.queue[1:]
	delete(w.queued, org) // what wakes it from here on is looked at anew
	return org, true
}

// each yields the orgs that are woken, one after the other, until ctx ends.
func (w *wakes) each(ctx context.Context) iter.Seq[tenant.Org] {
	return func(yield func(tenant.Org) bool) {
		for ctx.Err() == nil {
			org, ok := w.next()
			if !ok {
				select {
				case <-w.wake:
				case <-ctx.Done():
				}
				continue
			}
			if !yield(org) {
				return
			}
		}
	}
}
