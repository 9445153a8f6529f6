package try

import (
	"slices"
	"strings"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// run is one rule on one unit, whatever revisions of its pack are in force one after another.
type run struct {
	pack, rule string
	minutes    int64
	blocks     civil.Date // the first day on which it blocks
}

// add adds up what a unit's own clocks come to from a day on. Clocks of successive revisions of one rule are one: work is due when the
// first of them says so.
func (t *Tally) add(d *due.Derived, on civil.Date, after bool) {
	t.runs = t.runs[:0]
	for i := range d.Clocks {
		c := &d.Clocks[i]
		from := c.BlocksFrom(on)
		if from.IsZero() {
			continue
		}
		r := run{pack: c.Pack.ID, rule: c.Rule.ID, minutes: int64(c.Rule.BenchMinutes), blocks: from.First()}
		if k := slices.IndexFunc(t.runs, func(o run) bool { return o.pack == r.pack && o.rule == r.rule }); k < 0 {
			t.runs = append(t.runs, r)
		} else if r.blocks < t.runs[k].blocks {
			t.runs[k] = r
		}
	}
	fleet := &t.result.Before
	if after {
		fleet = &t.result.After
	}
	for _, r := range t.runs {
		last := r.blocks - 1 // the last day of use
		switch {
		case last < on:
			fleet.Blocking++
		case last <= on.AddDays(t.q.Horizon):
			fleet.Due++
			t.day(last).add(r.minutes, after)
		default:
			continue
		}
		fleet.BenchMinutes += r.minutes
		if r.pack != t.q.Pack {
			continue
		}
		rule := t.rule(r.rule)
		switch {
		case last < on && after:
			rule.BlockedAfter++
		case last < on:
			rule.BlockedBefore++
		case after:
			rule.DueAfter++
		default:
			rule.DueBefore++
		}
	}
}

func (d *Day) add(minutes int64, after bool) {
	if after {
		d.DueAfter++
		d.MinutesAfter += minutes
	} else {
		d.DueBefore++
		d.MinutesBefore += minutes
	}
}

func (t *Tally) day(on civil.Date) *Day {
	d := t.days[on]
	if d == nil {
		d = &Day{On: on}
		t.days[on] = d
	}
	return d
}

func (t *Tally) rule(id string) *Rule {
	r := t.rules[id]
	if r == nil {
		r = &Rule{}
		t.rules[id] = r
	}
	return r
}

// covered counts the unit for the rules of the pack that cover it on a day, and says whether one of its clocks differs then.
func (t *Tally) covered(u *Unit, on civil.Date) {
	running := func(c *due.Clock) bool { return c.Pack.ID == t.q.Pack && c.InForce(on) }
	differs := false
	for i := range u.Before.Clocks {
		if c := &u.Before.Clocks[i]; running(c) {
			t.rule(c.Rule.ID).UnitsBefore++
			k := slices.IndexFunc(u.After.Clocks, func(a due.Clock) bool { return running(&a) && a.Rule.ID == c.Rule.ID })
			differs = differs || k < 0 || !same(c, &u.After.Clocks[k], on)
		}
	}
	for i := range u.After.Clocks {
		if c := &u.After.Clocks[i]; running(c) {
			t.rule(c.Rule.ID).UnitsAfter++
			differs = differs || !slices.ContainsFunc(u.Before.Clocks, func(b due.Clock) bool { return running(&b) && b.Rule.ID == c.Rule.ID })
		}
	}
	if differs {
		t.result.Changed++
	}
}

// same says whether two clocks of a unit come to the same on a day and after it, whatever their revisions are called.
func same(a, b *due.Clock, on civil.Date) bool {
	return a.AnchorEntry == b.AnchorEntry && a.AnchorBaseline == b.AnchorBaseline && a.AnchorDate == b.AnchorDate && a.Months == b.Months &&
		a.MonthStamp == b.MonthStamp && a.Limit == b.Limit && a.Used == b.Used && a.DueOn == b.DueOn && a.PhaseIn == b.PhaseIn &&
		a.ExpectedOn == b.ExpectedOn && slices.Equal(a.Waivers, b.Waivers) && a.State(on) == b.State(on) && a.Rule.Activity == b.Rule.Activity &&
		a.Rule.Blocks == b.Rule.Blocks && a.Rule.EndOfLife == b.Rule.EndOfLife && a.Rule.HandOutIfFilledBefore == b.Rule.HandOutIfFilledBefore &&
		a.Rule.LeadDays == b.Rule.LeadDays && a.Rule.Lead == b.Rule.Lead && a.Rule.BenchMinutes == b.Rule.BenchMinutes
}

// Under returns a unit derived by the rules as they are with its clocks of one pack replaced by those of another derivation. Everything
// else of a derivation is the same under a revision but the holds, which are set aside here.
func Under(before *due.Derived, clocks []due.Clock, pack string) *due.Derived {
	out := *before
	from, _ := slices.BinarySearchFunc(before.Clocks, pack, func(c due.Clock, id string) int { return strings.Compare(c.Pack.ID, id) })
	to := from
	for to < len(before.Clocks) && before.Clocks[to].Pack.ID == pack {
		to++
	}
	if from == to && len(clocks) == 0 {
		return before
	}
	out.Clocks = slices.Concat(before.Clocks[:from], clocks, before.Clocks[to:])
	return &out
}
