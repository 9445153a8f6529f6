package compliance

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// HoldQuery asks for holds, newest first.
type HoldQuery struct {
	Unit   uuid.UUID // only this unit's; zero for those of all living units
	Shop   string    // only of units at this shop; empty for all
	Lifted bool      // also those that are lifted
	At     time.Time // the present
	After  *HoldKey
	Limit  int
}

// HoldKey is the place of a hold in a list: newest first, then by unit and id backwards.
type HoldKey struct {
	Opened time.Time
	Unit   uuid.UUID
	ID     string
}

// HoldRow is a hold and the unit it is on.
type HoldRow struct {
	Hold    due.Hold
	Tag     string
	Kind    string
	Shop    string
	HostTag string
}
