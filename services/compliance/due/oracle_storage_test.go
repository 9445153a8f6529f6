package due_test

import (
	"testing"
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// unused is what a unit counts from that was never used before an instant, under a rule that says so: unused units age too.
func (o *oracle) unused(u int, k wRule, until time.Time, know func(string) ymd) running {
	if k.storage.months == 0 || len(o.through(u, time.Time{}, until)) > 0 {
		return running{}
	}
	for _, b := range k.storage.baselines {
		if date := know(b); date.y != 0 {
			return running{baseline: b, from: date, stored: true}
		}
	}
	return running{}
}

// TestOracleStorage compares histories with rules that let unused units age.
func TestOracleStorage(t *testing.T) {
	compare(t, 2_000, storage, func(c *due.Clock, s *due.Standing, _ *world) string {
		switch {
		case c.Rule.Storage.Months == 0:
			return ""
		case c.Basis == due.BasisStorage && c.Blocking(s.On):
			return "too long on the shelf"
		case c.Basis == due.BasisStorage:
			return "on the shelf"
		case c.AnchorBaseline == due.FirstUse:
			return "from first use"
		case c.AnchorDate.IsZero():
			return "from nothing"
		}
		return ""
	}, "too long on the shelf", "on the shelf", "from first use", "from nothing")
}
