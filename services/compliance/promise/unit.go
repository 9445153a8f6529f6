package promise

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// Claim is a live promise of a unit.
type Claim struct {
	Allocation uuid.UUID
	Window
	Expected due.Amount
	Out      bool      // it has been handed out
	Expires  time.Time // while it is held for a time only; zero otherwise
}

// Stretch is a time for which a unit may be handed out as far as its own limits and holds go: from From until just before Until.
type Stretch struct {
	From  time.Time
	Until time.Time // zero for without end
	None  bool      // there is no such time
}

// Contains says whether a window, its end included, lies in the stretch. The end counts because the whole return day does.
func (s Stretch) Contains(w Window) bool {
	return !s.None && !w.Start.Before(s.From) && (s.Until.IsZero() || w.End.Before(s.Until))
}

// Left is how much use is left before the first limit of each measure; nil without one.
type Left struct {
	Dives *int64
	Hours *time.Duration
	Fills *int64
	Sure  bool // the limits hold at any time, and nothing excuses the unit from them: what is not left may not be promised
}

// Unit is a unit with all that is fitted to it, as far as promises depend on it.
type Unit struct {
	ID      uuid.UUID
	Tag     string
	Kind    string
	Size    string
	Shop    string
	Host    uuid.UUID   // unit it is fitted to; zero if it stands alone
	Members []uuid.UUID // what is fitted to it
	Retired time.Time   // zero while in the fleet

	Since time.Time // the last thing that happened to it: what follows holds for windows that begin no earlier
	OK    Stretch   // a stretch, without what people placed
	More  bool      // there may be others
	Left  Left      // whatever was promised

	Held   bool    // somebody placed a hold on it, or on something fitted to it, that blocks hand-out and is open at the instant asked for, or was lifted since
	Claims []Claim // live, by start
}

// Verdict is what a unit's own facts say of a window.
type Verdict uint8

// The verdicts.
const (
	Unsure Verdict = iota // its history must be asked
	Yes
	No
)

// Promised returns how much use of the unit is promised, but for one allocation, uuid.Nil for none.
func (u *Unit) Promised(but uuid.UUID) due.Amount {
	var sum due.Amount
	for i := range u.Claims {
		if c := &u.Claims[i]; c.Allocation != but {
			sum = sum.Plus(c.Expected)
		}
	}
	return sum
}

// Taken returns the claim that keeps the unit from being promised for a window, and whether there is one: one that overlaps it, or one of
// somebody who should have brought the unit back by now and has not. The allocation but is left aside.
func (u *Unit) Taken(w Window, now time.Time, but uuid.UUID) (Claim, bool) {
	for _, c := range u.Claims {
		if u.Blocks(c, w, now, but) {
			return c, true
		}
	}
	return Claim{}, false
}

// Blocks says whether a claim on the unit keeps it from being promised for a window; see Taken.
func (u *Unit) Blocks(c Claim, w Window, now time.Time, but uuid.UUID) bool {
	return c.Allocation != but && (c.Overlaps(w) || c.Out && !c.End.After(now))
}

// For says whether the unit may be promised for a window in which so much use is expected, as of now; the allocation but is left aside.
// Of a unit that is Unsure the history must be asked: a claim does not stand against it.
func (u *Unit) For(w Window, expected due.Amount, now time.Time, but uuid.UUID) Verdict {
	if _, taken := u.Taken(w, now, but); taken || u.Held && w.End.After(now) {
		return No
	}
	switch {
	case u.Held || w.Start.Before(u.Since): // of a window that is over, when the hold was placed says whether it stands against it
		return Unsure
	case u.OK.Contains(w):
		if u.Left.covers(u.Promised(but).Plus(expected)) {
			return Yes
		}
		if u.Left.Sure {
			return No
		}
		return Unsure
	case u.More || w.End.Equal(u.OK.Until):
		return Unsure
	}
	return No // it is blocked when the window begins, or before it ends
}

// covers says whether what is left is enough for an amount.
func (l Left) covers(a due.Amount) bool {
	return (l.Dives == nil || *l.Dives >= a.Dives) && (l.Hours == nil || *l.Hours >= a.Hours) && (l.Fills == nil || *l.Fills >= a.Fills)
}
