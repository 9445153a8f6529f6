package due

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// Stand returns what a unit may be used for at an instant. Parts are what is fitted to it then, directly or through other
// parts, each derived for the same instant: whatever blocks a part blocks the unit. The day is that of the unit's own zone, for
// its parts too. self and the parts must have been derived for that instant, or for all time with nothing having happened
// to them since.
func Stand(self *Derived, parts []*Derived, at time.Time) Standing {
	s := Standing{Unit: self.Unit, At: at, On: self.on(at), Stay: self.Stay, Host: self.Host}
	n := len(self.Clocks)
	for _, p := range parts {
		n += len(p.Clocks)
	}
	s.Clocks = make([]*Clock, 0, n)
	s.add(self, false)
	if len(parts) > 0 {
		s.Parts = make([]uuid.UUID, len(parts))
	}
	for i, p := range parts {
		s.Parts[i] = p.Unit
		s.add(p, true)
	}
	s.MayHandOut, s.MayFill = true, true
	for i := range s.Reasons {
		s.MayHandOut = s.MayHandOut && s.Reasons[i].Blocks&HandOut == 0
		s.MayFill = s.MayFill && s.Reasons[i].Blocks&Fill == 0
	}
	return s
}

// on returns the civil date of an instant where the unit is.
func (d *Derived) on(at time.Time) civil.Date { return civil.In(at, d.Stay.zone()) }

// add adds what a unit contributes to a standing: its own, or that of the unit it is fitted to.
func (s *Standing) add(d *Derived, part bool) {
	on := s.On
	clocks := len(s.Clocks)
	for i := range d.Clocks {
		if c := &d.Clocks[i]; c.InForce(on) {
			s.Clocks = append(s.Clocks, c)
			s.State = max(s.State, c.State(on))
			for _, caution := range c.Pack.Cautions {
				if !slices.Contains(s.Cautions, caution) {
					s.Cautions = append(s.Cautions, caution)
				}
			}
		}
	}
	no := func(r Reason) {
		r.Unit, r.On = d.Unit, on
		s.Reasons = append(s.Reasons, r)
	}
	if !d.Retired.IsZero() && !s.At.Before(d.Retired) {
		no(Reason{Code: Retired, Blocks: HandOut | Fill})
	}
	if !d.Commissioned.IsZero() && on < d.Commissioned.First() {
		no(Reason{Code: NotYetCommissioned, Blocks: HandOut | Fill})
	}
	if !part && s.Fitted() {
		no(Reason{Code: FittedElsewhere, Blocks: HandOut, Host: d.Host})
	}
	if !part && !s.Fitted() && len(s.Clocks) == clocks {
		no(Reason{Code: NoRule, Blocks: HandOut | Fill})
	}
	for i := range d.Holds {
		h := &d.Holds[i]
		if !h.OpenAt(s.At) {
			continue
		}
		s.Holds = append(s.Holds, h)
		if h.Cause != CauseMissingHistory || h.Rule == "" { // otherwise its clock says so
			no(Reason{Code: h.code(), Blocks: h.Blocks, Hold: h})
		}
	}
	for _, c := range s.Clocks[clocks:] {
		s.Reasons = c.reasons(s.Reasons, d, s.At, on)
	}
}

// Fitted says whether the unit is fitted to another.
func (s *Standing) Fitted() bool { return s.Host != uuid.UUID{} }

func (h *Hold) code() Code {
	switch h.Cause {
	case CauseCondemned:
		return UnitCondemned
	case CauseMissingHistory:
		return MissingHistory
	}
	return HoldOpen
}

// reasons appends why the clock blocks its unit at an instant of a day.
func (c *Clock) reasons(out []Reason, d *Derived, at time.Time, on civil.Date) []Reason {
	no := func(r Reason) {
		r.Unit, r.On, r.Clock = d.Unit, on, c
		if r.Code != MissingHistory && c.Rule.EndOfLife {
			r.Code = EndOfLife
		}
		out = append(out, r)
	}
	if _, ok := c.Excused(on); ok {
		return out
	}
	if c.AnchorDate.IsZero() {
		no(Reason{Code: MissingHistory, Blocks: c.Rule.Blocks, Hold: d.missingHold(c, at)})
		return out
	}
	if c.datePassed(on) {
		if blocks := c.dateBlocks(d); blocks != 0 {
			no(Reason{Code: DateLimitPassed, Blocks: blocks})
		}
	}
	for _, m := range measures {
		if c.usedUp(m) {
			no(Reason{Code: UsageLimitReached, Blocks: c.Rule.Blocks, Measure: m})
		}
	}
	return out
}

