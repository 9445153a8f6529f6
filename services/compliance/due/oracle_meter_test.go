package due_test

import (
	"testing"

	"strandline.example/strandline/services/compliance/due"
)

// turned returns what a reading after another stands for, and whether the meter went back. A meter that rolled over went on to its
// greatest count and began again at zero; it cannot have shown more than it has counts.
func turned(before, now, around int64) (n int64, back bool) {
	if around == 0 {
		if now < before {
			return 0, true
		}
		return now - before, false
	}
	if before >= around || now >= around {
		return 0, true
	}
	for before < around {
		step := min(around-before, max(1, (around-before)/2)) // by hand, a turn at a time
		before += step
		n += step
	}
	return n + now, false
}

// TestOracleRollovers compares histories in which meters begin again at zero.
func TestOracleRollovers(t *testing.T) {
	compare(t, 2_000, rollovers, func(c *due.Clock, s *due.Standing, w *world) string {
		for _, h := range s.Holds {
			if h.Cause == due.CauseMissingHistory && h.Rule == "" {
				return "went back"
			}
		}
		for _, e := range w.entries {
			if e.rollover > 0 && entryID(e.id) != c.AnchorEntry && c.Used != (due.Amount{}) {
				return "rolled over"
			}
		}
		return ""
	}, "went back", "rolled over")
}
