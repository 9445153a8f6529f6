package compliance

import (
	"context"
	"sync"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// WatchStore says how far there is something to tell.
type WatchStore interface {
	WatchHead(ctx context.Context, org tenant.Org) (WatchHead, error)
}

// WatchHub tells the streams of those who watch an org when there is something new: one reader for each org that is watched, however many
// streams there are. It is woken by what this process commits, and looks now and then for what others did. It is safe for concurrent use.
type WatchHub struct {
	store     WatchStore
	committed func(org uuid.UUID) <-chan struct{}
	poll      time.Duration
	most      int

	mu      sync.Mutex
	orgs    map[tenant.Org]*WatchedOrg
	readers sync.WaitGroup
}

// Settle waits until nobody reads for streams that have ended. Streams that go on keep it waiting.
func (h *WatchHub) Settle() { h.readers.Wait() }

// NewWatchHub returns a hub with room for most streams of each org. Committed returns a channel that is closed when this process next commits
// something of an org.
func NewWatchHub(store WatchStore, committed func(org uuid.UUID) <-chan struct{}, poll time.Duration, most int) *WatchHub {
	return &WatchHub{store: store, committed: committed, poll: poll, most: most, orgs: map[tenant.Org]*WatchedOrg{}}
}

// WatchedOrg is an org that is watched.
type WatchedOrg struct {
	stop    context.CancelFunc
	streams int

	mu    sync.Mutex
	head  WatchHead
	err   error
	moved chan struct{} // closed when head or err change
}

// Join adds a stream of an org; leave takes it away again. An org that has no room for it is RESOURCE_EXHAUSTED.
func (h *WatchHub) Join(ctx context.Context, org tenant.Org) (w *WatchedOrg, leave func(), err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	w = h.orgs[org]
	switch {
	case w == nil:
		reading, stop := context.WithCancel(context.WithoutCancel(ctx))
		w = &WatchedOrg{stop: stop, moved: make(chan struct{})}
		h.orgs[org] = w
		h.readers.Go(func() { h.follow(reading, org, w) })
	case w.streams >= h.most:
		return nil, nil, errs.New(errs.Exhausted, "RESOURCE_EXHAUSTED", "as many streams of the org are open as this server takes; share one copy among your clients, or try another server").
			With("org", org.Name())
	}
	w.streams++
	return w, sync.OnceFunc(func() { h.leave(org, w) }), nil
}

func (h *WatchHub) leave(org tenant.Org, w *WatchedOrg) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if w.streams--; w.streams == 0 {
		w.stop()
		if h.orgs[org] == w {
			delete(h.orgs, org)
		}
	}
}

// watchPause is the least time between two looks, so that a busy org is not looked at after each of its commits.
const watchPause = 5 * time.Millisecond

// follow keeps the head of an org until nobody watches it any more, or it cannot be read.
func (h *WatchHub) follow(ctx context.Context, org tenant.Org, w *WatchedOrg) {
	poll := time.NewTicker(h.poll)
	defer poll.Stop()
	for {
		committed := h.committed(org.UUID) // before the look, so that nothing is missed between the two
		head, err := h.store.WatchHead(ctx, org)
		if ctx.Err() != nil {
			return
		}
		w.set(head, err)
		if err != nil {
			h.mu.Lock()
			if h.orgs[org] == w { // the next stream tries anew
				delete(h.orgs, org)
			}
			h.mu.Unlock()
			return
		}
		if sleep(ctx, watchPause) != nil {
			return
		}
		select {
		case <-committed:
		case <-poll.C:
		case <-ctx.Done():
			return
		}
	}
}

func (w *WatchedOrg) set(head WatchHead, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.head == head && err == nil {
		return
	}
	w.head, w.err = head, err
	close(w.moved)
	w.moved = make(chan struct{})
}

// Head returns how far there was something to tell at the last look, and a channel that is closed when there is more. It fails if the org
// cannot be looked at any more: then the stream must end.
func (w *WatchedOrg) Head() (head WatchHead, moved <-chan struct{}, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.head, w.moved, w.err
}
