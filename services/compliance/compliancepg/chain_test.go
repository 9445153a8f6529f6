package compliancepg_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/chainview"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// TestChainAgrees compares what the rows say of every unit's days with its standing at every instant at which that may change, as its entries
// come to: ready all day long, held, past a limit, due soon.
func TestChainAgrees(t *testing.T) {
	long(t)
	t.Parallel()
	var counts [5]int
	for n := 0; n < 3 || slices.Min(counts[:]) < 50 && n < 30; n++ {
		w, f := builtFleet(t, 50, []int{700, 90, 40}[n%3])
		w.read(func(ctx context.Context, r *compliancepg.Reader) error {
			for _, at := range []time.Time{today, today.AddDate(0, 2, 3), today.AddDate(1, 0, 0)} {
				const days = 90
				locs := map[string]*time.Location{}
				shops, err := r.Shops(ctx)
				if err != nil {
					return err
				}
				for id, s := range shops {
					locs[id] = compliancepg.ZoneOf(s)
				}
				units, _, err := r.Chain(ctx, compliance.ChainQuery{At: at, Now: at, Days: days}, locs)
				if err != nil {
					return err
				}
				got := map[uuid.UUID]chainview.States{}
				ids := make([]uuid.UUID, len(units))
				calendars := map[string]*chainview.Calendar{}
				for i, u := range units {
					ids[i] = u.ID
					if calendars[u.Shop] == nil {
						calendars[u.Shop] = chainview.CalendarOf(at, days, locs[u.Shop])
					}
					got[u.ID] = u.StatesOn(calendars[u.Shop])
				}
				sets, err := r.Derive(ctx, ids, time.Time{}, time.Time{})
				if err != nil {
					return err
				}
				stored, err := r.Sets(ctx, ids, at)
				if err != nil {
					return err
				}
				for i, u := range units {
					c := calendars[u.Shop]
					states := got[u.ID]
					// What is asked of a set where its row does not tell all is what the others' rows tell.
					if whole := compliance.ReadyDays(stored[i], c).And(states.Fleet); whole != states.Ready {
						t.Errorf("%s: ready on %x by its row, on %x by its set", u.Tag, states.Ready, whole)
					}
					for day := range days {
						want := standingOn(sets[i], c, day)
						have := [5]bool{states.Fleet.Has(day), states.Ready.Has(day), states.Pulled.Has(day), states.Overdue.Has(day), states.Soon.Has(day)}
						for k, is := range have {
							if is {
								counts[k]++
							}
						}
						if have != want {
							t.Errorf("%s on %s: in the fleet, ready, pulled, overdue, soon: %v, want %v; row %+v, clocks %+v, holds %+v", u.Tag, c.Date(day), have, want, u.Unit, u.Clocks, u.Holds)
							break
						}
					}
				}
				// Everything that stands alone in the fleet is there.
				all := 0
				whole, err := r.Derive(ctx, f.ids(), time.Time{}, time.Time{})
				if err != nil {
					return err
				}
				for _, s := range whole {
					if s.Self.Host == uuid.Nil && (s.Self.Retired.IsZero() || s.Self.Retired.After(at)) {
						all++
					}
				}
				if all != len(units) {
					t.Errorf("%d units, want %d", len(units), all)
				}
			}
			return nil
		})
	}
	t.Logf("in the fleet, ready, pulled, overdue, soon: %v", counts)
	if slices.Min(counts[:]) < 50 {
		t.Errorf("in the fleet, ready, pulled, overdue, soon: %v: too little was tried", counts)
	}
}

// standingOn asks a set's standing at every instant of a day at which it may change.
func standingOn(set *compliance.Set, c *chainview.Calendar, day int) (is [5]bool) {
	begin, end := c.Starts[day], c.Starts[day+1]
	instants := []time.Time{begin}
	at := func(t time.Time) {
		if t.After(begin) && t.Before(end) {
			instants = append(instants, t)
		}
	}
	for _, d := range append([]*due.Derived{set.Self}, set.Parts...) {
		at(d.Retired)
		for i := range d.Holds {
			at(d.Holds[i].Opened)
			at(d.Holds[i].Lifted)
		}
	}
	var living, pulled, overdue, soon, other bool // other: for no limit and no hold
	ready := true
	for _, at := range instants {
		st := due.Stand(set.Self, set.Parts, at)
		ready = ready && st.MayHandOut
		if !compliance.InFleet(set.Self, at) {
			continue
		}
		living = true
		for i := range st.Reasons {
			if r := &st.Reasons[i]; r.Blocks&due.HandOut != 0 && (r.Clock == nil || !retired(set, r.Unit, at)) {
				switch r.Code {
				case due.NoRule, due.Retired, due.NotYetCommissioned:
					other = true
				case due.HoldOpen, due.MissingHistory, due.UnitCondemned:
					pulled = true
				case due.DateLimitPassed, due.UsageLimitReached, due.EndOfLife:
					overdue = true
				}
			}
		}
		for _, k := range st.Clocks {
			if k.Rule.Blocks&due.HandOut == 0 || k.AnchorDate.IsZero() || retired(set, k.Unit, at) {
				continue
			}
			_, _, near, _ := compliance.UsageOf(k)
			lead := k.Rule.LeadDays
			if lead <= 0 {
				lead = 30
			}
			on := civil.In(at, c.Zone)
			soon = soon || near || !k.DueOn.IsZero() && on <= k.DueOn.First() && on >= k.DueOn.First().AddDays(-lead)
		}
	}
	if r := set.Self.Retired; r.Before(begin) || !r.Before(end) { // on the day on which it leaves, that alone says nothing
		pulled = pulled || other && !overdue
	}
	return [5]bool{living, living && ready, living && pulled, living && overdue && !pulled, living && soon && !overdue && !pulled}
}

// retired says whether a part of a set is retired, which stops the set by itself: what its clocks say is not told of the set.
func retired(set *compliance.Set, unit uuid.UUID, at time.Time) bool {
	return slices.ContainsFunc(set.Parts, func(d *due.Derived) bool { return d.Unit == unit && !d.Retired.IsZero() && !at.Before(d.Retired) })
}
