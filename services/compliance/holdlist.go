package compliance

import (
	"bytes"
	"cmp"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// HoldQuery asks for holds, newest first.
type HoldQuery struct {
	Unit   uuid.UUID // only this unit's; zero for those of all living units
	Shop   string    // only of units at this shop; empty for all
	Lifted bool      // also those that are lifted
	At     time.Time // the present, or with Past the instant asked about
	Past   bool      // as they were at that instant: what came later does not count
	Known  time.Time // with Past, only what was recorded by then counts; zero for all
	After  *HoldKey
	Limit  int
}

// HoldKey is the place of a hold in a list: newest first, then by unit and id backwards.
type HoldKey struct {
	Opened time.Time
	Unit   uuid.UUID
	ID     string
}

// Key returns the place of a hold in a list.
func (r *HoldRow) Key() HoldKey {
	return HoldKey{Opened: r.Hold.Opened, Unit: r.Hold.Unit, ID: r.Hold.ID}
}

// Compare orders lists of holds: negative if k comes before o.
func (k HoldKey) Compare(o HoldKey) int {
	return -cmp.Or(k.Opened.Compare(o.Opened), bytes.Compare(k.Unit[:], o.Unit[:]), strings.Compare(k.ID, o.ID))
}

// HoldRow is a hold and the unit it is on.
type HoldRow struct {
	Hold    due.Hold
	Tag     string
	Kind    string
	Shop    string
	HostTag string
}
