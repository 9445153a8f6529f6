package compliance

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// AllocationState is where an allocation stands.
type AllocationState int16

// The states, as in the proto.
const (
	Held AllocationState = iota + 1
	Confirmed
	Out
	Returned
	Released
	Expired
)

// Live says whether the allocation keeps its unit from others.
func (s AllocationState) Live() bool { return s <= Out }

// Word names the state for people.
func (s AllocationState) Word() string {
	return [...]string{Held: "held", Confirmed: "confirmed", Out: "out", Returned: "returned", Released: "released", Expired: "expired"}[s]
}

// Allocation is one unit promised for a window.
type Allocation struct {
	ID, Group uuid.UUID
	Outfit    int32 // which of the group, from 1
	Kind      string
	Size      string // that was asked for; empty for any
	Shop      string // that hands it out
	Unit      uuid.UUID
	Tag       string // of the unit, as it is now
	promise.Window
	Expected  due.Amount
	State     AllocationState
	Expires   time.Time // while held
	Pinned    bool      // this very unit was asked for
	Reference string

	Created, Confirmed, HandedOut, Finished   time.Time // zero if it did not come to that
	Creator, Hander, Finisher, FinishedReason string
	Gate                                      Position // what the gate had seen
	Entries                                   []string // names of the entries of its return
	Conflicts                                 []AllocationConflict
	Substitutions                             []AllocationSubstitution
	Number                                    int64 // of its last change, among all that is watched
}

// AllocationConflict is why a promise cannot be kept as things are, in the words of when it became known. It is stored as it is.
type AllocationConflict struct {
	Code   string    `json:"code"`
	Blocks due.Use   `json:"blocks"`
	Unit   uuid.UUID `json:"unit"`
	Says   string    `json:"says"`
	Clears string    `json:"clears,omitempty"`
	Rule   string    `json:"rule,omitempty"` // resource names
	Hold   string    `json:"hold,omitempty"`
	Known  time.Time `json:"known"`
}

// AllocationSubstitution is a unit that an allocation had before. It is stored as it is.
type AllocationSubstitution struct {
	Unit   uuid.UUID `json:"unit"`
	Tag    string    `json:"tag"`
	At     time.Time `json:"at"`
	Actor  string    `json:"actor,omitempty"` // empty if nobody asked for it
	Reason string    `json:"reason"`
}
