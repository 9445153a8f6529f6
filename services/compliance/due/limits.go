package due

import (
	"cmp"
	"slices"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// dueOn returns the last day of use that so many months from an anchor come to: always from the anchor itself, never
// chained. None without an anchor or months.
func dueOn(anchor civil.Mark, months int, stamp bool) civil.Mark {
	if months <= 0 || anchor.IsZero() {
		return civil.Mark{}
	}
	on := anchor.First().AddMonths(months)
	if stamp {
		on = on.EndOfMonth()
	}
	return civil.Day(on)
}

// expiring returns the earlier of a last day of use and the end of an expiry mark; whichever there is if only one is.
func expiring(due, mark civil.Mark) civil.Mark {
	if mark.IsZero() || !due.IsZero() && mark.Last() >= due.First() {
		return due
	}
	return civil.Day(mark.Last())
}

// limit works out the clock's limits and its last day of use: the rule's own or that of storage, how far evidence lengthens them, and
// what intense use and an expiry leave of that.
func (e *engine) limit(c *Clock) {
	r := c.Rule
	c.Months, c.MonthStamp, c.Limit = r.Months, r.MonthStamp, r.Limit
	if c.Basis == BasisStorage {
		c.Months = r.Storage.Months
	}
	if c.AnchorDate.IsZero() {
		return
	}
	c.DueOn = dueOn(c.AnchorDate, c.Months, c.MonthStamp)
	if r.Evidence.Activity != "" && c.Basis != BasisStorage && !r.EndOfLife && !c.DueOn.IsZero() {
		e.extend(c)
	}
	for i := range r.Intense {
		if use, ok := e.intense(c, &r.Intense[i]); ok {
			c.tighten(&r.Intense[i], use)
		}
	}
	c.DueOn = expiring(c.DueOn, c.AnchorExpiry)
}

// tighten applies an intense limit where it binds.
func (c *Clock) tighten(in *Intense, use uuid.UUID) {
	date, bound := false, false
	if due := dueOn(c.AnchorDate, in.Months, in.MonthStamp); !due.IsZero() && (c.DueOn.IsZero() || due.First() < c.DueOn.First()) {
		c.DueOn, c.Months, c.MonthStamp, c.BasisUntil = due, in.Months, in.MonthStamp, civil.Mark{}
		date = true
	}
	for _, m := range measures {
		if limit := in.Limit.of(m); limit > 0 && (c.Limit.of(m) <= 0 || limit < c.Limit.of(m)) {
			c.Limit.set(m, limit)
			bound = true
		}
	}
	if date || bound && c.Basis != BasisEvidence {
		c.Basis, c.BasisEntry = BasisIntense, use
	}
}

// daily is a use on its civil day.
type daily struct {
	day civil.Date
	use int
}

// intense says whether the unit was used so hard since the anchor, and returns the entry with which it first was.
func (e *engine) intense(c *Clock, in *Intense) (uuid.UUID, bool) {
	first := e.firstSince(c.AnchorOccurred)
	e.dailies = e.dailies[:0]
	sorted := true
	for i := first; i < len(e.uses); i++ {
		d := daily{dateAt(e.facts.Stays, e.uses[i].at.Time()), i}
		sorted = sorted && (len(e.dailies) == 0 || e.dailies[len(e.dailies)-1].day <= d.day)
		e.dailies = append(e.dailies, d)
	}
	if !sorted { // a move to a zone further west repeats a day
		slices.SortStableFunc(e.dailies, func(a, b daily) int { return cmp.Compare(a.day, b.day) })
	}
	best := -1
	for _, m := range measures {
		want := in.Use.of(m)
		if want <= 0 {
			continue
		}
		of := func(use int) int64 { return min(e.amountFor(c.Rule, use, m), want) } // so that no sum overflows
		var sum int64
		from := 0
		for i, d := range e.dailies {
			for e.dailies[from].day <= d.day.AddDays(-in.Days) {
				sum -= of(e.dailies[from].use)
				from++
			}
			if sum += of(d.use); sum >= want {
				if best < 0 || i < best {
					best = i
				}
				break
			}
		}
	}
	if best < 0 {
		return uuid.UUID{}, false
	}
	return e.uses[e.dailies[best].use].entry, true
}

// amountFor returns one measure of a use as a rule counts it.
func (e *engine) amountFor(r *Rule, use int, m Measure) int64 {
	u := &e.uses[use]
	if m == Hours && len(r.Weights) > 0 {
		return int64(r.weigh(u))
	}
	return u.amount.of(m)
}

// extend lengthens the date limit as far as evidence reaches: to the longer interval, or to the evidence's last day if that comes
// first, and never below what holds without it.
func (e *engine) extend(c *Clock) {
	v := &c.Rule.Evidence
	var last *event
	for i := len(e.events) - 1; i >= 0; i-- {
		if ev := &e.events[i]; ev.unit == e.in.Unit && ev.entry.Kind == Work && slices.Contains(ev.entry.Activities, v.Activity) {
			last = ev
			break
		}
	}
	if last == nil || last.entry.Outcome != Pass {
		return
	}
	date, _ := effective(last.entry.Mark, dateAt(e.facts.Stays, last.at))
	until := date.First().AddMonths(v.Valid)
	long := dueOn(c.AnchorDate, v.Months, c.MonthStamp)
	if until < long.First() {
		long = civil.Day(until)
	}
	if long.First() <= c.DueOn.First() {
		return
	}
	c.DueOn, c.Months, c.Basis, c.BasisEntry, c.BasisUntil = long, v.Months, BasisEvidence, last.id, civil.Day(until)
}
