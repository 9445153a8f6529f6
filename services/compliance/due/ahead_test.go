package due_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/services/compliance/due"
)

// TestBlocksFrom goes day by day through what Blocking says, with the usage limit used up after the day on which it is expected to be,
// and wants the first day that blocks.
func TestBlocksFrom(t *testing.T) {
	r := rand.New(rand.NewPCG(rounds.Seed(t), 1))
	start := civil.New(2026, 1, 1)
	const span = 120
	day := func() civil.Date { return start.AddDays(r.IntN(span)) }
	some := func() civil.Mark {
		if r.IntN(3) == 0 {
			return civil.Mark{}
		}
		return civil.Day(day())
	}
	found, never := 0, 0
	for range 20000 {
		c := due.Clock{Rule: &due.Rule{}, InForceFrom: start.AddDays(r.IntN(span) - span/2), AnchorDate: some(), PhaseIn: some()}
		if r.IntN(2) == 0 {
			c.InForceUntil = civil.Day(c.InForceFrom.AddDays(1 + r.IntN(span)))
		}
		if !c.AnchorDate.IsZero() {
			c.DueOn = some()
			if r.IntN(2) == 0 {
				c.Limit.Dives, c.Used.Dives = 10, int64(r.IntN(12))
				if c.Used.Dives < 10 {
					c.ExpectedOn = some()
				}
			}
		}
		for range r.IntN(3) {
			from := day()
			c.Waivers = append(c.Waivers, due.Waived{From: from, To: from.AddDays(r.IntN(20))})
		}
		slices.SortFunc(c.Waivers, func(a, b due.Waived) int { return int(a.From - b.From) })
		on := day()
		var want civil.Mark
		for d := on; d < start.AddDays(4*span); d++ {
			then := c
			if !c.ExpectedOn.IsZero() && d > max(on, c.ExpectedOn.First()) {
				then.Used = c.Limit
			}
			if then.InForce(d) && then.Blocking(d) {
				want = civil.Day(d)
				break
			}
		}
		if got := c.BlocksFrom(on); got != want {
			t.Fatalf("from %s: %s, want %s: %+v", on, got, want, c)
		}
		if want.IsZero() {
			never++
		} else {
			found++
		}
	}
	if found < 5000 || never < 1000 {
		t.Errorf("%d clocks block and %d never do: too few to compare", found, never)
	}
}
