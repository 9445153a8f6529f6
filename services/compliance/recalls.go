package compliance

import (
	"bytes"
	"cmp"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/services/compliance/due"
)

// RecallRecord is a recall as it is kept.
type RecallRecord struct {
	ID         string
	Body       []byte // as it was opened
	Releasable bool
	Opened     time.Time
	Opener     string
	Withdrawn  bool // how it ended: withdrawn, or closed
	Ended      time.Time
	Ender      string
	EndReason  string
}

// RecallProgress counts the units that a recall covers.
type RecallProgress struct{ Held, Remedied, Released, Retired int64 }

// RecallState is where a unit stands with a recall, as in the proto.
type RecallState uint8

// The states.
const (
	RecallHeld RecallState = iota + 1
	RecallRemedied
	RecallReleased
	RecallWithdrawn
	RecallRetired
	RecallCovered
)

// RecalledUnit is a unit that a recall covers.
type RecalledUnit struct {
	Unit                    uuid.UUID
	Tag, Serial, Kind, Shop string
	State                   RecallState
	Lifted                  time.Time
	Proof                   uuid.UUID
	Lifter, LiftReason      string
}

// Key returns the place of a unit in a list.
func (u *RecalledUnit) Key() RecalledKey { return RecalledKey{u.Shop, u.Tag, u.Unit} }

// RecalledKey is the place of a unit in a list: by shop, asset tag and id.
type RecalledKey struct {
	Shop, Tag string
	Unit      uuid.UUID
}

// RecalledQuery asks for the units of a recall.
type RecalledQuery struct {
	Recall string
	Held   bool   // only those that are held
	Shop   string // only those of this shop; empty for all
	At     time.Time
	After  *RecalledKey
	Limit  int
}

// RecallQuery asks for recalls, the last opened first.
type RecallQuery struct {
	Ended bool // also those that were closed or withdrawn
	After *RecallKey
	Limit int
}

// RecallKey is the place of a recall in a list.
type RecallKey struct {
	Opened time.Time
	ID     string
}

// Standing puts what is kept of a recall's end into what is derived from it.
func (r *RecallRecord) Standing(d due.Recall) due.Recall {
	d.ID, d.Opened = r.ID, r.Opened
	if r.Withdrawn {
		d.Withdrawn, d.Withdrawer, d.WithdrawReason = r.Ended, r.Ender, r.EndReason
	}
	return d
}

// Compare orders lists of units: negative if k comes before o.
func (k RecalledKey) Compare(o RecalledKey) int {
	return cmp.Or(strings.Compare(k.Shop, o.Shop), strings.Compare(k.Tag, o.Tag), bytes.Compare(k.Unit[:], o.Unit[:]))
}

// CheckClose refuses to close a recall that holds units of the fleet: RECALL_UNITS_HELD.
func CheckClose(name string, p RecallProgress) error {
	if p.Held == 0 {
		return nil
	}
	return errs.New(errs.Precondition, "RECALL_UNITS_HELD",
		fmt.Sprintf("the recall still holds %d of the fleet's units; record their remedy, release or retire them, or withdraw the recall", p.Held),
		"recall", name, "heldCount", fmt.Sprint(p.Held))
}

// CheckRelease refuses to let a unit off a recall that does not hold it, RECALL_UNIT_NOT_HELD, or that only its remedy lifts,
// RECALL_NOT_RELEASABLE.
func CheckRelease(name string, r *RecallRecord, u *RecalledUnit) error {
	switch {
	case u.State != RecallHeld:
		return NotHeld(name, u)
	case !r.Releasable:
		return errs.New(errs.Precondition, "RECALL_NOT_RELEASABLE", "the recall says that only its remedy lifts it; record the remedy, or withdraw the recall", "recall", name, "unit", u.Unit.String())
	}
	return nil
}

// NotHeld is the error for a unit that is to be released from a recall which does not hold it.
func NotHeld(name string, u *RecalledUnit) error {
	return errs.New(errs.Precondition, "RECALL_UNIT_NOT_HELD", "the recall does not hold "+u.Tag+" now, so there is nothing to release it from", "recall", name, "unit", u.Unit.String())
}
