package due

import (
	"time"

	"strandline.example/strandline/internal/civil"
)

// lastDay is later than any day of a ledger.
var lastDay = civil.New(9999, time.December, 31)

// BlocksFrom returns the first day, from a day on, on which the clock blocks its unit if nothing is done to it and it is used at its
// present rate; none if it never does while its revision is in force. The day before is the last on which the unit may be used as
// far as the rule is concerned. A usage limit counts as reached at the end of the day on which it is expected to be.
func (c *Clock) BlocksFrom(on civil.Date) (first civil.Mark) {
	from, until := max(on, c.InForceFrom), lastDay
	if !c.InForceUntil.IsZero() {
		until = c.InForceUntil.First() - 1
	}
	after := func(last civil.Date) {
		if day, ok := c.bound(max(from, last+1), until); ok && (first.IsZero() || day < first.First()) {
			first = civil.Day(day)
		}
	}
	if c.AnchorDate.IsZero() {
		after(from - 1)
		return first
	}
	if !c.DueOn.IsZero() {
		after(c.DueOn.First())
	}
	for _, m := range measures {
		if c.usedUp(m) {
			after(from - 1)
		}
	}
	if !c.ExpectedOn.IsZero() {
		after(max(on, c.ExpectedOn.First()))
	}
	return first
}
