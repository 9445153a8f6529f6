package compliancepg_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/try"
)

// side is what the fleet says at an instant: every unit's standing and every day of its clocks, looked at one by one.
type side struct {
	Units   int64
	Fleet   try.Fleet
	Days    map[string][2]int64 // clocks and bench minutes
	Rules   map[string][3]int64 // of the pack: units covered on the first day of the revision, blocked, due
	Blocked []string            // tags of units that rules block
}

// says goes through the fleet day by day. Of two revisions of a rule that come one after the other, the first day that either blocks
// counts.
func (w *world) says(f *feeds, q compliancepg.TryQuery) side {
	out := side{Days: map[string][2]int64{}, Rules: map[string][3]int64{}}
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		sets, err := r.Derive(ctx, f.ids(), q.At, q.Known)
		if err != nil {
			return err
		}
		for _, s := range sets {
			st := s.Stand(q.At)
			if s.Self.Stay.Shop != q.Shop && q.Shop != "" || condemnedAt(s.Self, q.At) || !compliance.InFleet(s.Self, q.At) {
				continue
			}
			out.Units++
			free := true
			for _, reason := range st.Reasons {
				switch reason.Code {
				case due.DateLimitPassed, due.UsageLimitReached, due.EndOfLife, due.NoRule:
					free = free && reason.Blocks&due.HandOut == 0
				case due.MissingHistory:
					free = free && (reason.Blocks&due.HandOut == 0 || reason.Clock == nil)
				}
			}
			if free {
				out.Fleet.Unblocked++
			} else {
				out.Blocked = append(out.Blocked, s.Tag)
			}
			type key struct{ pack, rule string }
			counted := map[key]bool{}
			for day := st.On; day <= st.On.AddDays(q.Horizon+1); day++ {
				for i := range s.Self.Clocks {
					c := s.Self.Clocks[i]
					if !c.ExpectedOn.IsZero() && day > max(st.On, c.ExpectedOn.First()) {
						c.Used = c.Limit
					}
					k := key{c.Pack.ID, c.Rule.ID}
					if counted[k] || !c.InForce(day) || !c.Blocking(day) {
						continue
					}
					counted[k] = true
					n := out.Rules[c.Rule.ID]
					if day == st.On {
						out.Fleet.Blocking++
						n[1]++
					} else {
						out.Fleet.Due++
						n[2]++
						d := out.Days[(day - 1).String()]
						out.Days[(day - 1).String()] = [2]int64{d[0] + 1, d[1] + int64(c.Rule.BenchMinutes)}
					}
					out.Fleet.BenchMinutes += int64(c.Rule.BenchMinutes)
					if c.Pack.ID == q.Pack {
						out.Rules[c.Rule.ID] = n
					}
				}
			}
			for i := range s.Self.Clocks {
				if c := &s.Self.Clocks[i]; c.Pack.ID == q.Pack && c.InForce(max(st.On, q.Effective)) {
					n := out.Rules[c.Rule.ID]
					n[0]++
					out.Rules[c.Rule.ID] = n
				}
			}
		}
		return nil
	})
	return out
}

// sides takes a trial apart into what it says of the fleet before and after.
func sides(r *try.Result, blocked []string) (before, after side) {
	before, after = side{Units: r.Units, Fleet: r.Before}, side{Units: r.Units, Fleet: r.After}
	before.Days, after.Days = map[string][2]int64{}, map[string][2]int64{}
	for _, d := range r.Days {
		if d.DueBefore > 0 {
			before.Days[d.On.String()] = [2]int64{d.DueBefore, d.MinutesBefore}
		}
		if d.DueAfter > 0 {
			after.Days[d.On.String()] = [2]int64{d.DueAfter, d.MinutesAfter}
		}
	}
	before.Rules, after.Rules = map[string][3]int64{}, map[string][3]int64{}
	for id, n := range r.Rules {
		if b := [3]int64{n.UnitsBefore, n.BlockedBefore, n.DueBefore}; b != [3]int64{} {
			before.Rules[id] = b
		}
		if a := [3]int64{n.UnitsAfter, n.BlockedAfter, n.DueAfter}; a != [3]int64{} {
			after.Rules[id] = a
		}
	}
	before.Blocked = blocked
	for _, v := range r.Blocked {
		blocked = append(slices.Clone(blocked), v.Tag)
	}
	after.Blocked = slices.DeleteFunc(slices.Clone(blocked), func(tag string) bool {
		return slices.ContainsFunc(r.Freed, func(v try.Verdict) bool { return v.Tag == tag })
	})
	return before, after
}

