package feed

import (
	"context"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// heads keeps what is known of every org's head while there are followers, and tells them. One goroutine reads the
// source; it starts with the first follower and has ended when the last one's call returns.
type heads struct {
	src  Source
	poll time.Duration

	mu     sync.Mutex
	closed bool
	run    *round // nil: nobody follows
}

// round is the time from a first follower to a last one.
type round struct {
	followers int
	cancel    context.CancelFunc
	done      chan struct{} // closed when the goroutine has ended
	wake      chan struct{} // capacity 1

	// Under heads.mu:
	marks  map[uuid.UUID]tenant.Org // moved, and not looked at yet
	known  map[uuid.UUID]Head
	log    []Head        // what moved, in order; a follower has a place in it
	base   int           // number of entries dropped from the front of log
	ready  bool          // every head has been read once
	err    error         // why the round is over
	change chan struct{} // closed and replaced when log, ready or err changes
}

func newHeads(src Source, poll time.Duration) *heads { return &heads{src: src, poll: poll} }

func (h *heads) moved(org tenant.Org) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.run == nil {
		return
	}
	h.run.marks[org.UUID] = org
	select {
	case h.run.wake <- struct{}{}:
	default:
	}
}

func (h *heads) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	if h.run != nil {
		h.fail(h.run, closing())
	}
}

func closing() error {
	return errs.New(errs.Unavailable, "UNAVAILABLE", "the server is going away; follow again elsewhere or later")
}

// fail ends a round; h.mu is held. A follower that comes later starts another.
func (h *heads) fail(r *round, err error) {
	if r.err == nil {
		r.err = err
		r.tell()
		r.cancel()
	}
	if h.run == r {
		h.run = nil
	}
}

// tell wakes the followers; heads.mu is held.
func (r *round) tell() {
	close(r.change)
	r.change = make(chan struct{})
}

// join returns the round under way, or starts one.
func (h *heads) join() (*round, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil, closing()
	}
	if h.run == nil {
		// The round outlives the call that starts it: others follow along.
		ctx, cancel := context.WithCancel(context.Background())
		r := &round{
			cancel: cancel, done: make(chan struct{}), wake: make(chan struct{}, 1), change: make(chan struct{}),
			marks: map[uuid.UUID]tenant.Org{}, known: map[uuid.UUID]Head{},
		}
		h.run = r
		go h.watch(ctx, r)
	}
	h.run.followers++
	return h.run, nil
}

// leave takes a follower out; the last one waits for the goroutine.
func (h *heads) leave(r *round) {
	h.mu.Lock()
	r.followers--
	last := r.followers == 0
	if last {
		r.cancel()
		if h.run == r {
			h.run = nil
		}
	}
	h.mu.Unlock()
	if last {
		<-r.done
	}
}

// watch reads heads until the round ends.
func (h *heads) watch(ctx context.Context, r *round) {
	defer close(r.done)
	tick := time.NewTicker(h.poll)
	defer tick.Stop()
	if !h.readAll(ctx, r) {
		return
	}
	for {
		var ok bool
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			ok = h.readAll(ctx, r)
		case <-r.wake:
			ok = h.readMoved(ctx, r)
		}
		if !ok {
			return
		}
	}
}

// readAll learns every head. It says whether the round goes on.
func (h *heads) readAll(ctx context.Context, r *round) bool {
	bounded, cancel := context.WithTimeout(ctx, readWithin)
	defer cancel()
	all, err := h.src.Heads(bounded)
	return h.learn(ctx, r, all, err)
}

// readWithin bounds one look at the source: followers should hear of one that hangs.
const readWithin = 30 * time.Second

// manyMoved is from how many moved orgs on one query for all is the cheaper.
const manyMoved = 32

// readMoved learns the heads of the orgs that were said to have moved.
func (h *heads) readMoved(ctx context.Context, r *round) bool {
	h.mu.Lock()
	marks := r.marks
	r.marks = map[uuid.UUID]tenant.Org{}
	after := make(map[uuid.UUID]int64, len(marks))
	for id := range marks {
		after[id] = r.known[id].Number
	}
	h.mu.Unlock()
	if len(marks) > manyMoved {
		return h.readAll(ctx, r)
	}
	bounded, cancel := context.WithTimeout(ctx, readWithin)
	defer cancel()
	var news []Head
	for id, org := range marks {
		_, head, err := h.src.Read(bounded, org, after[id], 1)
		if err != nil {
			return h.learn(ctx, r, nil, err)
		}
		news = append(news, Head{Org: org, Number: head})
	}
	return h.learn(ctx, r, news, nil)
}

// learn takes news in and tells the followers what moved. A head never goes back: news may come late.
func (h *heads) learn(ctx context.Context, r *round, news []Head, err error) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if ctx.Err() != nil || r.err != nil {
		return false
	}
	if err != nil {
		h.fail(r, err)
		return false
	}
	told := !r.ready
	r.ready = true
	for _, n := range news {
		if n.Number > r.known[n.Org.UUID].Number {
			r.known[n.Org.UUID] = n
			r.log = append(r.log, n)
			told = true
		}
	}
	// Followers that are further back than this start over from all that is known.
	if most := 1024 + len(r.known); len(r.log) > most {
		drop := len(r.log) - most/2
		r.log = slices.Clone(r.log[drop:])
		r.base += drop
	}
	if told {
		r.tell()
	}
	return true
}

// follow sends all heads and then each that moves, until ctx or the round ends or send fails.
func (h *heads) follow(ctx context.Context, send func(Head) error) error {
	r, err := h.join()
	if err != nil {
		return err
	}
	defer h.leave(r)
	place := -1 // in the log; negative: nothing was sent yet
	for {
		h.mu.Lock()
		var out []Head
		switch {
		case r.ready && place < r.base:
			for _, k := range r.known {
				out = append(out, k)
			}
			place = r.base + len(r.log)
		case r.ready:
			out = newest(r.log[place-r.base:])
			place = r.base + len(r.log)
		}
		change, over := r.change, r.err
		h.mu.Unlock()
		for _, n := range out {
			if err := send(n); err != nil {
				return err
			}
		}
		if over != nil {
			return over
		}
		select {
		case <-change:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// newest keeps the last head of each org, in the order in which they came.
func newest(log []Head) []Head {
	if len(log) < 2 {
		return slices.Clone(log)
	}
	seen := make(map[uuid.UUID]bool, len(log))
	var out []Head
	for _, n := range slices.Backward(log) {
		if !seen[n.Org.UUID] {
			seen[n.Org.UUID] = true
			out = append(out, n)
		}
	}
	slices.Reverse(out)
	return out
}
