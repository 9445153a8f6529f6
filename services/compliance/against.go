package compliance

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// Against returns why a unit may not be promised for a window in which so much use is expected, beside everything that is promised of it; nothing
// if it may. What it is promised for, or out for, comes first; then what stands against its set, which must have been made for the start of the
// window. The allocation but is left aside.
func Against(u *promise.Unit, set *Set, w promise.Window, expected due.Amount, now time.Time, but uuid.UUID) (out []due.Reason) {
	for _, c := range u.Claims {
		if !u.Blocks(c, w, now, but) {
			continue
		}
		r := due.Reason{Code: due.AlreadyPromised, Blocks: due.HandOut, Unit: u.ID, Stay: set.Self.Stay, From: c.Start, Until: c.End}
		if c.Out {
			r.Code = due.Out
		}
		out = append(out, r)
	}
	promised := u.Promised(but)
	for _, r := range set.Window(w.Start, w.End, promised.Plus(expected)) {
		r.Promising(promised)
		out = append(out, r)
	}
	return out
}
