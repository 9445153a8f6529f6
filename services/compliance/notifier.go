package compliance

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/tenant"
)

// NoticeStore is where notices are written.
type NoticeStore interface {
	// Notify tells what has changed in an org up to an instant, in one transaction that works on no more than limit rows, units and
	// shops each. With wait unset it leaves an org that somebody else is telling of.
	Notify(ctx context.Context, org tenant.Org, now time.Time, limit int, wait bool) (Told, error)
	// MarkPassed marks, for those who watch, units whose state time alone has changed up to an instant, no more than limit of them.
	MarkPassed(ctx context.Context, org tenant.Org, now time.Time, limit int) (marked int, more bool, err error)
}

// Notifier tells of clocks whose state has changed. It is woken for an org by whoever learns that something may have changed there, and
// at least as often as time is to be noticed; it remembers nothing that is not in the store, so that any number of them may run, and one
// that was away goes on where the last one stopped. It is safe for concurrent use.
type Notifier struct {
	store  NoticeStore
	clock  clock.Clock
	logger *slog.Logger
	looked func(org tenant.Org, t Told, err error)

	*wakes

	told    sync.Mutex
	waiting map[tenant.Org]chan struct{}
}

// NewNotifier returns a notifier. Logger may be nil; looked, if not nil, is called after each look of Run, for tests.
func NewNotifier(store NoticeStore, c clock.Clock, logger *slog.Logger, looked func(org tenant.Org, t Told, err error)) *Notifier {
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	return &Notifier{
		store: store, clock: c, logger: logger, looked: looked, wakes: newWakes(), waiting: map[tenant.Org]chan struct{}{},
	}
}

// lookAt is how many rows, units and shops one transaction works on.
const lookAt = 500

// busyRetry is how long an org that another process is telling of is left alone.
const busyRetry = 250 * time.Millisecond

// Run looks at the orgs that are woken, one after the other, until ctx ends. A look that fails is logged, and made again when the org
// is next woken.
func (n *Notifier) Run(ctx context.Context) {
	for org := range n.each(ctx) {
		t, err := n.look(ctx, org, false)
		if err != nil && ctx.Err() == nil {
			n.logger.ErrorContext(ctx, "notices of an org cannot be written", slog.String("org", org.ID), slog.Any("error", err))
		}
		if t.Busy {
			time.AfterFunc(busyRetry, func() { n.Wake(org) })
		}
		if n.looked != nil {
			n.looked(org, t, err)
		}
	}
}

// Look tells all that is to be told of an org now, and waits for others who do.
func (n *Notifier) Look(ctx context.Context, org tenant.Org) error {
	_, err := n.look(ctx, org, true)
	return err
}

// look looks until there is no more, and returns what all of it came to.
func (n *Notifier) look(ctx context.Context, org tenant.Org, wait bool) (all Told, err error) {
	for more := true; more; {
		if _, more, err = n.store.MarkPassed(ctx, org, n.clock.Now(), lookAt); err != nil {
			return all, err
		}
	}
	for {
		t, err := n.store.Notify(ctx, org, n.clock.Now(), lookAt, wait)
		if t.Notices > 0 {
			n.written(org)
		}
		all.Notices, all.Digests, all.Busy, all.Behind = all.Notices+t.Notices, all.Digests+t.Digests, t.Busy, t.Behind
		if err != nil || !t.More {
			return all, err
		}
	}
}

// Written returns a channel that is closed when this process next writes notices of an org.
func (n *Notifier) Written(org tenant.Org) <-chan struct{} {
	n.told.Lock()
	defer n.told.Unlock()
	c := n.waiting[org]
	if c == nil {
		c = make(chan struct{})
		n.waiting[org] = c
	}
	return c
}

func (n *Notifier) written(org tenant.Org) {
	n.told.Lock()
	defer n.told.Unlock()
	if c := n.waiting[org]; c != nil {
		close(c)
		delete(n.waiting, org)
	}
}
