package due_test

import (
	"slices"
	"testing"

	"strandline.example/strandline/services/compliance/due"
)

// accompanied says whether every companion of the rule passed with the work: no more days apart than allowed, by the days on which
// they were done where the unit was, and not after it where it must come first.
func (o *oracle) accompanied(u int, k wRule, work *told) bool {
	for _, c := range k.companions {
		found := false
		for i := range o.told {
			t := &o.told[i]
			if t.unit != u || t.what != "work" || t.outcome != "pass" || !slices.Contains(t.did, c.did) {
				continue
			}
			apart := number(o.day(u, t.occurred)) - number(o.day(u, work.occurred))
			if max(apart, -apart) > int64(c.within) || c.first && earlier(work, t) {
				continue
			}
			found = true
		}
		if !found {
			return false
		}
	}
	return true
}

// TestOracleCompanions compares histories with activities that do not count alone.
func TestOracleCompanions(t *testing.T) {
	compare(t, 2_000, companions, func(c *due.Clock, s *due.Standing, _ *world) string {
		switch {
		case len(c.Rule.Companions) == 0:
			return ""
		case c.RejectedWhy == due.WhyAlone && c.AnchorActivity == "":
			return "alone, nothing counts"
		case c.RejectedWhy == due.WhyAlone:
			return "alone, earlier work counts"
		case c.AnchorActivity != "":
			return "accompanied"
		}
		return ""
	}, "alone, nothing counts", "alone, earlier work counts", "accompanied")
}
