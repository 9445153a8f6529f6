package due

import (
	"math/bits"

	"strandline.example/strandline/internal/civil"
)

// defaultLeadDays is the lead of a date limit whose rule states none.
const defaultLeadDays = 30

// InForce says whether the clock's revision is in force on a day.
func (c *Clock) InForce(on civil.Date) bool {
	return on >= c.InForceFrom && (c.InForceUntil.IsZero() || on < c.InForceUntil.First())
}

// State returns where the clock stands on a day: the worst of its limits.
func (c *Clock) State(on civil.Date) State {
	if c.AnchorDate.IsZero() {
		return NoAnchor
	}
	worst := c.dateState(on)
	for _, m := range measures {
		worst = max(worst, c.usageState(m))
	}
	return worst
}

// Blocking says whether the unit is past what the rule allows on a day: the last day of use has passed, nothing is left of a
// usage limit, or nothing says from when to count; and neither a phase-in nor a waiver excuses it.
func (c *Clock) Blocking(on civil.Date) bool {
	if _, ok := c.Excused(on); ok {
		return false
	}
	return c.past(on)
}

// past is Blocking for a unit that nothing excuses.
func (c *Clock) past(on civil.Date) bool {
	if c.AnchorDate.IsZero() || c.datePassed(on) {
		return true
	}
	for _, m := range measures {
		if c.usedUp(m) {
			return true
		}
	}
	return false
}

// Left returns what is left of each usage limit, below zero if more was used than allowed; zero where there is no limit.
func (c *Clock) Left() (left Amount) {
	l, u := &c.Limit, &c.Used
	if l.Dives > 0 {
		left.Dives = l.Dives - u.Dives
	}
	if l.Hours > 0 {
		left.Hours = l.Hours - u.Hours
	}
	if l.Fills > 0 {
		left.Fills = l.Fills - u.Fills
	}
	return left
}

func (c *Clock) leadDays() int { return c.Rule.DateLead() }

// DateLead returns how many days before its last day of use a unit is due soon.
func (r *Rule) DateLead() int {
	if r.LeadDays <= 0 {
		return defaultLeadDays
	}
	return r.LeadDays
}

func (c *Clock) datePassed(on civil.Date) bool { return !c.DueOn.IsZero() && on > c.DueOn.First() }

func (c *Clock) usedUp(m Measure) bool {
	limit := c.Limit.of(m)
	return limit > 0 && c.Used.of(m) >= limit
}

func (c *Clock) dateState(on civil.Date) State {
	if c.DueOn.IsZero() {
		return Fine
	}
	lead := c.leadDays()
	switch last := c.DueOn.First(); {
	case on > last:
		return Overdue
	case on == last:
		return Due
	case int(last-on) <= lead:
		return DueSoon
	}
	return Fine
}

func (c *Clock) usageState(m Measure) State {
	limit := c.Limit.of(m)
	if limit <= 0 {
		return Fine
	}
	switch left := limit - c.Used.of(m); {
	case left < 0:
		return Overdue
	case left == 0:
		return Due
	case inLead(left, limit, c.Rule.Lead.of(m)):
		return DueSoon
	}
	return Fine
}

// inLead compares what is left with the lead, or exactly with a tenth of the limit.
func inLead(left, limit, lead int64) bool {
	if lead > 0 {
		return left <= lead
	}
	hi, lo := bits.Mul64(uint64(left), 10)
	return hi == 0 && lo <= uint64(limit)
}
