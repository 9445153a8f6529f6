package notice

import (
	"slices"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// Standing is where one rule stands on one unit. In the zero one the rule does not run on the unit.
type Standing struct {
	State    due.State
	Blocking bool
	Left     string     // what is left where the state is that of a usage limit, such as 9 dives; empty where it is that of the date
	DueOn    civil.Mark // last day of use; zero without a date limit
	Revision int64      // of the pack
}

// Runs says whether the rule runs on the unit.
func (s Standing) Runs() bool { return s.State != 0 }

// same says whether there is nothing to tell between two standings.
func (s Standing) same(o Standing) bool { return s.State == o.State && s.Blocking == o.Blocking }

// Step is what a standing becomes at the beginning of a day because of time alone.
type Step struct {
	On civil.Date
	Standing
}

// Course returns where a rule stands on a unit on a day, and the steps after that day, in order. Clocks are those of the rule's
// revisions, each in force for days of its own. Nothing runs before the day of commissioning.
func Course(clocks []due.Clock, commissioned civil.Mark, from civil.Date) (Standing, []Step) {
	var days []civil.Date
	see := func(on civil.Date) {
		if on > from {
			days = append(days, on)
		}
	}
	if !commissioned.IsZero() {
		see(commissioned.First())
	}
	for i := range clocks {
		c := &clocks[i]
		see(c.InForceFrom)
		if !c.InForceUntil.IsZero() {
			see(c.InForceUntil.First())
		}
		for next := c.NextChange(max(from, c.InForceFrom)); !next.IsZero() && (c.InForceUntil.IsZero() || next.First() < c.InForceUntil.First()); next = c.NextChange(next.First()) {
			see(next.First())
		}
	}
	slices.Sort(days)
	now := standing(clocks, commissioned, from)
	var steps []Step
	for last, i := now, 0; i < len(days); i++ {
		if s := standing(clocks, commissioned, days[i]); !s.same(last) {
			steps = append(steps, Step{days[i], s})
			last = s
		}
	}
	return now, steps
}

func standing(clocks []due.Clock, commissioned civil.Mark, on civil.Date) Standing {
	if !commissioned.IsZero() && on < commissioned.First() {
		return Standing{}
	}
	for i := range clocks {
		if c := &clocks[i]; c.InForce(on) {
			s := Standing{State: c.State(on), Blocking: c.Blocking(on), DueOn: c.DueOn, Revision: c.Pack.Revision}
			s.Left = leftOf(c, on, s.State)
			return s
		}
	}
	return Standing{}
}

// leftOf says what is left of the usage limit that makes a state; nothing if the date makes it.
func leftOf(c *due.Clock, on civil.Date, state due.State) string {
	alone := *c
	alone.Limit = due.Amount{}
	if alone.State(on) == state {
		return ""
	}
	left := c.Left()
	alone.DueOn = civil.Mark{}
	for _, m := range [...]struct {
		limit due.Amount
		left  string
	}{
		{due.Amount{Dives: c.Limit.Dives}, count(left.Dives, "dive")},
		{due.Amount{Hours: c.Limit.Hours}, hours(left.Hours)},
		{due.Amount{Fills: c.Limit.Fills}, count(left.Fills, "fill")},
	} {
		if alone.Limit = m.limit; m.limit != (due.Amount{}) && alone.State(on) == state {
			return m.left
		}
	}
	return ""
}