// dateBlocks returns what the clock blocks once its date limit has passed. Where the rule says so, a unit that was last
// filled on or before its last day may still be handed out; one that was never filled may not.
func (c *Clock) dateBlocks(d *Derived) Use {
	if c.Rule.HandOutIfFilledBefore && !c.Rule.EndOfLife && !d.LastFill.IsZero() && d.on(d.LastFill) <= c.DueOn.First() {
		return c.Rule.Blocks &^ HandOut
	}
	return c.Rule.Blocks
}

func (d *Derived) missingHold(c *Clock, at time.Time) *Hold {
	for i := range d.Holds {
		if h := &d.Holds[i]; h.Cause == CauseMissingHistory && h.Rule == c.Rule.ID && h.Pack == c.Pack.ID && h.OpenAt(at) {
			return h
		}
	}
	return nil
}

// Window returns why a unit may not be handed out for a window, from start until just before end, in which it is expected to
// be used so much; nothing if it may. Beyond what blocks it at the start, no date limit may come before the return day (the
// civil date of end), each usage limit must leave what is expected, and nothing that opens, begins or ends within the window
// may stand against it. A part goes through what its host goes through.
func Window(self *Derived, parts []*Derived, start, end time.Time, expected Amount) []Reason {
	s := Stand(self, parts, start)
	out := slices.DeleteFunc(s.Reasons, func(r Reason) bool { return r.Blocks&HandOut == 0 })
	last := self.on(end)
	out = self.within(out, start, end, s.On, last, expected)
	for _, p := range parts {
		out = p.within(out, start, end, s.On, last, expected)
	}
	return out
}

// within appends the reasons against a window, which goes from a first day to a last, that do not already stand against its
// start.
func (d *Derived) within(out []Reason, start, end time.Time, first, last civil.Date, expected Amount) []Reason {
	no := func(r Reason) {
		r.Unit, r.On = d.Unit, last
		if r.Blocks &= HandOut; r.Blocks != 0 {
			out = append(out, r)
		}
	}
	if !d.Retired.IsZero() && start.Before(d.Retired) && d.Retired.Before(end) {
		no(Reason{Code: Retired, Blocks: HandOut})
	}
	for i := range d.Holds {
		h := &d.Holds[i]
		if h.Opened.After(start) && h.Opened.Before(end) && (h.Cause != CauseMissingHistory || h.Rule == "") {
			no(Reason{Code: h.code(), Blocks: h.Blocks, Hold: h})
		}
	}
	for i := range d.Clocks {
		c := &d.Clocks[i]
		if c.InForceFrom > last || !c.InForceUntil.IsZero() && c.InForceUntil.First() <= first {
			continue
		}
		until := last // the last day within the window on which the clock is in force
		if !c.InForceUntil.IsZero() {
			until = min(until, c.InForceUntil.First()-1)
		}
		bound, ok := c.bound(max(first, c.InForceFrom), until) // the first day on which nothing excuses the unit
		if !ok {
			continue
		}
		begun := c.InForce(first) && bound == first // what blocks it then stands against the start already
		if c.AnchorDate.IsZero() {
			if !begun {
				no(Reason{Code: MissingHistory, Blocks: c.Rule.Blocks, Clock: c})
			}
			continue
		}
		if !c.DueOn.IsZero() && !(begun && c.datePassed(first)) {
			if _, ok := c.bound(max(bound, c.DueOn.First()+1), until); ok {
				no(Reason{Code: DateLimitBeforeReturn, Blocks: c.dateBlocks(d), Clock: c})
			}
		}
		for _, m := range measures {
			switch limit, want := c.Limit.of(m), expected.of(m); {
			case c.usedUp(m):
				if !begun {
					no(Reason{Code: UsageLimitReached, Blocks: c.Rule.Blocks, Clock: c, Measure: m})
				}
			case limit > 0 && limit-c.Used.of(m) < want:
				no(Reason{Code: UsageLeftTooLittle, Blocks: c.Rule.Blocks, Clock: c, Measure: m, Expected: want})
			}
		}
	}
	return out
}
