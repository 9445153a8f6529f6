package compliance

import (
	"context"
	"time"

	"strandline.example/strandline/internal/tenant"
)

// completeEvery is how often it is noted until when a source was applied whole, so that reading a feed that has nothing new costs no write.
const completeEvery = 30 * time.Second

type completed struct {
	org    tenant.Org
	source Source
}

// complete notes that everything a source had acknowledged when it read a page was applied, where the head of the page was reached. It is for
// the paper list alone: should the note fail, the list is dated earlier than it could be.
func (a *Applier) complete(ctx context.Context, org tenant.Org, source Source, page Page, have Position) {
	if page.At.IsZero() || have.Of(source) < page.Head {
		return
	}
	key := completed{org, source}
	a.mu.Lock()
	last, ok := a.noted[key]
	again := !ok || page.At.Sub(last).Abs() >= completeEvery // a clock that was set back is noted too
	a.mu.Unlock()
	if !again || a.projection.Complete(ctx, org, source, page.At) != nil {
		return
	}
	a.mu.Lock()
	a.noted[key] = page.At
	a.mu.Unlock()
}
