package history

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// Lot is parts of one make and batch. It is registered once and does not change.
type Lot struct {
	ID        string     // chosen by people
	Part      string     // id of the part, as procedures call it; empty for a kit
	Title     string     // what it is, for people
	LotNumber string     // the maker's, as printed on the bag
	Supplier  string     // who supplied it
	Expires   civil.Mark // last day, or month, of its shelf life; the zero Mark if it has none
	Quantity  int64      // how many parts came; 0 if nobody counted
	Recorder  string     // who registered it
	Created   time.Time  // to the microsecond
}

// PartUse says that parts of a lot went into a unit, or came out again. It follows from one entry of the ledger.
type PartUse struct {
	Sequence int64 // of the entry
	Entry    uuid.UUID
	Unit     uuid.UUID
	Order    uuid.UUID // in which
	Lot      string    // id
	Part     string    // id of the part, as the order's procedure calls it
	Count    int       // how many went in; below zero: came out, or never went in because the event was withdrawn. Never 0
	Occurred time.Time // to the microsecond
}
