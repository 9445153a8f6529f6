package compliance

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"strandline.example/strandline/internal/tenant"
)

// FollowConfig says how a follower follows. Its zero value is what a server uses.
type FollowConfig struct {
	Workers int           // orgs pulled at once; 0 for 2
	Sweep   time.Duration // how often every org seen is pulled whether or not its head moved; 0 for 30 s
	Retry   time.Duration // first wait after a failure, doubled up to 64 times; 0 for 100 ms
	Stream  time.Duration // how long one stream of heads is listened to before it is opened anew; 0 for 5 minutes
	Logger  *slog.Logger
	Pulled  func(org tenant.Org, p Position, err error) // called after each pull; for tests
}

// Follow pulls every org whose head moves, until ctx ends. It needs no wake-ups: each opening of the stream tells every
// head again, and the sweep pulls what was missed. It returns nil after all it started has ended.
func (a *Applier) Follow(ctx context.Context, c FollowConfig) error {
	if c.Workers == 0 {
		c.Workers = 2
	}
	if c.Sweep == 0 {
		c.Sweep = 30 * time.Second
	}
	if c.Retry == 0 {
		c.Retry = 100 * time.Millisecond
	}
	if c.Stream == 0 {
		c.Stream = 5 * time.Minute
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	f := &follower{Applier: a, FollowConfig: c, wake: make(chan struct{}, c.Workers), state: map[tenant.Org]*orgState{}}
	g, ctx := errgroup.WithContext(ctx)
	for _, s := range [...]Source{Registry, History} {
		g.Go(func() error { f.heads(ctx, s); return nil })
	}
	for range c.Workers {
		g.Go(func() error { f.work(ctx); return nil })
	}
	g.Go(func() error { f.sweep(ctx); return nil })
	return g.Wait()
}

type follower struct {
	*Applier
	FollowConfig

	mu    sync.Mutex
	state map[tenant.Org]*orgState
	queue []tenant.Org
	wake  chan struct{}
}

// orgState is where an org is in the queue. An org that moves while it is pulled is pulled once more.
type orgState struct {
	queued, busy, again bool
	failures            int
	seen                [2]int64 // heads the streams told
	have                Position
	stuck               bool
}

func (f *follower) heads(ctx context.Context, s Source) {
	for failures := 0; ctx.Err() == nil; {
		stream, cancel := context.WithTimeout(ctx, f.Stream)
		err := f.feeds[s-1].Follow(stream, func(org tenant.Org, head int64) {
			failures = 0
			f.moved(org, s, head)
		})
		ended := stream.Err() != nil
		cancel()
		if ctx.Err() != nil {
			return
		}
		if ended {
			continue
		}
		f.Logger.WarnContext(ctx, "the stream of heads broke off", slog.String("service", s.String()), slog.Any("error", err))
		if sleep(ctx, f.backoff(failures)) != nil {
			return
		}
		failures++
	}
}

func (f *follower) moved(org tenant.Org, s Source, head int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	st := f.state[org]
	if st == nil {
		st = &orgState{}
		f.state[org] = st
	}
	st.seen[s-1] = max(st.seen[s-1], head)
	if st.have.Of(s) < head {
		f.enqueue(org, st)
	}
}

// enqueue wants f.mu held.
func (f *follower) enqueue(org tenant.Org, st *orgState) {
	switch {
	case st.queued:
		return
	case st.busy:
		st.again = true
		return
	}
	st.queued = true
	f.queue = append(f.queue, org)
	f.ring()
}

func (f *follower) ring() {
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

func (f *follower) next() (tenant.Org, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.queue) == 0 {
		return tenant.Org{}, false
	}
	org := f.queue[0]
	f.queue = f.queue[1:]
	st := f.state[org]
	st.queued, st.busy, st.again = false, true, false
	if len(f.queue) > 0 {
		f.ring()
	}
	return org, true
}

func (f *follower) work(ctx context.Context) {
	for {
		org, ok := f.next()
		if !ok {
			select {
			case <-f.wake:
				continue
			case <-ctx.Done():
				return
			}
		}
		p, err := f.Pull(ctx, org)
		wait := f.done(org, p, err)
		if err != nil && ctx.Err() == nil {
			f.Logger.ErrorContext(ctx, "compliance cannot follow an org", slog.String("org", org.ID), slog.Any("error", err), slog.Duration("retry", wait))
		}
		if f.Pulled != nil {
			f.Pulled(org, p, err)
		}
		if ctx.Err() != nil {
			return
		}
	}
}

// done takes the org out of work. A failed one is left to the sweep's ticks, which come at least as often as its wait ends.
func (f *follower) done(org tenant.Org, p Position, err error) (wait time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	st := f.state[org]
	st.busy = false
	if p != (Position{}) {
		st.have = p
	}
	if err != nil {
		wait = f.backoff(st.failures)
		st.failures++
		st.stuck = true
		return wait
	}
	st.failures, st.stuck = 0, false
	if st.again {
		st.again = false
		f.enqueue(org, st)
	}
	return 0
}

// sweep retries what failed, at a growing interval, and now and then pulls every org.
func (f *follower) sweep(ctx context.Context) {
	tick := time.NewTicker(f.Retry)
	defer tick.Stop()
	all := max(1, int(f.Sweep/f.Retry))
	for n := 1; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		f.mu.Lock()
		for org, st := range f.state {
			due := st.stuck && n%(1<<min(st.failures-1, 6)) == 0
			if due || n%all == 0 {
				f.enqueue(org, st)
			}
		}
		f.mu.Unlock()
	}
}

func (f *follower) backoff(failures int) time.Duration { return f.Retry << min(failures, 6) }
