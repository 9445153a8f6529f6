package compliance

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// Settled returns the last instant at which something happened that the unit's limits, holds or place depend on. The stored
// rows of a unit answer for every instant from there on; for an earlier one they know too much, and the answer is derived
// again. It is never too early. It is made of what touches the unit and of nothing else: the rows must not depend on when
// they were derived.
func Settled(in due.Input) time.Time {
	var last time.Time
	see := func(t time.Time) {
		if t.After(last) {
			last = t
		}
	}
	in.All(func(h *due.History) {
		for i := len(h.Increments) - 1; i >= 0; i-- { // the latest are last, as a rule: then little is asked of the fittings
			if at := h.Increments[i].Occurred; at.After(due.InstantOf(last)) && (h.Unit == in.Unit || fittedTo(in.Fittings, in.Unit, h.Unit, at.Time())) {
				see(at.Time())
			}
		}
		for i := len(h.Entries) - 1; i >= 0; i-- {
			switch e := &h.Entries[i]; {
			case e.Kind == due.Amendment:
				// It says what was true all along, whenever it was made.
				if e.Correct != nil {
					see(e.Correct.Occurred)
				}
			case e.Unit == in.Unit || e.Kind == due.UsageEntry && (e.Reading || e.Occurred.After(last) && fittedTo(in.Fittings, in.Unit, e.Unit, e.Occurred)):
				see(e.Occurred)
			}
		}
	})
	for i := range in.Waivers {
		if w := &in.Waivers[i]; w.Unit == in.Unit {
			see(w.Granted)
			see(w.Revoked)
		}
	}
	var uses []due.LotUse
	if slices.ContainsFunc(in.Recalls, func(r due.Recall) bool { return len(r.Lots) > 0 }) {
		uses = due.LotUses(in, time.Time{}, time.Time{})
	}
	for i := range in.Recalls {
		for j := range in.Units {
			if c := &in.Recalls[i]; in.Units[j].Unit == in.Unit && c.Covers(&in.Units[j], uses) {
				see(c.Opened)
				see(c.Withdrawn)
			}
		}
	}
	for i := range in.Releases {
		if in.Releases[i].Unit == in.Unit {
			see(in.Releases[i].Released)
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

// fittedTo says whether a part was fitted to a host at an instant, directly or through others.
func fittedTo(fittings []due.Fitting, part, host uuid.UUID, at time.Time) bool {
	for range maxDepth {
		h, ok := due.HostAt(fittings, part, at)
		if !ok || h == host {
			return ok
		}
		part = h
	}
	return false
}

// maxDepth bounds how many hosts are followed, should fittings go round in a circle.
const maxDepth = 32
