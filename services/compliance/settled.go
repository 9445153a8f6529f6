package compliance

import (
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// Settled returns the last instant at which something happened that the unit's limits, holds or place depend on. The stored
// rows of a unit answer for every instant from there on; for an earlier one they know too much, and the answer is derived
// again. It is never too early; it may be later than needed.
func Settled(in due.Input) time.Time {
	var last time.Time
	see := func(t time.Time) {
		if t.After(last) {
			last = t
		}
	}
	for i := range in.Entries {
		// An amendment says what was true all along, whenever it was made.
		if e := &in.Entries[i]; e.Kind != due.Amendment {
			see(e.Occurred)
		} else if e.Correct != nil {
			see(e.Correct.Occurred)
		}
	}
	for _, f := range in.Fittings {
		see(f.From)
		see(f.To)
	}
	for _, u := range in.Units {
		if u.Unit != in.Unit {
			continue
		}
		see(u.Retired)
		for _, s := range u.Stays {
			see(s.From)
		}
	}
	return last
}
