package due

import (
	"cmp"
	"slices"
	"sort"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// performance is an entry that performed activities and passed.
type performance struct {
	entry      uuid.UUID
	occurred   time.Time
	day        civil.Date // on which the work was done
	mark       civil.Mark // as marked on the unit
	date       civil.Mark // the date its intervals count from
	aside      civil.Mark // the mark, if it was set aside
	activities []string
}

// perform gathers the performances, and the last of every activity.
func (e *engine) perform() {
	clear(e.performed)
	e.passes = e.passes[:0]
	for i := range e.events {
		ev := &e.events[i]
		if ev.entry.Kind != Work || ev.entry.Outcome != Pass || ev.unit != e.in.Unit {
			continue
		}
		p := performance{entry: ev.id, occurred: ev.at, day: dateAt(e.facts.Stays, ev.at), mark: ev.entry.Mark, activities: ev.entry.Activities}
		p.date, p.aside = effective(ev.entry.Mark, p.day)
		n := len(e.passes)
		e.passes = append(e.passes, p)
		for _, a := range ev.entry.Activities {
			if last, ok := e.performed[a]; !ok || e.passes[last].before(&p) {
				e.performed[a] = n
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
func (p *performance) before(q *performance) bool { return comparePerformances(p, q) < 0 }

func comparePerformances(p, q *performance) int {
	if c := cmp.Compare(p.date.First(), q.date.First()); c != 0 {
		return c
	}
	if c := p.occurred.Compare(q.occurred); c != 0 {
		return c
	}
	return compareIDs(p.entry, q.entry)
}

// does returns which of the rule's activities the work performed, its own first; empty for none.
func (r *Rule) does(p *performance) string {
	if r.Activity != "" && slices.Contains(p.activities, r.Activity) {
		return r.Activity
	}
	return r.thorough(p)
}

// thorough returns which of the more thorough activities the work performed.
func (r *Rule) thorough(p *performance) string {
	for _, a := range r.SatisfiedBy {
		if slices.Contains(p.activities, a) {
			return a
		}
	}
	return ""
}

// anchor finds what a clock of a revision counts from.
func (e *engine) anchor(c *Clock, rev int) {
	r := c.Rule
	if !r.EndOfLife {
		if len(r.Companions) > 0 || r.Late != FromWork || r.MarkExpires {
			e.walk(c, rev)
		} else {
			e.latest(c)
		}
	}
	if c.AnchorActivity == "" {
		e.begin(c)
	}
}

// begin counts from what a clock begins with before the activity was ever performed: a baseline, or what an unused unit ages from.
func (e *engine) begin(c *Clock) {
	r := c.Rule
	for _, b := range r.Baselines {
		if date := e.baseline(b); !date.IsZero() {
			c.AnchorBaseline, c.AnchorDate = b, date
			return
		}
	}
	if r.Storage.Months <= 0 || len(e.uses) > 0 || r.EndOfLife {
		return
	}
	for _, b := range r.Storage.Baselines { // unused units age too
		if date := e.baseline(b); !date.IsZero() {
			c.AnchorBaseline, c.AnchorDate, c.Basis = b, date, BasisStorage
			return
		}
	}
}

// latest counts from the last performance, whichever it is.
func (e *engine) latest(c *Clock) {
	best := -1
	consider := func(activity string) {
		if p, ok := e.performed[activity]; ok && activity != "" && (best < 0 || e.passes[best].before(&e.passes[p])) {
			best, c.AnchorActivity = p, activity
		}
	}
	consider(c.Rule.Activity)
	for _, a := range c.Rule.SatisfiedBy {
		consider(a)
	}
	if best >= 0 {
		c.countFrom(&e.passes[best])
	}
}

func (c *Clock) countFrom(p *performance) {
	c.AnchorEntry, c.AnchorOccurred, c.AnchorDate, c.AnchorMark = p.entry, p.occurred, p.date, p.aside
}

// walk goes through the performances in order and counts from the last that counts: with its companions, and not late where
// lateness matters.
func (e *engine) walk(c *Clock, rev int) {
	r := c.Rule
	e.candidates = e.candidates[:0]
	for i := range e.passes {
		p := e.passes[i]
		if r.does(&p) == "" {
			continue
		}
		if r.MarkExpires {
			p.date, p.aside = civil.Day(p.day), civil.Mark{}
		}
		e.candidates = append(e.candidates, p)
	}
	slices.SortFunc(e.candidates, func(a, b performance) int { return comparePerformances(&a, &b) })
	for i := range e.candidates {
		p := &e.candidates[i]
		if !e.accompanied(r, p) {
			c.Rejected, c.RejectedWhy = p.entry, WhyAlone
			continue
		}
		var last civil.Mark // the last day of use before the work; zero if nothing counted yet, or without a date limit
		if r.Late != FromWork {
			last = e.lastDayBefore(c, rev, p.occurred)
		}
		late := !last.IsZero() && p.date.First() > last.First()
		if late && r.Late == Escalate && r.thorough(p) == "" {
			c.Rejected, c.RejectedWhy = p.entry, WhyLate
			continue
		}
		c.countFrom(p)
		c.AnchorActivity = r.does(p)
		c.Rejected, c.RejectedWhy = uuid.UUID{}, WhyNone
		c.AnchorExpiry = civil.Mark{}
		if r.MarkExpires {
			c.AnchorExpiry = p.mark
		}
		if c.AnchorLate = late && r.Late == FromDue; c.AnchorLate {
			c.AnchorDate, c.AnchorMark = r.lastMissed(last, p.date.First()), civil.Mark{}
		}
	}
}

// lastDayBefore returns the last day of use of a clock as it stood just before an instant, with what had been used and shown by then.
func (e *engine) lastDayBefore(c *Clock, rev int, at time.Time) civil.Mark {
	uses, events := e.uses, e.events
	defer func() { e.uses, e.events = uses, events }()
	e.uses = uses[:usesBefore(uses, at)]
	e.events = events[:sort.Search(len(events), func(i int) bool { return !events[i].at.Before(at) })]
	was := *c
	if was.AnchorActivity == "" {
		e.begin(&was)
	}
	e.limit(&was)
	e.phaseIn(&was, rev, nil)
	return was.DueOn
}

// lastMissed returns the last day on which work done late on a day should have been done: the last day of use, or where whole
// intervals were missed since then, the end of the last of them. So late work is never good for more than the rest of an interval, and
// never for nothing.
func (r *Rule) lastMissed(last civil.Mark, on civil.Date) civil.Mark {
	missed := last
	for n := 1; ; n++ {
		next := dueOn(last, n*r.Months, r.MonthStamp)
		if next.IsZero() || next.First() > on {
			return missed
		}
		missed = next
	}
}

// accompanied says whether every companion of the rule was performed with the work.
func (e *engine) accompanied(r *Rule, p *performance) bool {
	for i := range r.Companions {
		k := &r.Companions[i]
		if !slices.ContainsFunc(e.passes, func(q performance) bool {
			apart := int(q.day - p.day)
			if apart > k.Within || -apart > k.Within || !slices.Contains(q.activities, k.Activity) {
				return false
			}
			return !k.First || q.occurred.Before(p.occurred) || q.occurred.Equal(p.occurred) && compareIDs(q.entry, p.entry) <= 0
		}) {
			return false
		}
	}
	return true
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
			return civil.Day(dateAt(e.facts.Stays, e.uses[0].at.Time()))
		}
	}
	return civil.Mark{}
}
