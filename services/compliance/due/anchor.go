package due

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// performance is an entry that performed an activity and passed.
type performance struct {
	entry    uuid.UUID
	occurred time.Time
	date     civil.Mark // the date its intervals count from
	aside    civil.Mark // a mark that was set aside
}

// perform finds the last performance of every activity.
func (e *engine) perform() {
	clear(e.performed)
	for i := range e.events {
		ev := &e.events[i]
		if ev.entry.Kind != Work || ev.entry.Outcome != Pass || ev.unit != e.in.Unit {
			continue
		}
		p := performance{entry: ev.id, occurred: ev.at}
		p.date, p.aside = effective(ev.entry.Mark, dateAt(e.facts.Stays, ev.at))
		for _, a := range ev.entry.Activities {
			if last, ok := e.performed[a]; !ok || last.before(&p) {
				e.performed[a] = p
			}
		}
	}
}

// effective returns the date that work done on a day counts from: the mark on the unit if there is one. A mark that lies
// after the work is set aside, so that a slip of the pen (or a stamp made ahead) never lengthens an interval.
func effective(mark civil.Mark, occurred civil.Date) (date, aside civil.Mark) {
	switch {
	case mark.IsZero():
		return civil.Day(occurred), civil.Mark{}
	case mark.First() > occurred:
		return civil.Day(occurred), mark
	}
	return mark, civil.Mark{}
}

// before orders performances by the first day they count from, then by when they happened, then by id.
func (p *performance) before(q *performance) bool {
	if p.date.First() != q.date.First() {
		return p.date.First() < q.date.First()
	}
	if c := p.occurred.Compare(q.occurred); c != 0 {
		return c < 0
	}
	return compareIDs(p.entry, q.entry) < 0
}

// anchor finds what a clock counts from.
func (e *engine) anchor(c *Clock) {
	if !c.Rule.EndOfLife {
		var best performance
		consider := func(activity string) {
			if p, ok := e.performed[activity]; ok && activity != "" && (c.AnchorActivity == "" || best.before(&p)) {
				best, c.AnchorActivity = p, activity
			}
		}
		consider(c.Rule.Activity)
		for _, a := range c.Rule.SatisfiedBy {
			consider(a)
		}
		if c.AnchorActivity != "" {
			c.AnchorEntry, c.AnchorOccurred, c.AnchorDate, c.AnchorMark = best.entry, best.occurred, best.date, best.aside
			return
		}
	}
	for _, b := range c.Rule.Baselines {
		if date := e.baseline(b); !date.IsZero() {
			c.AnchorBaseline, c.AnchorDate = b, date
			return
		}
	}
}

// baseline returns the date of a baseline, or none if it is not known. A unit that was never used has no first use. All
// usage there is counts since a baseline: nothing was ever done that could have reset it.
func (e *engine) baseline(b Baseline) civil.Mark {
	switch b {
	case Manufacture:
		return e.facts.Manufactured
	case Commissioning:
		return e.facts.Commissioned
	case FirstUse:
		if len(e.uses) > 0 {
			return civil.Day(dateAt(e.facts.Stays, e.uses[0].at))
		}
	}
	return civil.Mark{}
}
