package compliance

import (
	"slices"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// Ready is what a set's own limits and holds say of every window that begins no earlier than an instant: what a search reads instead of
// judging the set anew.
type Ready struct {
	Since time.Time
	OK    promise.Stretch // the first time from Since on for which the set may be handed out, as long as it lasts
	More  bool            // there are others, or what follows is not blocked by anything that a window would meet
	Left  promise.Left    // the least of every measure that limits hand-out from Since on, whatever excuses the unit
}

// ReadyOf works out from a set what holds from an instant on, after which nothing has happened to it. It asks due.Stand at every instant at
// which its answer may change, and knows no rules of its own. The set should have nothing of what people placed: holds of theirs come and go
// without the set being looked at again.
func ReadyOf(set *Set, since time.Time) Ready {
	r := Ready{Since: since, OK: promise.Stretch{None: true}}
	edges := edgesOf(set, since)
	ended := false
	for _, at := range edges {
		s := due.Stand(set.Self, set.Parts, at)
		ok, ruled := true, true
		for i := range s.Reasons {
			if s.Reasons[i].Blocks&due.HandOut != 0 {
				ok = false
				ruled = ruled && s.Reasons[i].Code == due.NoRule
			}
		}
		switch {
		case ok && r.OK.None:
			r.OK = promise.Stretch{From: at}
		case ok && ended:
			r.More = true
			return r.withLeft(set, since)
		case !ok && !r.OK.None && !ended:
			r.OK.Until, ended = at, true
			// That no rule covers the unit any more stands against a window that begins then, not against one that reaches into it.
			r.More = ruled
		}
	}
	return r.withLeft(set, since)
}

// edgesOf returns the instants from one on at which the standing of a set may change, in order, beginning with that one.
func edgesOf(set *Set, since time.Time) []time.Time {
	loc := set.Self.Stay.Zone
	if loc == nil {
		loc = time.UTC
	}
	edges := []time.Time{since}
	at := func(t time.Time) {
		if t.After(since) && t.Before(never) {
			edges = append(edges, t)
		}
	}
	first := civil.In(since, loc)
	day := func(d civil.Date) {
		if d >= first && d < lastDay {
			at(d.Start(loc))
		}
	}
	mark := func(m civil.Mark, after int) {
		if !m.IsZero() {
			day(m.First().AddDays(after))
		}
	}
	for _, d := range set.members() {
		at(d.Retired)
		mark(d.Commissioned, 0)
		for i := range d.Holds {
			at(d.Holds[i].Opened)
			at(d.Holds[i].Lifted)
		}
		for i := range d.Clocks {
			c := &d.Clocks[i]
			day(c.InForceFrom)
			mark(c.InForceUntil, 0)
			mark(c.DueOn, 1)
			mark(c.PhaseIn, 1)
			for _, w := range c.Waivers {
				day(w.From)
				day(w.To.AddDays(1))
			}
		}
	}
	slices.SortFunc(edges, time.Time.Compare)
	return slices.CompactFunc(edges, time.Time.Equal)
}

// never is later than any window.
var (
	never   = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)
	lastDay = civil.In(never, time.UTC)
)

// members returns what is derived of a set: the unit, and what is fitted to it.
func (s *Set) members() []*due.Derived {
	return append([]*due.Derived{s.Self}, s.Parts...)
}

// withLeft adds what is left before the limits that are in force at any time from an instant on.
func (r Ready) withLeft(set *Set, since time.Time) Ready {
	loc := set.Self.Stay.Zone
	if loc == nil {
		loc = time.UTC
	}
	on := civil.In(since, loc)
	r.Left.Sure = true
	for _, d := range set.members() {
		for i := range d.Clocks {
			c := &d.Clocks[i]
			if c.Rule.Blocks&due.HandOut == 0 || !c.InForceUntil.IsZero() && c.InForceUntil.First() <= on {
				continue
			}
			left := c.Left()
			if c.Limit != (due.Amount{}) {
				_, excused := c.Excused(on)
				r.Left.Sure = r.Left.Sure && c.InForceFrom <= on && c.InForceUntil.IsZero() && !excused && len(c.Waivers) == 0
			}
			if c.Limit.Dives > 0 {
				least(&r.Left.Dives, left.Dives)
			}
			if c.Limit.Hours > 0 {
				least(&r.Left.Hours, left.Hours)
			}
			if c.Limit.Fills > 0 {
				least(&r.Left.Fills, left.Fills)
			}
		}
	}
	return r
}

// least makes of what is left the lesser of it and another amount, which is never below zero.
func least[T int64 | time.Duration](have **T, left T) {
	if left = max(left, 0); *have == nil || left < **have {
		*have = &left
	}
}
