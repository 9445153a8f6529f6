package due

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// Counted is a use as it counts for a unit.
type Counted struct {
	Entry, Unit uuid.UUID // Unit is the one the entry is of: the unit itself, or what it was fitted to
	At          time.Time
	On          civil.Date // at the unit's shop
	Amount      Amount
	Estimated   bool
	Metered     bool // the difference between two readings
}

// Uses returns every use that in.Unit went through, in the order they happened, itself or as a part; at and known as in Derive.
// Running time is not weighed.
func Uses(in Input, at, known time.Time) []Counted {
	return CountedBy(in, at, known, &Clock{Rule: &Rule{}})
}

// CountedBy returns the uses that a clock of in.Unit counts, in the order they happened: those since its anchor, with running time as
// its rule weighs it.
func CountedBy(in Input, at, known time.Time, c *Clock) []Counted {
	e := engines.Get().(*engine)
	defer engines.Put(e)
	e.in, e.at, e.known = &in, at, known
	defer e.forget()
	d := Derived{Unit: in.Unit}
	for i := range in.Units {
		if in.Units[i].Unit == in.Unit {
			e.facts = &in.Units[i]
		}
	}
	if e.facts == nil {
		return nil
	}
	e.indexFittings()
	e.collect(&d)
	e.measure(&d)
	first := e.firstSince(c.AnchorOccurred)
	out := make([]Counted, 0, len(e.uses)-first)
	for i := first; i < len(e.uses); i++ {
		u := &e.uses[i]
		n := Counted{Entry: u.entry, Unit: u.unit, At: u.at, On: dateAt(e.facts.Stays, u.at), Amount: u.amount, Estimated: u.estimated, Metered: u.metered}
		n.Amount.Hours = c.Rule.weigh(u)
		out = append(out, n)
	}
	return out
}
