package compliancepg_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// randomWindow is a window that begins up to two years after an instant; its edges are often midnights of the shops, and days of clocks.
func randomWindow(rng *rand.Rand, from time.Time, days []civil.Date) promise.Window {
	loc, _ := time.LoadLocation(zones[rng.IntN(len(zones))])
	edge := func(t time.Time) time.Time {
		switch rng.IntN(4) {
		case 0:
			return civil.In(t, loc).Start(loc)
		case 1:
			return civil.In(t, loc).Start(loc).Add(-time.Microsecond)
		}
		return t
	}
	start := edge(from.Add(time.Duration(rng.IntN(2*365*24*60)) * time.Minute))
	end := edge(start.Add(time.Duration(1+rng.IntN(20*24*60)) * time.Minute))
	if len(days) > 0 && rng.IntN(3) == 0 {
		day := days[rng.IntN(len(days))]
		if end = day.AddDays(rng.IntN(3) - 1).Start(loc); rng.IntN(2) == 0 {
			start = end.AddDate(0, 0, -1-rng.IntN(9))
		}
	}
	if !end.After(start) {
		end = start.Add(time.Hour)
	}
	return promise.Window{Start: start, End: end}
}

func randomAmount(rng *rand.Rand) (a due.Amount) {
	if rng.IntN(2) == 0 {
		a = due.Amount{Dives: int64(rng.IntN(12)), Hours: time.Duration(rng.IntN(20)) * time.Hour, Fills: int64(rng.IntN(4))}
	}
	return a
}

// TestReadyAgrees compares what the rows of p_ready say of random windows with what the entries come to: yes and no are the whole answer's,
// and few windows are left unsure.
func TestReadyAgrees(t *testing.T) {
	long(t)
	t.Parallel()
	var verdicts [3]int
	for _, entries := range []int{700, 90, 40} {
		w, f := builtFleet(t, 50, entries)
		w.read(func(ctx context.Context, r *compliancepg.Reader) error {
			units, err := r.PromiseUnits(ctx, compliance.PromiseQuery{Units: f.ids(), Now: today})
			if err != nil {
				return err
			}
			if len(units) != len(f.units) {
				t.Fatalf("%d rows for %d units", len(units), len(f.units))
			}
			ids := make([]uuid.UUID, len(units))
			for i, u := range units {
				ids[i] = u.ID
			}
			sets, err := r.Derive(ctx, ids, time.Time{}, time.Time{})
			if err != nil {
				return err
			}
			for i, u := range units {
				set := unplaced(sets[i])
				days := daysOf(set)
				if want := heldNow(sets[i]); u.Held != want {
					t.Errorf("%s: held %v, want %v", u.Tag, u.Held, want)
				}
				u.Held = false // from here on the placed holds are left out on both sides
				if want := partsOf(set); !slices.Equal(u.Members, want) || u.Tag != set.Tag || u.Kind != set.Kind || u.Size != set.Size || u.Shop != set.Self.Stay.Shop || u.Host != set.Self.Host || !u.Retired.Equal(set.Self.Retired) {
					t.Errorf("%s: the row says %+v, with parts %v", set.Tag, u, want)
				}
				for range rounds.Of(150) {
					from := u.Since
					if from.IsZero() || f.rng.IntN(2) == 0 && today.After(from) {
						from = today
					}
					win, expected := randomWindow(f.rng, from, days), randomAmount(f.rng)
					if win.Start.Before(u.Since) {
						continue
					}
					v := u.For(win, expected, today, uuid.Nil)
					verdicts[v]++
					if reasons := set.Window(win.Start, win.End, expected); v == promise.Yes && len(reasons) > 0 || v == promise.No && len(reasons) == 0 {
						t.Errorf("%s for %v with %+v: verdict %d, reasons %v; row %+v", set.Tag, win, expected, v, said(reasons), u)
					}
				}
			}
			return nil
		})
	}
	t.Logf("unsure, yes, no: %v", verdicts)
	if yes, no, unsure := verdicts[promise.Yes], verdicts[promise.No], verdicts[promise.Unsure]; yes < 1000 || no < 1000 || unsure*20 > yes+no {
		t.Errorf("%d yes, %d no, %d unsure", yes, no, unsure)
	}
}

func said(reasons []due.Reason) (out []string) {
	for i := range reasons {
		out = append(out, fmt.Sprint(reasons[i].Code, reasons[i].Unit, reasons[i].On))
	}
	return out
}

