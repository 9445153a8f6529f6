package due_test

import (
	"testing"

	"strandline.example/strandline/services/compliance/due"
)

// The oracle ends the last day of use with an expiry mark (see limits) and counts from the day of the work (see works).

// TestOracleExpiryMarks compares histories with marks that say until when work holds.
func TestOracleExpiryMarks(t *testing.T) {
	compare(t, 2_000, expiryMarks, func(c *due.Clock, s *due.Standing, _ *world) string {
		switch {
		case c.AnchorExpiry.IsZero():
			return ""
		case c.DueOn.First() < c.AnchorExpiry.Last():
			return "capped by the rule"
		case c.AnchorExpiry.IsMonth():
			return "to the end of the month marked"
		}
		return "to the day marked"
	}, "capped by the rule", "to the end of the month marked", "to the day marked")
}
