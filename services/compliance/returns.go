package compliance

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// UnitsReturned is the kind of the own change that a return makes.
const UnitsReturned = "units-returned"

// Return is what is said of one allocation that comes back.
type Return struct {
	Allocation uuid.UUID
	Used       due.Amount
	Estimated  bool
	Condition  string // empty for none
	NoteOnly   bool
	Missing    []string
	Note       string
	Digest     []byte // of all of it
}

// Records says whether the return makes entries.
func (r *Return) Records() bool {
	return r.Used != (due.Amount{}) || r.Condition != "" || len(r.Missing) > 0
}

// The entries that a return makes, at most one of each, and UsageOfReturn followed by its id for each part that was taken off.
const (
	UsageOfReturn     = "usage"
	ConditionOfReturn = "condition"
	MissingOfReturn   = "part-missing" // also the word of the condition
)

// EntryOfReturn returns the id of an entry that the return of an allocation makes: the same for every repeat.
func EntryOfReturn(allocation uuid.UUID, which string) uuid.UUID {
	return uuid.NewSHA1(allocation, []byte("return "+which))
}

// ReturnBegun is a return whose entries may have been recorded.
type ReturnBegun struct {
	*Allocation
	At    time.Time // the instant of its entries
	By    string    // who took it back
	Fresh bool      // it was begun just now
	// Taken are parts that went out with it, or were fitted to it while it was out, and had come off it again by At: its use does not reach them
	// by what is fitted to it then, and is recorded of each.
	Taken []uuid.UUID
}
