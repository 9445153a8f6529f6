package due

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
)

// Recall is a notice about some units, a maker's or an authority's: whatever unit it covers is held from when it was opened until the unit
// was remedied, whenever the unit came into the fleet.
type Recall struct {
	ID         string // [a-z0-9-]{1,40}
	Title      string
	Scope      Scope    // asked of the unit at the shop where it is
	Lots       []string // ids of lots; with any, only units that parts of one were put into
	Blocks     Use
	RemediedBy []string  // activities any of which, passed strictly after Opened, is the remedy; empty while there is none
	Opened     time.Time // also when it was recorded

	Withdrawn      time.Time // zero while it stands; then no unit is held by it any more
	Withdrawer     string
	WithdrawReason string
}

// Release says that a person let a unit off a recall that it is not remedied for.
type Release struct {
	Recall   string
	Unit     uuid.UUID
	Released time.Time // also when it was recorded
	Releaser string
	Reason   string
}

// RecallHold returns the id of the hold of a recall, which is that of the hold on every unit.
func RecallHold(id string) string { return "recall-" + id }

// Covers says whether the recall is about a unit, at the shop where the unit is, with the parts that were put into it.
func (r *Recall) Covers(f *Facts, uses []LotUse) bool {
	s := LastStay(f)
	return r.covers(f, &s, uses)
}

func (r *Recall) covers(f *Facts, at *Stay, uses []LotUse) bool {
	return (len(r.Lots) == 0 || slices.ContainsFunc(uses, func(u LotUse) bool { return slices.Contains(r.Lots, u.Lot) })) && r.Scope.covers(f, at)
}

// LastStay returns where a unit is.
func LastStay(f *Facts) (s Stay) {
	if last := stayAt(f.Stays, forever); last != nil {
		s = *last
	}
	return s
}

// recalls opens a hold for every recall that covers the unit, and lifts it with the first of its remedy, its release and its withdrawal.
func (e *engine) recalls(d *Derived) {
	var uses []LotUse
	if slices.ContainsFunc(e.in.Recalls, func(r Recall) bool { return len(r.Lots) > 0 }) {
		uses = lotUses(e.events, e.in.Unit)
	}
	for i := range e.in.Recalls {
		r := &e.in.Recalls[i]
		if !e.happened(r.Opened) || !e.wasKnown(r.Opened) || !r.covers(e.facts, &d.Stay, uses) {
			continue
		}
		h := Hold{ID: RecallHold(r.ID), Unit: d.Unit, Cause: CauseRecall, Reason: fmt.Sprintf("Recalled: %s.", r.Title) + r.lotsText(uses), Blocks: r.Blocks, Opened: r.Opened, ClearedBy: r.RemediedBy}
		if p := e.remedy(r); p != nil {
			h.Lifted, h.Proof = p.occurred, p.entry
		}
		lift := func(at time.Time, by, reason string) {
			if !at.IsZero() && e.happened(at) && e.wasKnown(at) && (h.Lifted.IsZero() || at.Before(h.Lifted)) {
				h.Lifted, h.Proof, h.Lifter, h.LiftReason = at, uuid.UUID{}, by, reason
			}
		}
		for j := range e.in.Releases {
			if l := &e.in.Releases[j]; l.Recall == r.ID && l.Unit == d.Unit {
				lift(l.Released, l.Releaser, l.Reason)
			}
		}
		lift(r.Withdrawn, r.Withdrawer, r.WithdrawReason)
		d.Holds = append(d.Holds, h)
	}
}

// remedy returns the first remedy of the unit, nil for none.
func (e *engine) remedy(r *Recall) *performance {
	for i := range e.passes {
		p := &e.passes[i]
		if p.occurred.After(r.Opened) && slices.ContainsFunc(p.activities, func(a string) bool { return slices.Contains(r.RemediedBy, a) }) {
			return p
		}
	}
	return nil
}
