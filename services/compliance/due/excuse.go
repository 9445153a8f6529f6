package due

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// phaseIn works out until when a rule that is new or tighter leaves a unit alone that was in the fleet before it, and moves its last
// day of use there if that is later. It never frees a unit that the rule as it was before blocks. Law and ends of life are never
// phased in. others are the clocks of the unit so far, those of earlier revisions among them; none while only a last day in the past is
// looked for.
func (e *engine) phaseIn(c *Clock, rev int, others []Clock) {
	r := c.Rule
	if r.phaseInDays() <= 0 {
		return
	}
	start, other := e.since(rev, r)
	since := e.facts.Commissioned
	known := !c.AnchorDate.IsZero()
	if known && c.AnchorDate.First() >= start || !known && since.IsZero() || !since.IsZero() && since.First() >= start {
		return // the work, or the unit, came after the rule; or nothing tells which came first
	}
	day := phaseDay(start, r, e.in.Unit)
	if other >= 0 {
		if day = min(day, e.freeUntil(c, other, others)); day < start {
			return
		}
	}
	switch late := !c.DueOn.IsZero() && c.DueOn.First() < day; {
	case late:
		c.PhaseIn = civil.Day(day)
		c.DueOn = c.PhaseIn
	case !known || c.Limit != (Amount{}):
		c.PhaseIn = civil.Day(day)
	}
}

// freeUntil returns the last day on which the rule, as an earlier revision has it, does not block the unit of a clock. Without that
// revision's clock among others it is counted from what the clock itself counts from.
func (e *engine) freeUntil(c *Clock, rev int, others []Clock) civil.Date {
	before := e.revisions[rev].pack.rule(c.Rule.ID)
	for i := range others {
		if others[i].Rule == before {
			return others[i].freeUntil()
		}
	}
	was := Clock{
		Unit: c.Unit, Pack: e.revisions[rev].pack, Rule: before, AnchorEntry: c.AnchorEntry, AnchorActivity: c.AnchorActivity,
		AnchorDate: c.AnchorDate, AnchorOccurred: c.AnchorOccurred, AnchorExpiry: c.AnchorExpiry,
	}
	if c.AnchorActivity == "" || before.EndOfLife {
		was = Clock{Unit: c.Unit, Pack: was.Pack, Rule: before}
		e.begin(&was)
	}
	e.limit(&was)
	e.phaseIn(&was, rev, nil)
	was.Used, _ = e.usedSince(before, was.AnchorOccurred)
	return was.freeUntil()
}

// freeUntil returns the last day on which the clock does not block its unit, waivers aside.
func (c *Clock) freeUntil() civil.Date {
	switch blocked := c.AnchorDate.IsZero() || slices.ContainsFunc(measures[:], c.usedUp); {
	case blocked && c.PhaseIn.IsZero():
		return math.MinInt32
	case blocked:
		return c.PhaseIn.First()
	case c.DueOn.IsZero():
		return math.MaxInt32
	}
	return c.DueOn.First()
}

// phaseDay returns the unit's own day within a phase-in that begins on a day.
func phaseDay(start civil.Date, r *Rule, unit uuid.UUID) civil.Date {
	const offset, prime = 14695981039346656037, 1099511628211 // FNV-1a, 64 bits
	h := uint64(offset)
	for _, b := range unit {
		h = (h ^ uint64(b)) * prime
	}
	for _, s := range [...]string{r.Pack, "/", r.ID} {
		for i := range len(s) {
			h = (h ^ uint64(s[i])) * prime
		}
	}
	return start.AddDays(int(h % uint64(r.PhaseInDays)))
}

// since returns from when the rule has been there for the unit, at least as tight as it is now and phased in over at least as many
// days: the first day of the unbroken run of revisions that say so. other is the revision before that run if it has the rule too, and
// -1 otherwise.
func (e *engine) since(rev int, r *Rule) (start civil.Date, other int) {
	start = e.revisions[rev].from
	for i := rev - 1; i >= 0 && e.revisions[i].pack.ID == e.revisions[rev].pack.ID; i-- {
		before := e.revisions[i].pack.rule(r.ID)
		switch {
		case before == nil || !before.Scope.covers(e.facts, &e.stay):
			return start, -1
		case !before.asTightAs(r) || before.phaseInDays() < r.phaseInDays():
			return start, i
		}
		start = e.revisions[i].from
	}
	return start, -1
}

// phaseInDays returns over how many days the rule is phased in, 0 for at once.
func (r *Rule) phaseInDays() int {
	if r.Authority == Law || r.EndOfLife {
		return 0
	}
	return r.PhaseInDays
}

func (p *Pack) rule(id string) *Rule {
	for i := range p.Rules {
		if p.Rules[i].ID == id {
			return &p.Rules[i]
		}
	}
	return nil
}