func (s side) sorted() side {
	s.Blocked = slices.Sorted(slices.Values(s.Blocked))
	return s
}

// TestTryIsWhatHappens tries revisions of every sort on a random fleet, publishes each, and compares what was foretold with what the fleet
// then says: standing by standing and day by day, at several instants, as known at several, and of one shop.
func TestTryIsWhatHappens(t *testing.T) {
	long(t)
	t.Parallel()
	w, f := builtFleet(t, 60, 900)
	base := house()[1]
	base.Rules = slices.Clone(base.Rules)
	for i := range base.Rules {
		base.Rules[i].BenchMinutes = 10 * (i + 1)
	}
	revise := func(on civil.Date, change func(p *due.Pack)) due.Pack {
		p := base
		p.Effective, p.Rules = on, slices.Clone(base.Rules)
		change(&p)
		return p
	}
	day := civil.In(today, time.UTC)
	annex := revise(civil.New(2020, 1, 1), func(p *due.Pack) {
		p.ID, p.Proofs = "annex", nil
		p.Rules = []due.Rule{
			{ID: "gauge", Title: "Gauge check", Activity: "calibration", Authority: due.House, Months: 30, Baselines: []due.Baseline{due.Commissioning}, Blocks: due.HandOut, BenchMinutes: 5},
			{ID: "unknown", Title: "Unknown", Activity: "calibration", Authority: due.House, Scope: due.Scope{Kinds: []string{"second-stage"}}, Months: 30, Blocks: due.HandOut, PhaseInDays: 40},
		}
	})
	without := annex
	without.Effective, without.Rules = day.AddDays(1), annex.Rules[1:]
	revisions := []due.Pack{
		revise(civil.New(2026, 6, 5), func(p *due.Pack) { p.Rules[0].Months, p.Rules[0].PhaseInDays = 6, 60 }),
		revise(civil.New(2026, 6, 5), func(p *due.Pack) { p.Rules[0].Months, p.Rules[0].Limit.Dives = 6, 10 }), // at once
		annex,
		revise(day.AddDays(20), func(p *due.Pack) { p.Rules[0].Months, p.Rules[0].Limit.Dives = 18, 400 }), // loosens, ahead
		without,
		revise(day.AddDays(20), func(p *due.Pack) {
			p.Rules = p.Rules[2:6]
			p.Rules[3].Months, p.Rules[3].PhaseInDays, p.Rules[3].Scope.Kinds = 3, 50, nil // for every kind
		}),
	}
	blocked, freed, moved, changed := 0, 0, 0, 0
	for n, p := range revisions {
		p, _ = decode(p.ID, encode(t, p)) // as it is read once published
		var queries []compliancepg.TryQuery
		for i, at := range []time.Time{today, today.AddDate(0, 0, 4), today.AddDate(0, 1, 0), today.AddDate(0, 0, -2)} {
			q := compliancepg.TryQuery{Question: try.Question{Pack: p.ID, Effective: p.Effective, At: at, Horizon: []int{0, 1, 45, 120}[i]}, Revision: p}
			queries = append(queries, q)
			q.Horizon, q.Shop = 75, "shop1"
			queries = append(queries, q)
			q.Shop, q.Known = "", today.AddDate(0, -4, 0)
			queries = append(queries, q)
		}
		var foretold []try.Result
		var before []side
		for _, q := range queries {
			before = append(before, w.says(f, q).sorted())
			w.read(func(ctx context.Context, r *compliancepg.Reader) error {
				res, err := r.Try(ctx, q)
				foretold = append(foretold, res)
				return err
			})
		}
		w.publishAt(today.AddDate(0, -5, 0), p) // before every instant as known at which it is asked
		for i, q := range queries {
			name := fmt.Sprintf("revision %d at %s, %d days, shop %q, known %s", n, q.At, q.Horizon, q.Shop, q.Known)
			was, is := sides(&foretold[i], before[i].Blocked)
			if diff := cmp.Diff(before[i], was.sorted()); diff != "" {
				t.Errorf("%s: the fleet says before it (-), the trial (+):\n%s", name, diff)
			}
			if diff := cmp.Diff(w.says(f, q).sorted(), is.sorted()); diff != "" {
				t.Errorf("%s: the fleet says once published (-), the trial before (+):\n%s", name, diff)
			}
			blocked, freed, changed = blocked+len(foretold[i].Blocked), freed+len(foretold[i].Freed), changed+int(foretold[i].Changed)
			if !maps.Equal(was.Days, is.Days) {
				moved++
			}
			for _, v := range slices.Concat(foretold[i].Blocked, foretold[i].Freed) {
				if len(v.Sentence) < 20 || v.Kind == "" || v.Shop == "" || q.Shop != "" && v.Shop != q.Shop {
					t.Errorf("%s: %+v", name, v)
				}
			}
			// Once it is published, trying it again changes nothing.
			w.read(func(ctx context.Context, r *compliancepg.Reader) error {
				res, err := r.Try(ctx, q)
				if res.Changed != 0 || res.Before != res.After || len(res.Blocked)+len(res.Freed) > 0 {
					t.Errorf("%s: tried again it changes %+v", name, res)
				}
				return err
			})
		}
	}
	if blocked < 20 || freed < 5 || moved < 20 || changed < 100 {
		t.Errorf("%d units blocked, %d freed, %d changed, days moved %d times: too little to compare", blocked, freed, changed, moved)
	}
}

