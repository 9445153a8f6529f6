package compliance

import (
	"time"

	"strandline.example/strandline/internal/civil"
)

// Counts counts units of the fleet.
type Counts struct {
	Units         int64
	Fitted        int64 // handed out only with the unit they are fitted to
	Ready         int64 // may be handed out, standing alone
	Pulled        int64 // with an open hold, of their own or of a part
	OverdueByDate int64 // past a limit by date, of their own
	DueByUsage    int64 // at or past a limit by usage, of their own
	DueWithin     int64 // not past it, with a date limit within the horizon
}

// Add adds other counts.
func (c *Counts) Add(o Counts) {
	c.Units += o.Units
	c.Fitted += o.Fitted
	c.Ready += o.Ready
	c.Pulled += o.Pulled
	c.OverdueByDate += o.OverdueByDate
	c.DueByUsage += o.DueByUsage
	c.DueWithin += o.DueWithin
}

// CountKey is what units are counted by.
type CountKey struct{ Shop, Kind string }

// Count counts one set at an instant: all zero if it is not in the fleet then.
func Count(s *Set, at time.Time, horizon int) (c Counts) {
	if !InFleet(s.Self, at) {
		return c
	}
	st := s.Stand(at)
	c.Units = 1
	if st.Fitted() {
		c.Fitted = 1
	}
	if st.MayHandOut {
		c.Ready = 1
	}
	if len(st.Holds) > 0 {
		c.Pulled = 1
	}
	for _, k := range st.Clocks {
		if k.Unit != s.Unit {
			continue
		}
		if k.DueOn != (civil.Mark{}) {
			switch last := k.DueOn.First(); {
			case last < st.On:
				c.OverdueByDate = 1
			case last <= st.On.AddDays(horizon):
				c.DueWithin = 1
			}
		}
		if _, spent, _, _ := UsageOf(k); spent {
			c.DueByUsage = 1
		}
	}
	if c.OverdueByDate == 1 {
		c.DueWithin = 0
	}
	return c
}
