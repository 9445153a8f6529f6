package chainview

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// Unit is a unit that stands alone, with all that is fitted to it.
type Unit struct {
	*promise.Unit
	Commissioned civil.Mark // zero if not known
	Holds        []Open     // that block hand-out, beside those that people placed
	Clocks       []Clock    // as far as they may block hand-out within the view, or are near to
	ReadyOn      *Days      // days on which it is ready, where its stretch does not tell all of them; nil if it does
}

// Open is when a hold is open: from From until just before Until, which is zero for without end.
type Open struct{ From, Until time.Time }

// Clock is a clock as far as the days depend on it on which it blocks hand-out.
type Clock struct {
	From, To    civil.Date // the days on which it is in force, both included
	Excused     []Span     // days on which it leaves the unit alone
	Missing     bool       // nothing says from when to count
	DueOn       civil.Mark // last day of use; zero for none
	Lead        int        // days before it on which it is due soon
	DateBlocks  bool       // hand-out is blocked once the date has passed
	UsageBlocks bool       // hand-out is blocked once a usage limit is reached
	Spent       bool       // one is
	UsageSoon   bool       // one is near
}

// Span is dates from First to Last, both included.
type Span struct{ First, Last civil.Date }

// States are the days on which a unit is so. A unit is pulled, overdue or due soon on a day if it is so at any time of it, the first that
// applies, and ready if it may be handed out all day long as far as limits and holds go. Pulled is also what is not ready for no limit and no hold: what
// no rule covers, or a part of which has left the fleet. So no unit of the fleet is left out, but on the day on which it leaves it.
type States struct{ Ready, Pulled, Overdue, Soon, Fleet Days }

// StatesOn works out the days of a unit at its shop.
func (u *Unit) StatesOn(c *Calendar) States {
	s := u.inFleet(c)
	switch {
	case u.ReadyOn != nil:
		s.Ready = *u.ReadyOn
	case !u.OK.None:
		s.Ready = c.Within(u.OK.From, u.OK.Until)
	}
	for _, h := range u.Holds {
		until := h.Until
		if !u.Retired.IsZero() && (until.IsZero() || u.Retired.Before(until)) {
			until = u.Retired
		}
		s.Pulled = s.Pulled.Or(c.Touched(h.From, until))
	}
	for i := range u.Clocks {
		u.Clocks[i].into(&s, c)
	}
	return s.settle(u.Unit, c)
}

// settle sees that what people placed counts, that each day is told once, and that only days in the fleet are.
func (s States) settle(u *promise.Unit, c *Calendar) States {
	if u.Held {
		s.Ready, s.Pulled = Days{}, c.All()
	}
	s.Ready, s.Pulled = s.Ready.And(s.Fleet), s.Pulled.And(s.Fleet)
	s.Overdue = s.Overdue.And(s.Fleet).Less(s.Pulled)
	left := Days{}
	if !u.Retired.IsZero() {
		left = c.Touched(u.Retired, u.Retired.Add(1))
	}
	s.Pulled = s.Pulled.Or(s.Fleet.Less(s.Ready).Less(s.Overdue).Less(left))
	s.Soon = s.Soon.And(s.Fleet).Less(s.Pulled).Less(s.Overdue)
	return s
}

func (u *Unit) inFleet(c *Calendar) (s States) {
	s.Fleet = c.Touched(c.Starts[0], u.Retired)
	if !u.Commissioned.IsZero() && u.Commissioned.First() > c.First {
		s.Fleet = s.Fleet.And(c.Dates(u.Commissioned.First(), c.Date(c.last())))
	}
	return s
}

// into adds the days of a clock.
func (k *Clock) into(s *States, c *Calendar) {
	force := c.Dates(k.From, k.To)
	blocks := force
	for _, e := range k.Excused {
		blocks = blocks.Less(c.Dates(e.First, e.Last))
	}
	if k.Missing {
		if k.UsageBlocks {
			s.Pulled = s.Pulled.Or(blocks)
		}
		return
	}
	end := c.Date(c.last())
	if !k.DueOn.IsZero() {
		last := k.DueOn.First()
		if k.DateBlocks {
			s.Overdue = s.Overdue.Or(blocks.And(c.Dates(last+1, end)))
		}
		s.Soon = s.Soon.Or(force.And(c.Dates(last.AddDays(-k.Lead), last)))
	}
	if k.UsageBlocks && k.Spent {
		s.Overdue = s.Overdue.Or(blocks)
	}
	if k.UsageSoon {
		s.Soon = s.Soon.Or(force)
	}
}

// Promise is a live allocation.
type Promise struct {
	ID, Unit uuid.UUID
	Shop     string // that hands it out
	Kind     string
	Size     string // that was asked for; empty for any
	promise.Window
	Expected due.Amount
	Out      bool // it has been handed out
	Pinned   bool // this very unit was asked for
	Conflict bool // it cannot be kept as things are
}

// days returns the days on which a promise takes its unit. One that is out begins with the view, and one that should have been brought back by then has no end.
func (w *Promise) days(c *Calendar) Days { return busy(w.Window, w.Out, c) }

func busy(w promise.Window, out bool, c *Calendar) Days {
	at := c.Starts[0]
	switch {
	case out && !w.End.After(at):
		return c.All()
	case out:
		return c.Touched(at, w.End)
	}
	return c.Touched(w.Start, w.End)
}
