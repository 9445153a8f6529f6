package compliance

import (
	"context"
	"fmt"
	"sync"
	"time"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// Feed reads one source's log of changes.
type Feed interface {
	// Read returns the org's changes after a number, in order and without gaps. It may return fewer than there are, but none
	// only if there are none.
	Read(ctx context.Context, org tenant.Org, after int64) (Page, error)
	// Follow calls moved with every org's head and then with further ones as they come. It returns when the stream ends.
	Follow(ctx context.Context, moved func(org tenant.Org, head int64)) error
}

// Page is a part of a feed.
type Page struct {
	Changes []Change
	Head    int64     // the org's last number when the page was read
	At      time.Time // what the source's clock showed before that; zero if it does not say
}

// Projection is where changes are applied.
type Projection interface {
	// Position returns what has been applied.
	Position(ctx context.Context, org tenant.Org) (Position, error)
	// Apply applies a page of a source's changes in one transaction with the cursor, and derives again what they touch. A
	// change that was applied before is skipped; a gap is refused.
	Apply(ctx context.Context, org tenant.Org, source Source, changes []Change) (Position, error)
	// Complete notes that everything the source had acknowledged by an instant of its clock was applied.
	Complete(ctx context.Context, org tenant.Org, source Source, at time.Time) error
}

// Applier brings the projection up to the feeds. It is safe for concurrent use, in any number of processes: the
// projection's cursors decide who applies what.
type Applier struct {
	projection Projection
	feeds      [2]Feed // registry, history

	mu    sync.Mutex
	turns map[tenant.Org]*turn
	noted map[completed]time.Time
}

// turn lets one goroutine of this process pull for an org, so that many waiting readers do not all read the same pages.
type turn struct {
	taken chan struct{}
	users int
}

// NewApplier returns an applier that reads the two feeds.
func NewApplier(p Projection, registry, history Feed) *Applier {
	return &Applier{projection: p, feeds: [2]Feed{registry, history}, turns: map[tenant.Org]*turn{}, noted: map[completed]time.Time{}}
}

// CatchUp returns once the projection has reached want, pulling the feeds itself. It leaves a tenth of the time to ctx's
// deadline for the answer; if that is not enough, or the feeds cannot be read, it answers NOT_CAUGHT_UP.
func (a *Applier) CatchUp(ctx context.Context, org tenant.Org, want Position) error {
	if want == (Position{}) {
		return nil
	}
	have, err := a.projection.Position(ctx, org)
	if err != nil {
		return err
	}
	if have.Compliance < want.Compliance {
		// Its own log is in the same database: what is not there now was never written.
		return notCaughtUp(want, have, nil)
	}
	if reached(have, want) {
		return nil
	}
	inner, cancel := ctx, context.CancelFunc(func() {})
	if deadline, ok := ctx.Deadline(); ok {
		inner, cancel = context.WithTimeout(ctx, time.Until(deadline)*9/10)
	}
	defer cancel()
	for wait := 5 * time.Millisecond; ; wait = min(2*wait, 250*time.Millisecond) {
		now, err := a.pull(inner, org, want)
		if now != (Position{}) {
			have = now
		}
		if reached(have, want) {
			return nil
		}
		if ctx.Err() == nil && inner.Err() != nil || err != nil && ctx.Err() == nil {
			return notCaughtUp(want, have, err)
		}
		if err := sleep(inner, wait); err != nil {
			if ctx.Err() == nil {
				return notCaughtUp(want, have, err)
			}
			return contextError(ctx)
		}
	}
}

// Pull applies all that the feeds hold now, and returns where the projection then stands.
func (a *Applier) Pull(ctx context.Context, org tenant.Org) (Position, error) {
	return a.pull(ctx, org, Position{Registry: 1<<63 - 1, History: 1<<63 - 1})
}

// pull applies pages until want is reached or the feeds have no more.
func (a *Applier) pull(ctx context.Context, org tenant.Org, want Position) (Position, error) {
	release, err := a.enter(ctx, org)
	if err != nil {
		return Position{}, err
	}
	defer release()
	have, err := a.projection.Position(ctx, org)
	if err != nil {
		return Position{}, err
	}
	for _, source := range [...]Source{Registry, History} {
		for have.Of(source) < want.Of(source) {
			page, err := a.feeds[source-1].Read(ctx, org, have.Of(source))
			if err != nil {
				return have, err
			}
			if len(page.Changes) == 0 {
				a.complete(ctx, org, source, page, have)
				break
			}
			before := have.Of(source)
			if have, err = a.projection.Apply(ctx, org, source, page.Changes); err != nil {
				return have, err
			}
			if have.Of(source) <= before {
				return have, errs.New(errs.Internal, "INTERNAL", "the projection did not move")
			}
		}
	}
	return have, nil
}

func (a *Applier) enter(ctx context.Context, org tenant.Org) (release func(), err error) {
	a.mu.Lock()
	g := a.turns[org]
	if g == nil {
		g = &turn{taken: make(chan struct{}, 1)}
		a.turns[org] = g
	}
	g.users++
	a.mu.Unlock()
	leave := func() {
		a.mu.Lock()
		defer a.mu.Unlock()
		if g.users--; g.users == 0 {
			delete(a.turns, org)
		}
	}
	select {
	case g.taken <- struct{}{}:
		return func() { <-g.taken; leave() }, nil
	case <-ctx.Done():
		leave()
		return nil, contextError(ctx)
	}
}

func reached(have, want Position) bool {
	return have.Registry >= want.Registry && have.History >= want.History && have.Compliance >= want.Compliance
}

func notCaughtUp(want, have Position, cause error) error {
	e := errs.New(errs.Unavailable, "NOT_CAUGHT_UP",
		fmt.Sprintf("compliance has seen registry %d, history %d, compliance %d of the org, and registry %d, history %d, compliance %d is asked for; try again",
			have.Registry, have.History, have.Compliance, want.Registry, want.History, want.Compliance),
		"registry", fmt.Sprint(have.Registry), "history", fmt.Sprint(have.History), "compliance", fmt.Sprint(have.Compliance),
		"wantedRegistry", fmt.Sprint(want.Registry), "wantedHistory", fmt.Sprint(want.History), "wantedCompliance", fmt.Sprint(want.Compliance))
	return e.Because(cause)
}

func contextError(ctx context.Context) error {
	if ctx.Err() == context.DeadlineExceeded {
		return errs.New(errs.Deadline, "DEADLINE_EXCEEDED", "the request's deadline passed").Because(ctx.Err())
	}
	return errs.New(errs.Canceled, "CANCELLED", "the caller cancelled").Because(ctx.Err())
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
