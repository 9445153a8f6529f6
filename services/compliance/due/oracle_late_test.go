package due_test

import (
	"slices"
	"testing"

	"strandline.example/strandline/services/compliance/due"
)

// judgeLate says whether work counts after what counted before, and from when the next interval runs.
func (o *oracle) judgeLate(u int, p *wPack, k wRule, c running, w dated) (n running, counts bool) {
	n = running{work: w.told, from: w.date, since: w.occurred}
	if k.expires {
		n.expiry = w.mark
	}
	if k.late == "" {
		return n, true
	}
	if c.work == nil {
		c = o.begin(u, k, w.occurred)
	}
	last := o.limits(u, p, k, c, w.occurred).dueOn
	if last.y == 0 || !before(last, w.date) {
		return n, true
	}
	if k.late == "escalate" {
		return n, slices.ContainsFunc(w.did, func(d string) bool { return slices.Contains(k.satisfiedBy, d) })
	}
	// Lateness is not rewarded: on from the last day it was due by, and from the end of the last interval that was missed whole.
	missed := last
	for i := 1; ; i++ {
		next := walkMonths(last, i*k.months, k.stamped)
		if before(w.date, next) {
			break
		}
		missed = next
	}
	n.from = missed
	return n, true
}

// TestOracleLateWork compares histories in which late work does not count, or not from when it was done.
func TestOracleLateWork(t *testing.T) {
	compare(t, 2_000, lateWork, func(c *due.Clock, s *due.Standing, _ *world) string {
		switch {
		case c.RejectedWhy == due.WhyLate:
			return "escalated"
		case c.AnchorLate && c.AnchorDate.First() == c.DueOn.First() && c.AnchorExpiry.IsZero(): // a mark may have expired by then
			t.Error("late work counts for nothing")
		case c.AnchorLate:
			return "from the last day"
		case c.Rule.Late != due.FromWork && c.AnchorActivity != "":
			return "in time"
		}
		return ""
	}, "escalated", "from the last day", "in time")
}
