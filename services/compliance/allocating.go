package compliance

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// The kinds of own changes that allocations make.
const (
	UnitsAllocated      = "units-allocated"
	AllocationsFirm     = "allocations-confirmed"
	AllocationsExtended = "allocations-extended"
	AllocationSwapped   = "allocation-swapped"
	AllocationsReleased = "allocations-released"
	PromisesReviewed    = "promises-reviewed"
)

// AllocationWish is what AllocateUnits is asked for.
type AllocationWish struct {
	Shop string
	promise.Window
	Expected  due.Amount // of each unit
	Wants     []promise.Want
	Confirm   bool
	HoldFor   time.Duration // without Confirm
	Group     uuid.UUID     // joined if it is there
	Join      bool          // the group must be there
	Reference string
}

// Named says whether some unit is wished for by name.
func (w *AllocationWish) Named() bool {
	return slices.ContainsFunc(w.Wants, func(want promise.Want) bool { return want.Unit != uuid.Nil })
}

// AllocationChoice says which allocations a request is about: named ones, or a group's.
type AllocationChoice struct {
	IDs   []uuid.UUID
	Group uuid.UUID // zero with IDs
}

// AllocationQuery asks for a page of allocations, by start of the window.
type AllocationQuery struct {
	Shop       string // empty for all
	Unit       uuid.UUID
	Group      uuid.UUID
	States     []AllocationState // nil for the live ones
	InConflict bool
	From       time.Time // windows that reach beyond it; zero for all
	Before     time.Time // windows that begin before it; zero for all
	Now        time.Time // as they stand then
	After      *AllocationKey
	Limit      int
}

// AllocationKey is where an allocation stands in a list.
type AllocationKey struct {
	Start time.Time
	ID    uuid.UUID
}

// Ended says whether an allocation has come to its end without anybody's doing: it was not confirmed in time, or not collected before its window ended.
func (a *Allocation) Ended(now time.Time) bool {
	return a.State == Held && !a.Expires.After(now) || a.State <= Confirmed && !a.End.After(now)
}

// AsOf makes an allocation that has so ended say so, before it is written.
func (a *Allocation) AsOf(now time.Time) {
	switch {
	case !a.Ended(now):
	case a.State == Held && !a.Expires.After(now):
		a.State, a.Finished = Expired, a.Expires
	default:
		a.State, a.Finished, a.FinishedReason, a.Expires = Expired, a.End, NotCollected, time.Time{}
	}
}

// NotCollected is why an allocation ended that nobody collected.
const NotCollected = "not collected"

// Reviewed is what a review came to.
type Reviewed struct {
	Changed []Allocation // that got another unit, came into conflict or out of it
	Busy    bool         // somebody else is writing to the org
}