// heldNow says, by its own count, whether somebody's hold keeps a set from being handed out today.
func heldNow(s *compliance.Set) bool {
	for _, d := range append([]*due.Derived{s.Self}, s.Parts...) {
		for _, h := range d.Holds {
			if h.Cause == due.CauseManual && h.Blocks&due.HandOut != 0 && (h.Lifted.IsZero() || h.Lifted.After(today)) {
				return true
			}
		}
	}
	return false
}

// unplaced returns a set without what people placed.
func unplaced(s *compliance.Set) *compliance.Set {
	c := *s
	c.Parts = nil
	without := func(d *due.Derived) *due.Derived {
		k := *d
		k.Holds = slices.DeleteFunc(slices.Clone(d.Holds), func(h due.Hold) bool { return h.Cause == due.CauseManual })
		return &k
	}
	c.Self = without(s.Self)
	for _, p := range s.Parts {
		c.Parts = append(c.Parts, without(p))
	}
	return &c
}

func partsOf(s *compliance.Set) (out []uuid.UUID) {
	for _, p := range s.Parts {
		out = append(out, p.Unit)
	}
	return out
}

// daysOf are the days about which a set's answer changes.
func daysOf(s *compliance.Set) (out []civil.Date) {
	for _, d := range append([]*due.Derived{s.Self}, s.Parts...) {
		for i := range d.Clocks {
			c := &d.Clocks[i]
			out = append(out, c.InForceFrom)
			for _, m := range []civil.Mark{c.DueOn, c.PhaseIn, c.InForceUntil} {
				if !m.IsZero() {
					out = append(out, m.First(), m.First()+1)
				}
			}
			for _, k := range c.Waivers {
				out = append(out, k.From, k.To+1)
			}
		}
	}
	return slices.DeleteFunc(out, func(d civil.Date) bool { return d < civil.In(today, time.UTC) })
}

// TestJudgeAgrees compares Judge, over windows of the past, the present and the future, with asking every set; also of units that somebody's hold
// stops now and did not stop in a window that is over.
func TestJudgeAgrees(t *testing.T) {
	long(t)
	t.Parallel()
	over := 0 // answers about a unit that is held since the window was over, and was free in it
	for n := 0; n < 2 || over == 0 && n < 30; n++ {
		w, f := builtFleet(t, 50, []int{400, 60}[n%2])
		wins, expected := make([]promise.Window, rounds.Of(30)), make([]due.Amount, rounds.Of(30))
		for i := range wins {
			wins[i], expected[i] = randomWindow(f.rng, today.AddDate(0, -f.rng.IntN(14), 0), nil), randomAmount(f.rng)
		}
		var free []uuid.UUID // in a window that is over
		for i, win := range wins {
			for j, u := range w.judged(f, win, expected[i]) {
				if u && win.End.Before(today) {
					free = append(free, f.units[j].ID)
				}
			}
		}
		if len(free) == 0 {
			continue
		}
		held := map[uuid.UUID]bool{}
		for range 3 {
			h := due.ManualHold{ID: f.id().String(), Unit: free[f.rng.IntN(len(free))], Reason: "looks odd", Blocks: due.HandOut, Placed: today, Placer: "someone"}
			if _, err := w.store.PlaceHold(t.Context(), org, h, compliance.OwnChange{At: today, Kind: compliance.HoldPlaced, Actor: "someone"}); err != nil {
				t.Fatal(err)
			}
			held[h.Unit] = true
		}
		for i, win := range wins {
			for j, u := range w.judged(f, win, expected[i]) {
				if u && held[f.units[j].ID] {
					over++
				}
			}
		}
	}
	if over == 0 {
		t.Error("no unit was free in a window that was over before it was held")
	}
}

// judged says which units of a fleet Judge calls available for a window, in the fleet's order, having compared it with asking every set.
func (w *world) judged(f *feeds, win promise.Window, expected due.Amount) []bool {
	w.t.Helper()
	out := make([]bool, len(f.units))
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		units, err := r.PromiseUnits(ctx, compliance.PromiseQuery{Units: f.ids(), At: win.Start, Now: today})
		if err != nil {
			return err
		}
		got, err := r.Judge(ctx, units, win, expected, today, nil)
		if err != nil {
			return err
		}
		ids := make([]uuid.UUID, len(units))
		for i, u := range units {
			ids[i] = u.ID
		}
		sets, err := r.Sets(ctx, ids, win.Start)
		if err != nil {
			return err
		}
		for i, set := range sets {
			reasons := set.Window(win.Start, win.End, expected)
			if got[i] != (len(reasons) == 0) {
				w.t.Errorf("%s for %v with %+v: judged %v, reasons %v; row %+v", set.Tag, win, expected, got[i], said(reasons), units[i])
			}
			out[slices.Index(f.ids(), set.Unit)] = got[i]
		}
		return nil
	})
	return out
}
