package due_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// TestPhaseInSpreadsEvenly puts a fleet under a new rule: every unit gets one day of the phase-in, and the days get about as many.
// The test is Pearson's chi-square with 100 degrees of freedom; its upper critical value at 0.001 is 149.449 in the table of the
// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4 (value from memory).
func TestPhaseInSpreadsEvenly(t *testing.T) {
	const days, fleet = 101, 20_200
	start := civil.New(2026, 2, 1)
	rule := ruleOf("new", "inspection", 12, 0)
	rule.PhaseInDays, rule.Baselines = days, []due.Baseline{due.Manufacture}
	packs := []due.Pack{{ID: "house", Effective: start, Rules: []due.Rule{rule}}}
	r := rand.New(rand.NewPCG(20261126, 2))
	for name, id := range map[string]func(n int) uuid.UUID{
		"random ids": func(int) (u uuid.UUID) {
			for i := range u {
				u[i] = byte(r.IntN(256))
			}
			return u
		},
		"ids in a row": func(n int) uuid.UUID { return unitID(n) },
	} {
		t.Run(name, func(t *testing.T) {
			var counts [days]int
			for n := range fleet {
				unit := id(n)
				in := due.Input{Unit: unit, Packs: packs, Units: []due.Facts{{
					Unit: unit, Manufactured: civil.Month(2015, 3), Commissioned: civil.Day(civil.New(2016, 1, 1)), Stays: []due.Stay{{Zone: time.UTC}},
				}}}
				d := due.Derive(in, time.Time{}, time.Time{})
				c := &d.Clocks[0]
				if c.DueOn != c.PhaseIn || c.PhaseIn.First() < start || c.PhaseIn.First() >= start+days {
					t.Fatalf("due %s, phased in to %s", c.DueOn, c.PhaseIn)
				}
				counts[c.PhaseIn.First()-start]++
			}
			const each = float64(fleet) / days
			chi := 0.0
			for _, n := range counts {
				chi += (float64(n) - each) * (float64(n) - each) / each
			}
			if t.Logf("chi-square %.1f", chi); chi > 149.449 {
				t.Errorf("chi-square %.1f: %v", chi, counts)
			}
		})
	}
}

// TestPhaseInStays: a unit's day does not depend on when it is asked for, nor on what is done to other units.
func TestPhaseInStays(t *testing.T) {
	checked := 0
	histories(t, 1_000, phaseIns, func(t *testing.T, r *rand.Rand, w *world) {
		in := w.input(r.IntN(len(w.units)))
		days := map[string]civil.Mark{}
		for range 6 {
			at := begin.Add(time.Duration(r.Int64N(9*365*24)) * time.Hour)
			d := due.Derive(in, at, time.Time{})
			for _, c := range d.Clocks {
				if c.PhaseIn.IsZero() || c.AnchorEntry != (uuid.UUID{}) || !c.DueOn.IsZero() && c.DueOn != c.PhaseIn {
					continue
				}
				if c.Rule.Authority == due.Law || c.Rule.EndOfLife {
					t.Errorf("%s is phased in", c.Rule.ID)
				}
				if c.AnchorBaseline == due.FirstUse || c.Limit != (due.Amount{}) {
					continue // the unit may have been past its limit before the rule, or not yet
				}
				key := c.Pack.ID + c.Rule.ID + c.InForceFrom.String()
				if other, ok := days[key]; ok && other != c.PhaseIn {
					t.Errorf("%s: %s, and %s when asked again", key, other, c.PhaseIn)
				}
				days[key] = c.PhaseIn
				checked++
			}
		}
	})
	if checked < sample(150) {
		t.Errorf("only %d were phased in", checked)
	}
}
