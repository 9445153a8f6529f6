package compliance_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// reviews writes down of which orgs the promises were reviewed.
type reviews chan tenant.Org

func (r reviews) Review(_ context.Context, org tenant.Org, _ time.Time, _ bool) (compliance.Reviewed, error) {
	r <- org
	return compliance.Reviewed{}, nil
}

// Promises of a moment are reviewed together, each org's for itself; one that comes later is reviewed again.
func TestPromisesOfAMomentAreReviewedTogether(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		done := make(reviews, 100)
		r := compliance.NewReviewer(done, clock.System{}, nil, nil)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go r.Run(ctx)
		reef, wreck := tenant.Must("reef"), tenant.Must("wreck")
		count := func() map[tenant.Org]int {
			time.Sleep(time.Second)
			synctest.Wait()
			out := map[tenant.Org]int{}
			for len(done) > 0 {
				out[<-done]++
			}
			return out
		}
		for range 20 {
			r.Soon(reef)
			r.Soon(wreck)
		}
		if n := count(); n[reef] != 1 || n[wreck] != 1 {
			t.Errorf("reviewed %v, want each once", n)
		}
		for range 3 {
			r.Soon(reef)
			time.Sleep(time.Second)
		}
		if n := count(); n[reef] != 3 || n[wreck] != 0 {
			t.Errorf("reviewed %v, want the first three times", n)
		}
	})
}
