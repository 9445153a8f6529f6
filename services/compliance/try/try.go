// Package try adds up what a revision of a rule pack would do to a fleet: who could be handed out before and after, what becomes due
// on which day, and how much bench work that is. Only what the rules do counts; holds are set aside.
//
// It is pure, and takes a unit at a time: what it keeps does not grow with the fleet.
package try

import (
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// Most is how many units are kept that the revision blocks, and how many that it frees.
const Most = 200

// Question is what is tried.
type Question struct {
	Pack      string     // id of the pack
	Effective civil.Date // first day of the revision
	At        time.Time  // the instant from which is looked ahead
	Horizon   int        // days after it, at each unit's shop
}

// Unit is a unit with what is fitted to it, derived for the instant by the rules as they are and under the revision.
type Unit struct {
	Tag, Kind               string
	Before, After           *due.Derived
	PartsBefore, PartsAfter []*due.Derived
	Name                    func(uuid.UUID) string // how sentences call units
}

// Fleet is what a fleet looks like under some rules.
type Fleet struct {
	Unblocked    int64 // units that may be handed out on the first day, as far as rules are concerned
	Blocking     int64 // clocks past their limit on the first day
	Due          int64 // clocks whose last day of use comes within the horizon
	BenchMinutes int64 // of both
}

// Day is what is due on one day, by its last day of use.
type Day struct {
	On                  civil.Date
	DueBefore, DueAfter int64
	MinutesBefore       int64
	MinutesAfter        int64
}

// Rule is what is due by one rule of the pack.
type Rule struct {
	UnitsBefore, UnitsAfter     int64 // that it covers, from the revision's first day on
	BlockedBefore, BlockedAfter int64 // on the first day
	DueBefore, DueAfter         int64 // within the horizon
}

// Verdict is a unit that the revision blocks or frees, and why.
type Verdict struct {
	Unit            uuid.UUID
	Tag, Kind, Shop string
	Sentence        string
}

// Result is what a revision would do.
type Result struct {
	Units, Changed           int64 // looked at, and with a clock of the pack that differs
	Before, After            Fleet
	Rules                    map[string]Rule // by id; only rules that cover a unit or are due
	Days                     []Day           // by day
	Blocked, Freed           []Verdict       // by tag, at most Most of each
	BlockedCount, FreedCount int64
}

// Tally adds up units. It is for one goroutine.
type Tally struct {
	q      Question
	result Result
	rules  map[string]*Rule
	days   map[civil.Date]*Day
	runs   []run // of one side of one unit
}

// New returns an empty tally.
func New(q Question) *Tally {
	return &Tally{q: q, rules: map[string]*Rule{}, days: map[civil.Date]*Day{}}
}

// Add adds a unit; one that is not in the fleet at the instant, or condemned, is left out: no rule matters to it.
func (t *Tally) Add(u *Unit) {
	if !compliance.WorkIsDue(u.Before, t.q.At) {
		return
	}
	before, after := due.Stand(u.Before, u.PartsBefore, t.q.At), due.Stand(u.After, u.PartsAfter, t.q.At)
	on := before.On
	t.result.Units++
	t.add(u.Before, on, false)
	t.add(u.After, on, true)
	t.covered(u, max(on, t.q.Effective))
	was, is := blocked(&before), blocked(&after)
	if was == nil {
		t.result.Before.Unblocked++
	}
	if is == nil {
		t.result.After.Unblocked++
	}
	verdict := func(sentence string) Verdict {
		return Verdict{Unit: before.Unit, Tag: u.Tag, Kind: u.Kind, Shop: before.Stay.Shop, Sentence: sentence}
	}
	switch {
	case was == nil && is != nil:
		t.result.BlockedCount++
		t.result.Blocked = keep(t.result.Blocked, verdict(u.about(is, is.Sentence(due.Names{Unit: u.Name}))))
	case was != nil && is == nil:
		t.result.FreedCount++
		t.result.Freed = keep(t.result.Freed, verdict(u.about(was, freed(was, &after))))
	}
}

// Result returns what the units added so far come to.
func (t *Tally) Result() Result {
	r := t.result
	r.Blocked, r.Freed = first(r.Blocked), first(r.Freed)
	r.Rules = make(map[string]Rule, len(t.rules))
	for id, rule := range t.rules {
		r.Rules[id] = *rule
	}
	r.Days = make([]Day, 0, len(t.days))
	for _, d := range t.days {
		r.Days = append(r.Days, *d)
	}
	slices.SortFunc(r.Days, func(a, b Day) int { return int(a.On - b.On) })
	return r
}

// about names the part that a reason is about, unless it is the unit itself.
func (u *Unit) about(r *due.Reason, sentence string) string {
	if r.Unit == u.Before.Unit {
		return sentence
	}
	return u.Name(r.Unit) + ": " + sentence
}

// blocked returns the first reason of a rule why a unit may not be handed out; nil if no rule stands against it.
func blocked(s *due.Standing) *due.Reason {
	for i := range s.Reasons {
		if r := &s.Reasons[i]; r.Blocks&due.HandOut != 0 && (r.Clock != nil || r.Code == due.NoRule) {
			return r
		}
	}
	return nil
}

// freed says why a reason does not stand any more under the revision.
func freed(was *due.Reason, after *due.Standing) string {
	if was.Clock == nil {
		return "A rule covers the unit now."
	}
	title := was.Clock.Rule.Title
	for _, c := range after.Clocks {
		if c.Unit != was.Unit || c.Pack.ID != was.Clock.Pack.ID || c.Rule.ID != was.Clock.Rule.ID {
			continue
		}
		_, excused := c.Excused(after.On)
		switch {
		case c.Rule.Blocks&due.HandOut == 0:
			return title + ": it would not block hand-out any more."
		case excused:
			return title + ": phased in, the last day of use would be " + c.PhaseIn.String() + "."
		case !c.DueOn.IsZero() && c.DueOn != was.Clock.DueOn:
			return title + ": the last day of use would be " + c.DueOn.String() + "."
		}
		return title + ": the unit would be within the rule."
	}
	return title + ": the rule would not apply to it any more."
}

// keep adds a verdict, and lets go of the last by tag now and then.
func keep(all []Verdict, v Verdict) []Verdict {
	if all = append(all, v); len(all) >= 4*Most {
		all = first(all)
	}
	return all
}

// first returns the first verdicts by tag.
func first(all []Verdict) []Verdict {
	slices.SortFunc(all, func(a, b Verdict) int {
		if c := strings.Compare(a.Tag, b.Tag); c != 0 {
			return c
		}
		return slices.Compare(a.Unit[:], b.Unit[:])
	})
	return all[:min(len(all), Most)]
}
