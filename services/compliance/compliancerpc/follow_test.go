package compliancerpc

import (
	"context"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// TestRun lets two servers follow the same feeds into one database, through a feed that goes down and comes back.
func TestRun(t *testing.T) {
	t.Parallel()
	pulled := make(chan compliance.Position, 1000)
	follow := compliance.FollowConfig{Retry: 2 * time.Millisecond, Sweep: 20 * time.Millisecond, Pulled: func(_ tenant.Org, p compliance.Position, err error) {
		if err == nil {
			select {
			case pulled <- p:
			default:
			}
		}
	}}
	r := newRig(t, follow)
	r.publish("house", housePack)
	second := New(Config{DB: r.data.Open(t, compliancepg.Schema), Clock: r.clock, Pages: page.NewSigner([]byte("test")), Registry: r.registry, History: r.history, Follow: follow})
	ctx, cancel := context.WithCancel(t.Context())
	var g errgroup.Group
	g.Go(func() error { return r.server.Run(ctx) })
	g.Go(func() error { return second.Run(ctx) })
	reach := func(history int64) {
		t.Helper()
		timeout := time.NewTimer(20 * time.Second)
		defer timeout.Stop()
		for {
			select {
			case p := <-pulled:
				if p.History >= history && p.Registry >= r.position.GetRegistry() {
					return
				}
			case <-timeout.C:
				t.Fatalf("history %d was not reached", history)
			}
		}
	}
	r.catalogue("regulator-set")
	unit := r.unit("regulator-set", "R-1", "north")
	for range 20 {
		r.record(unit, now.AddDate(0, 0, -1), dives(1))
	}
	reach(20)
	r.history.fault(func(f *fakeFeed) { f.down = true })
	for range 10 {
		r.record(unit, now.AddDate(0, 0, -1), dives(1))
	}
	r.history.fault(func(f *fakeFeed) { f.down = false })
	reach(30)
	r.record(unit, now.AddDate(0, 0, -1), test("overhaul", historypb.Outcome_OUTCOME_FAIL))
	reach(31)
	cancel()
	if err := g.Wait(); err != nil {
		t.Error(err)
	}
	// Without at_least: what was followed is there.
	r.position.Registry, r.position.History = 0, 0
	if s := r.standing(unit); s.GetMayHandOut() || s.GetClocks()[0].GetDivesUsed() != 30 {
		t.Errorf("standing after following: %v", s)
	}
}
