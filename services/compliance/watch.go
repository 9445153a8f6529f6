package compliance

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// WatchedUnit is a unit as far as promises depend on it, with what is fitted to it, without what was promised.
type WatchedUnit struct {
	Unit       uuid.UUID
	Tag        string
	Kind       string
	Size       string
	Shop       string
	Host       uuid.UUID // zero if it stands alone
	Retired    bool
	MayHandOut bool
	Reasons    []due.Code // why not, each once, sorted
	UseBy      civil.Mark // last day of use, that of what excuses it from a limit too; zero without one
	Dives      *int64     // left before a limit; nil without one
	Hours      *time.Duration
	Fills      *int64
}

// Watched returns what a set is told as at an instant to those who watch.
func Watched(s *Set, at time.Time) WatchedUnit {
	on := due.Stand(s.Self, nil, at).On
	w := WatchedUnit{
		Unit: s.Unit, Tag: s.Tag, Kind: s.Kind, Size: s.Size, Shop: s.Self.Stay.Shop, Host: s.Self.Host,
		Retired: !s.Self.Retired.IsZero() && !at.Before(s.Self.Retired),
	}
	// Nothing is due any more of what is condemned or has left the fleet.
	gone := map[uuid.UUID]bool{}
	for _, d := range s.members() {
		gone[d.Unit] = Condemned(d, at) || !d.Retired.IsZero() && !at.Before(d.Retired)
	}
	for _, r := range s.Stand(at).Reasons {
		if r.Blocks&due.HandOut != 0 && !(gone[r.Unit] && (r.Clock != nil || r.Code == due.NoRule)) {
			w.Reasons = append(w.Reasons, r.Code)
		}
	}
	if s.Latest != nil {
		w.Reasons = append(w.Reasons, s.Latest.opening(at)...)
	}
	slices.Sort(w.Reasons)
	w.Reasons = slices.Compact(w.Reasons)
	w.MayHandOut = len(w.Reasons) == 0
	for _, d := range s.members() {
		if gone[d.Unit] {
			continue
		}
		for i := range d.Clocks {
			w.limit(d, &d.Clocks[i], on)
		}
	}
	return w
}

// opening returns the codes of holds that open only after an instant, because a clock of whoever reported was ahead: they count at once.
func (s *Set) opening(at time.Time) (out []due.Code) {
	for _, d := range s.members() {
		for i := range d.Holds {
			h := &d.Holds[i]
			if h.Opened.After(at) && h.Lifted.IsZero() && h.Blocks&due.HandOut != 0 && (h.Cause != due.CauseMissingHistory || h.Rule == "") {
				code := due.HoldOpen
				if h.Cause == due.CauseCondemned {
					code = due.UnitCondemned
				}
				out = append(out, code)
			}
		}
	}
	return out
}

// Condemned says whether a unit is condemned at an instant.
func Condemned(d *due.Derived, at time.Time) bool {
	return slices.ContainsFunc(d.Holds, func(h due.Hold) bool { return h.Cause == due.CauseCondemned && h.OpenAt(at) })
}

// limit takes in what one clock of a member leaves on a day.
func (w *WatchedUnit) limit(d *due.Derived, c *due.Clock, on civil.Date) {
	if c.Rule.Blocks&due.HandOut == 0 || !c.InForceUntil.IsZero() && c.InForceUntil.First() <= on {
		return
	}
	dated := *c // without what depends on use to come
	dated.ExpectedOn = civil.Mark{}
	if !blocksByDate(d, c) {
		dated.DueOn = civil.Mark{}
	}
	var last civil.Date
	switch first := dated.BlocksFrom(on); {
	case first.IsZero():
	case first.First() > on:
		last = first.First() - 1
	case !dated.DueOn.IsZero() && dated.DueOn.First() < on:
		last = dated.DueOn.First() // it is past
	}
	if last != 0 && (w.UseBy.IsZero() || last < w.UseBy.First()) {
		w.UseBy = civil.Day(last)
	}
	if _, excused := c.Excused(on); excused || !c.InForce(on) {
		return
	}
	left := c.Left()
	if c.Limit.Dives > 0 {
		least(&w.Dives, left.Dives)
	}
	if c.Limit.Hours > 0 {
		least(&w.Hours, left.Hours)
	}
	if c.Limit.Fills > 0 {
		least(&w.Fills, left.Fills)
	}
}

// blocksByDate says whether a unit may not be handed out once the date of a clock has passed.
func blocksByDate(d *due.Derived, c *due.Clock) bool {
	filledBefore := c.Rule.HandOutIfFilledBefore && !c.Rule.EndOfLife && !d.LastFill.IsZero() && due.Stand(d, nil, d.LastFill).On <= c.DueOn.First()
	return !filledBefore
}

// ChangesAgain returns the first instant after another at which time alone may change what is told of a unit, as part of a set too; zero if
// there is none. It may name one at which nothing changes. Settled is when something last happened to the unit.
func ChangesAgain(d *due.Derived, settled, after time.Time) (next time.Time) {
	at := func(t time.Time) {
		if t.After(after) && (next.IsZero() || t.Before(next)) {
			next = t
		}
	}
	zone := d.Stay.Zone
	if zone == nil {
		zone = time.UTC
	}
	day := func(on civil.Date) { at(on.Start(zone).UTC()) }
	at(settled)
	at(d.Retired)
	if !d.Commissioned.IsZero() {
		day(d.Commissioned.First())
	}
	for i := range d.Holds {
		at(d.Holds[i].Opened)
		at(d.Holds[i].Lifted)
	}
	for i := range d.Clocks {
		c := &d.Clocks[i]
		day(c.InForceFrom)
		if !c.InForceUntil.IsZero() {
			day(c.InForceUntil.First())
		}
		if !c.DueOn.IsZero() {
			day(c.DueOn.First() + 1)
		}
		if !c.PhaseIn.IsZero() {
			day(c.PhaseIn.First() + 1)
		}
		for _, w := range c.Waivers {
			day(w.From)
			day(w.To + 1)
		}
	}
	return next
}