// asTightAs says whether nothing that another rule of the same id says can block a unit that this one leaves alone.
func (r *Rule) asTightAs(o *Rule) bool {
	longer := func(mine, other int64) bool { return other > 0 && (mine <= 0 || mine > other) }
	switch {
	case longer(int64(r.Months), int64(o.Months)), o.Months > 0 && r.Months == o.Months && r.MonthStamp && !o.MonthStamp,
		slices.ContainsFunc(measures[:], func(m Measure) bool { return longer(r.Limit.of(m), o.Limit.of(m)) }):
		return false // a longer limit, or none
	case r.Activity != o.Activity, !slices.Equal(r.Baselines, o.Baselines), !slices.Equal(r.Weights, o.Weights):
		return false // not to be compared
	case o.Late != FromWork && r.Late != o.Late, o.MarkExpires && !r.MarkExpires, o.Blocks&^r.Blocks != 0,
		r.HandOutIfFilledBefore && !o.HandOutIfFilledBefore:
		return false // more lenient
	case r.Evidence.Activity != "" && r.Evidence != o.Evidence,
		r.Storage.Months > 0 && (r.Storage.Months != o.Storage.Months || !slices.Equal(r.Storage.Baselines, o.Storage.Baselines)):
		return false // it may have let more units pass
	}
	return within(o.Intense, r.Intense) && within(o.Companions, r.Companions) && within(r.SatisfiedBy, o.SatisfiedBy)
}

// within says whether every one of some is among others.
func within[T comparable](some, others []T) bool {
	return !slices.ContainsFunc(some, func(v T) bool { return !slices.Contains(others, v) })
}

// waive attaches the waivers that excuse the unit from the clock's limits. A revoked one ends on the day before it was revoked.
func (e *engine) waive(c *Clock) {
	if !c.Rule.Waivable() || c.AnchorDate.IsZero() {
		return
	}
	for i := range e.in.Waivers {
		w := &e.in.Waivers[i]
		if w.Unit != e.in.Unit || w.Pack != c.Pack.ID || w.Rule != c.Rule.ID || !e.happened(w.Granted) || !e.wasKnown(w.Granted) {
			continue
		}
		k := Waived{ID: w.ID, From: max(w.From, dateAt(e.facts.Stays, w.Granted)), To: w.To, Signer: w.Signer, Reason: w.Reason}
		if !w.Revoked.IsZero() && e.happened(w.Revoked) && e.wasKnown(w.Revoked) {
			k.To = min(k.To, dateAt(e.facts.Stays, w.Revoked)-1)
		}
		if k.From <= k.To {
			c.Waivers = append(c.Waivers, k)
		}
	}
	slices.SortFunc(c.Waivers, func(a, b Waived) int { return cmp.Or(cmp.Compare(a.From, b.From), strings.Compare(a.ID, b.ID)) })
}

// Excused says whether the clock leaves its unit alone on a day whatever its limits say: because the rule is phased in, which has no
// waiver, or because of a waiver, whose id it returns.
func (c *Clock) Excused(on civil.Date) (waiver string, ok bool) {
	if !c.PhaseIn.IsZero() && on <= c.PhaseIn.First() {
		return "", true
	}
	for _, w := range c.Waivers {
		if w.From <= on && on <= w.To {
			return w.ID, true
		}
	}
	return "", false
}

// bound returns the first day from one to another, both included, on which nothing excuses the unit.
func (c *Clock) bound(from, to civil.Date) (on civil.Date, ok bool) {
	if !c.PhaseIn.IsZero() {
		from = max(from, c.PhaseIn.First()+1)
	}
	for _, w := range c.Waivers { // by first day: what one uncovers no earlier one covers
		if w.From <= from && from <= w.To {
			from = w.To + 1
		}
	}
	return from, from <= to
}

// NextChange returns the first day after another on which State or Blocking differ from the day before because time has passed; none
// if they never will. It says nothing of the days on which the clock's revision is in force.
func (c *Clock) NextChange(after civil.Date) civil.Mark {
	var best civil.Mark
	try := func(on civil.Date) {
		if on > after && (best.IsZero() || on < best.First()) && (c.State(on) != c.State(on-1) || c.Blocking(on) != c.Blocking(on-1)) {
			best = civil.Day(on)
		}
	}
	if !c.DueOn.IsZero() {
		last := c.DueOn.First()
		try(last.AddDays(-c.leadDays()))
		try(last)
		try(last + 1)
	}
	if !c.PhaseIn.IsZero() {
		try(c.PhaseIn.First() + 1)
	}
	for _, w := range c.Waivers {
		try(w.From)
		try(w.To + 1)
	}
	return best
}
