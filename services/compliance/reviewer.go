package compliance

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/tenant"
)

// PromiseStore is where promises are reviewed.
type PromiseStore interface {
	// Review looks again at the promises of an org that changes since the last time may concern. With wait unset it leaves an org that somebody else is
	// writing to.
	Review(ctx context.Context, org tenant.Org, now time.Time, wait bool) (Reviewed, error)
}

// Reviewer finds other units for promises that cannot be kept any more, or says that there are none. Like a [Notifier] it is woken by whoever learns that
// something may have changed, and remembers nothing that is not in the store. It is safe for concurrent use.
type Reviewer struct {
	store    PromiseStore
	clock    clock.Clock
	logger   *slog.Logger
	reviewed func(org tenant.Org, r Reviewed, err error)

	*wakes

	mu   sync.Mutex
	soon map[tenant.Org]bool // orgs that will be woken
}

// gather is for how long promises of an org are gathered that are reviewed together.
const gather = 50 * time.Millisecond

// NewReviewer returns a reviewer. Logger may be nil; reviewed, if not nil, is called after each review.
func NewReviewer(store PromiseStore, c clock.Clock, logger *slog.Logger, reviewed func(org tenant.Org, r Reviewed, err error)) *Reviewer {
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	return &Reviewer{store: store, clock: c, logger: logger, reviewed: reviewed, wakes: newWakes(), soon: map[tenant.Org]bool{}}
}

// Run reviews the orgs that are woken, one after the other, until ctx ends. A review that fails is logged, and made again when the org is next woken.
func (r *Reviewer) Run(ctx context.Context) {
	for org := range r.each(ctx) {
		done, err := r.look(ctx, org, false)
		if err != nil && ctx.Err() == nil {
			r.logger.ErrorContext(ctx, "the promises of an org cannot be reviewed", slog.String("org", org.ID), slog.Any("error", err))
		}
		if done.Busy {
			time.AfterFunc(busyRetry, func() { r.Wake(org) })
		}
	}
}

// Soon wakes an org in a moment: after a promise, which was made in full knowledge of the others, so that those of the same moment are reviewed together and the next
// is not kept waiting for the review of the last.
func (r *Reviewer) Soon(org tenant.Org) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.soon[org] {
		return
	}
	r.soon[org] = true
	time.AfterFunc(gather, func() {
		r.mu.Lock()
		delete(r.soon, org) // what happens from here on is reviewed anew
		r.mu.Unlock()
		r.Wake(org)
	})
}

// Look reviews an org now, and waits for others who write to it.
func (r *Reviewer) Look(ctx context.Context, org tenant.Org) (Reviewed, error) {
	return r.look(ctx, org, true)
}

func (r *Reviewer) look(ctx context.Context, org tenant.Org, wait bool) (Reviewed, error) {
	done, err := r.store.Review(ctx, org, r.clock.Now(), wait)
	if r.reviewed != nil {
		r.reviewed(org, done, err)
	}
	return done, err
}
