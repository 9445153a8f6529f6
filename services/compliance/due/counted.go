package due

import (
	"slices"
	"sort"
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
	t := Tallied(in, at, known)
	out := make([]Counted, 0, len(t.uses))
	for i := t.firstSince(c.AnchorOccurred); i < len(t.uses); i++ {
		out = append(out, t.counted(i, c.Rule))
	}
	return out
}

// Tally is what a unit went through, to be asked what each of its clocks counts. It is for one goroutine.
type Tally struct {
	uses  []use
	stays []Stay
	of    [1 << len(measures)][]int32 // by set of measures: which uses have any of them; nil if not asked for yet
}

// Tallied returns the tally of in.Unit; at and known as in Derive.
func Tallied(in Input, at, known time.Time) *Tally {
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
		return &Tally{}
	}
	e.indexFittings()
	e.collect(&d)
	e.measure(&d)
	return &Tally{uses: slices.Clone(e.uses), stays: e.facts.Stays}
}

// Against returns the latest uses that count against the usage limits of a clock of the unit, latest first, and how many earlier
// ones there are; none for a clock without a usage limit. Running time is as the rule weighs it.
func (t *Tally) Against(c *Clock, most int) (latest []Counted, omitted int) {
	set := 0
	for i, m := range measures {
		if c.Limit.of(m) > 0 {
			set |= 1 << i
		}
	}
	if set == 0 {
		return nil, 0
	}
	all := t.having(set)
	first := int32(t.firstSince(c.AnchorOccurred))
	all = all[sort.Search(len(all), func(i int) bool { return all[i] >= first }):]
	omitted = max(0, len(all)-most)
	latest = make([]Counted, 0, len(all)-omitted)
	for i := len(all) - 1; i >= omitted; i-- {
		latest = append(latest, t.counted(int(all[i]), c.Rule))
	}
	return latest, omitted
}

// Of returns the unit that the entry of a use is of, which may be one that the unit was fitted to; zero if it is no use of the unit.
func (t *Tally) Of(entry uuid.UUID) uuid.UUID {
	for i := len(t.uses) - 1; i >= 0; i-- {
		if t.uses[i].entry == entry {
			return t.uses[i].unit
		}
	}
	return uuid.UUID{}
}

// having returns which uses have any measure of a set.
func (t *Tally) having(set int) []int32 {
	if t.of[set] == nil {
		out := make([]int32, 0, len(t.uses))
		for i := range t.uses {
			for k, m := range measures {
				if set&(1<<k) != 0 && t.uses[i].amount.of(m) > 0 {
					out = append(out, int32(i))
					break
				}
			}
		}
		t.of[set] = out
	}
	return t.of[set]
}

// firstSince is engine.firstSince.
func (t *Tally) firstSince(from time.Time) int {
	e := engine{uses: t.uses}
	return e.firstSince(from)
}

func (t *Tally) counted(i int, r *Rule) Counted {
	u := &t.uses[i]
	out := Counted{Entry: u.entry, Unit: u.unit, At: u.at.Time(), On: dateAt(t.stays, u.at.Time()), Amount: u.amount, Estimated: u.estimated, Metered: u.metered}
	out.Amount.Hours = r.weigh(u)
	return out
}