// TestTryRefusesAndEnds: a revision before the last one is refused as publishing it is, and a caller that leaves is not worked for.
func TestTryRefusesAndEnds(t *testing.T) {
	t.Parallel()
	w, _ := builtFleet(t, 10, 50)
	p := house()[0]
	q := compliancepg.TryQuery{Question: try.Question{Pack: p.ID, Effective: p.Effective, At: today, Horizon: 30}, Revision: p}
	_, _, published := w.store.Publish(t.Context(), org, p.ID, p.Effective, append(encode(t, p), ' '), compliance.OwnChange{At: today, Kind: compliance.PackPublished, Actor: "test"})
	err := w.store.Read(t.Context(), org, func(ctx context.Context, r *compliancepg.Reader) error {
		_, err := r.Try(ctx, q)
		return err
	})
	if a, b := errs.As(err), errs.As(published); a == nil || b == nil || a.Reason != "RULE_PACK_INVALID" || !cmp.Equal(a, b) {
		t.Errorf("tried: %v, published: %v", err, published)
	}
	// As known before the later revisions were published it is no step back.
	q.Known = today.AddDate(0, 0, -10)
	q.Effective, q.Revision.Effective = civil.New(2026, 6, 2), civil.New(2026, 6, 2)
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		_, err := r.Try(ctx, q)
		return err
	})

	ctx, cancel := context.WithCancel(t.Context())
	err = w.store.Read(t.Context(), org, func(_ context.Context, r *compliancepg.Reader) error {
		cancel()
		_, err := r.Try(ctx, q)
		return err
	})
	if !errors.Is(err, context.Canceled) && !errs.Is(err, "CANCELLED") {
		t.Errorf("cancelled: %v", err)
	}
}
