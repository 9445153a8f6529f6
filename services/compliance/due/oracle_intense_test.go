package due_test

import (
	"testing"
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// tightened applies every conditional limit whose use was reached within so many days, at any time since the anchor.
func (o *oracle) tightened(u int, k wRule, c running, l *limits, until time.Time) {
	uses := o.through(u, c.since, until)
	for _, in := range k.intense {
		hard := false
		for _, start := range uses { // a period that holds so much can begin with a use
			var sum [3]int64
			from := number(o.day(u, start.occurred))
			for _, t := range uses {
				if d := number(o.day(u, t.occurred)) - from; d >= 0 && d < int64(in.days) {
					for m, n := range k.weighed(t) {
						sum[m] += n
					}
				}
			}
			for m := range sum {
				hard = hard || in.use[m] > 0 && sum[m] >= in.use[m]
			}
		}
		if !hard {
			continue
		}
		if in.months > 0 {
			l.dueOn = sooner(l.dueOn, walkMonths(first(c.from), in.months, in.stamped))
		}
		for m, n := range in.limit {
			if n > 0 && (l.limit[m] == 0 || n < l.limit[m]) {
				l.limit[m] = n
			}
		}
	}
}

// TestOracleIntenseUse compares histories with shorter limits for units that are used hard.
func TestOracleIntenseUse(t *testing.T) {
	compare(t, 2_500, intenseUse, func(c *due.Clock, s *due.Standing, _ *world) string {
		switch {
		case len(c.Rule.Intense) == 0 || c.AnchorDate.IsZero():
			return ""
		case c.Basis == due.BasisIntense && c.Limit != c.Rule.Limit:
			return "fewer uses"
		case c.Basis == due.BasisIntense:
			return "sooner"
		}
		return "not hard"
	}, "fewer uses", "sooner", "not hard")
}
