package compliance

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// Set is a unit and everything fitted to it at an instant, as far as an answer about it needs.
type Set struct {
	Unit  uuid.UUID
	Tag   string
	Kind  string
	Size  string
	Self  *due.Derived
	Parts []*due.Derived
	// Settled says that nothing has happened to the set since the instant it was made for: it answers for later ones too.
	Settled bool
	// Waivers are those of the unit and of what it was ever fitted with, where the set was derived; nil where it was read from rows.
	Waivers []due.Waiver
	// Latest is the set as of the last event, where it is not settled; nil otherwise.
	Latest *Set
}

// Stand returns what the set may be used for at the instant it was made for.
func (s *Set) Stand(at time.Time) due.Standing { return due.Stand(s.Self, s.Parts, at) }

// Window returns why the set may not be handed out for a window. Where something has happened since its start, the window
// must hold both as of its start and as of now: a promise is not made on what has been overtaken.
func (s *Set) Window(start, end time.Time, expected due.Amount) []due.Reason {
	out := due.Window(s.Self, s.Parts, start, end, expected)
	if s.Latest == nil {
		return out
	}
	for _, r := range due.Window(s.Latest.Self, s.Latest.Parts, start, end, expected) {
		if !hasReason(out, r) {
			out = append(out, r)
		}
	}
	return out
}

func hasReason(all []due.Reason, r due.Reason) bool {
	for _, a := range all {
		if a.Code == r.Code && a.Unit == r.Unit && a.Measure == r.Measure && sameClock(a.Clock, r.Clock) && sameHold(a.Hold, r.Hold) {
			return true
		}
	}
	return false
}

func sameClock(a, b *due.Clock) bool {
	return a == nil && b == nil || a != nil && b != nil && a.Pack.ID == b.Pack.ID && a.Pack.Revision == b.Pack.Revision && a.Rule.ID == b.Rule.ID
}

func sameHold(a, b *due.Hold) bool {
	return a == nil && b == nil || a != nil && b != nil && a.ID == b.ID
}

// WorkIsDue says whether a unit's clocks belong in a due list at an instant: it is in the fleet, and not condemned, which no work
// undoes.
func WorkIsDue(d *due.Derived, at time.Time) bool {
	for i := range d.Holds {
		if h := &d.Holds[i]; h.Cause == due.CauseCondemned && h.OpenAt(at) {
			return false
		}
	}
	return InFleet(d, at)
}

// InFleet says whether a unit is in the fleet at an instant: commissioned by that day, and not retired.
func InFleet(d *due.Derived, at time.Time) bool {
	if !d.Retired.IsZero() && !at.Before(d.Retired) {
		return false
	}
	return d.Commissioned.IsZero() || due.Stand(d, nil, at).On >= d.Commissioned.First()
}
