package compliance

import (
	"errors"
	"time"

	"github.com/google/uuid"
)

// WatchStage is what a stream of those who watch is telling.
type WatchStage int8

// The stages: everything there is, then what changes.
const (
	WatchUnits WatchStage = iota
	WatchAllocations
	WatchChanges
)

// WatchRow is what kind of row a change is of.
type WatchRow int8

// The kinds, in the order in which those of one number are told; WatchEnd is after all of them.
const (
	WatchUnit WatchRow = iota + 1
	WatchAllocation
	WatchEnd
)

// WatchKey is a place in a stream: whoever has everything up to it goes on after it. The zero key is before everything.
type WatchKey struct {
	Stage  WatchStage `json:"s,omitempty"`
	Begun  bool       `json:"b,omitempty"`
	Number int64      `json:"n,omitempty"` // of the change; before the changes, where they begin
	Row    WatchRow   `json:"r,omitempty"` // of the change
	ID     uuid.UUID  `json:"i,omitzero"`  // of the row told last

	Tag   string    `json:"g,omitempty"` // of the unit told last, where those of a shop are told
	Unit  uuid.UUID `json:"u,omitzero"`  // of the allocation told last
	Start time.Time `json:"t,omitzero"`  // of the allocation told last
}

// ErrWatchAhead says that a place is after changes that the database does not have: it was put back to an earlier state.
var ErrWatchAhead = errors.New("the place is beyond the last change")

// CaughtUp is the place after every change up to a number.
func CaughtUp(number int64) WatchKey {
	return WatchKey{Stage: WatchChanges, Begun: true, Number: number, Row: WatchEnd}
}

// WatchItem is one thing that is told: a unit or an allocation.
type WatchItem struct {
	Unit       *WatchedUnit
	Allocation *Allocation
	Key        WatchKey // whoever has it goes on after this
}

// WatchHead is how far there is something to tell.
type WatchHead struct {
	Number   int64
	Position Position
}

// WatchQuery asks for what is to be told after a place.
type WatchQuery struct {
	Shop  string // only of this one; empty for all
	After WatchKey
	Limit int // units and allocations, together; changes of other shops that are passed over are bounded too
	Now   func() time.Time
}

// WatchBatch is what is to be told next, all of one state.
type WatchBatch struct {
	Items []WatchItem
	Next  WatchKey  // the place after all of it, which may be beyond the last item
	Done  bool      // there is nothing after it
	Head  WatchHead // of the state
}
