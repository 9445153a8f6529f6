package due_test

import (
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// The oracle tells estimates apart while it adds up (see used): they count in full, and the part of the total that they are is told.

// TestOracleEstimates compares histories of which a third of the uses are estimates.
func TestOracleEstimates(t *testing.T) {
	compare(t, 2_000, estimates, func(c *due.Clock, s *due.Standing, _ *world) string {
		switch {
		case c.Estimated == due.Amount{}:
			return ""
		case c.Blocking(s.On) && c.Limit != (due.Amount{}):
			return "blocked with estimates"
		case c.Estimated == c.Used:
			return "nothing but estimates"
		}
		return "partly estimates"
	}, "blocked with estimates", "nothing but estimates", "partly estimates")
}

// TestEstimatesHideNothing turns estimates into logs: nothing changes but the part that is told as an estimate.
func TestEstimatesHideNothing(t *testing.T) {
	flagged := 0
	histories(t, 1_000, estimates, func(t *testing.T, r *rand.Rand, w *world) {
		in := w.input(r.IntN(len(w.units)))
		guessed := due.Derive(in, time.Time{}, time.Time{})
		for i := range in.Entries {
			in.Entries[i].Estimated = false
			if c := in.Entries[i].Correct; c != nil {
				c.Estimated = false
			}
		}
		logged := due.Derive(in, time.Time{}, time.Time{})
		for i := range guessed.Clocks {
			if guessed.Clocks[i].Estimated != (due.Amount{}) {
				flagged++
			}
			guessed.Clocks[i].Estimated = due.Amount{}
		}
		if !reflect.DeepEqual(guessed, logged) {
			t.Errorf("as estimates:\n%s\nas logs:\n%s", derivedText(&guessed), derivedText(&logged))
		}
	})
	if flagged < sample(500) {
		t.Errorf("only %d clocks with estimates", flagged)
	}
}
