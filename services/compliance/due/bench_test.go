package due_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// realistic returns a rented first stage with six rules on it: rentals as increments, a yearly overhaul and half-yearly
// inspections, a failed test with its pass, a late correction, and two years on a regulator set whose rentals count for it.
func realistic(entries int) due.Input {
	lisbon := location("Europe/Lisbon")
	stage, set := unitID(1), unitID(2)
	start := time.Date(2021, 3, 1, 9, 0, 0, 0, time.UTC)
	stays := []due.Stay{{Zone: lisbon, Jurisdiction: "PT", Shop: "cascais"}}
	in := due.Input{
		Unit: stage,
		Units: []due.Facts{
			{Unit: stage, Kind: "first-stage", Maker: "north", Attributes: map[string]string{"gas": "air"}, Manufactured: civil.Month(2020, 11), Commissioned: civil.Day(civil.New(2021, 3, 1)), Stays: stays},
			{Unit: set, Kind: "regulator-set", Commissioned: civil.Day(civil.New(2021, 3, 1)), Stays: stays},
		},
		Fittings: []due.Fitting{{Part: stage, Host: set, From: start.AddDate(1, 0, 0), To: start.AddDate(3, 0, 0)}},
	}
	rule := func(id, activity string, months int, limit due.Amount, satisfied ...string) due.Rule {
		return due.Rule{
			Pack: "house", ID: id, Title: id, Activity: activity, Authority: due.House, Source: due.Source{Document: "House policy"},
			Scope: due.Scope{Kinds: []string{"first-stage", "second-stage"}}, Months: months, Limit: limit, SatisfiedBy: satisfied,
			Baselines: []due.Baseline{due.FirstUse, due.Commissioning}, Blocks: due.HandOut,
		}
	}
	maker := rule("overhaul", "overhaul", 12, due.Amount{Dives: 100})
	maker.Pack, maker.Scope.Makers = "maker", []string{"north"}
	life := rule("life", "", 180, due.Amount{})
	life.EndOfLife, life.Baselines = true, []due.Baseline{due.Manufacture}
	in.Packs = []due.Pack{
		{ID: "maker", Revision: 1, Effective: civil.New(2020, 1, 1), Rules: []due.Rule{maker}},
		{ID: "house", Revision: 1, Effective: civil.New(2020, 1, 1), Cautions: []string{"The maker's manual wins."}, Rules: []due.Rule{
			rule("inspection", "inspection", 6, due.Amount{}, "overhaul"), rule("rinse", "deep-rinse", 1, due.Amount{Dives: 20}, "inspection", "overhaul"),
			rule("hours", "overhaul", 0, due.Amount{Hours: 80 * time.Hour}), rule("seat", "seat-check", 0, due.Amount{Dives: 50}, "overhaul"), life,
		}},
	}
	for i := range entries {
		at := start.Add(time.Duration(i) * (5 * 365 * 24 * time.Hour / time.Duration(entries)))
		e := due.Entry{ID: entryID(i), Unit: stage, Occurred: at, Recorded: at.Add(time.Hour), Kind: due.UsageEntry, Amount: due.Amount{Dives: 2, Hours: 95 * time.Minute}}
		if _, ok := due.HostAt(in.Fittings, stage, at); ok {
			e.Unit = set
		}
		switch {
		case i == entries/2:
			e.Unit, e.Kind, e.Amount, e.Activities, e.Outcome = stage, due.Work, due.Amount{}, []string{"inspection"}, due.Fail
		case i == entries/2+1:
			e.Unit, e.Kind, e.Amount, e.Activities, e.Outcome = stage, due.Work, due.Amount{}, []string{"overhaul", "inspection"}, due.Pass
		case i == entries-1:
			e = due.Entry{ID: e.ID, Unit: in.Entries[5].Unit, Occurred: at, Recorded: at, Kind: due.Amendment, Corrects: entryID(5), Correct: &due.Entry{Kind: due.UsageEntry, Occurred: in.Entries[5].Occurred, Amount: due.Amount{Dives: 1}}}
		case i%25 == 24:
			e.Unit, e.Kind, e.Amount, e.Outcome = stage, due.Work, due.Amount{}, due.Pass
			e.Activities = [][]string{{"inspection"}, {"deep-rinse"}, {"overhaul", "seat-check"}}[i/25%3]
		}
		in.Entries = append(in.Entries, e)
	}
	return in
}

// BenchmarkEvaluate derives and judges one unit with six rules, over and over. It reports clocks a second; the goal is
// 200,000 on one core.
func BenchmarkEvaluate(b *testing.B) {
	for _, c := range []struct {
		entries  int
		shuffled bool
	}{{100, false}, {150, false}, {200, false}, {150, true}} {
		b.Run(fmt.Sprintf("entries=%d/shuffled=%v", c.entries, c.shuffled), func(b *testing.B) {
			in := realistic(c.entries)
			if c.shuffled {
				in = shuffled(rand.New(rand.NewPCG(1, 2)), in)
			}
			at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
			clocks := 0
			b.ReportAllocs()
			for b.Loop() {
				d := due.Derive(in, time.Time{}, time.Time{})
				s := due.Stand(&d, nil, at)
				clocks += len(s.Clocks)
			}
			if clocks != 6*b.N {
				b.Fatalf("%d clocks in %d evaluations, want 6 each", clocks, b.N)
			}
			b.ReportMetric(float64(clocks)/b.Elapsed().Seconds(), "clocks/s")
		})
	}
}

// TestAllocationsDoNotGrow holds the engine to memory per answer, not per entry. The fewest of many runs count: the pool of
// engines may lose one at any time, and with the race detector loses every fourth, and what grows with the entries grows in all.
func TestAllocationsDoNotGrow(t *testing.T) {
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	allocs := func(entries int) float64 {
		in := realistic(entries)
		fewest := math.Inf(1)
		for range 50 {
			fewest = min(fewest, testing.AllocsPerRun(1, func() {
				d := due.Derive(in, time.Time{}, time.Time{})
				due.Stand(&d, nil, at)
			}))
		}
		return fewest
	}
	few, many := allocs(100), allocs(1_000)
	t.Logf("%.0f allocations with 100 entries, %.0f with 1,000", few, many)
	if many > few+8 {
		t.Errorf("%.0f allocations with 100 entries, %.0f with 1,000", few, many)
	}
}
