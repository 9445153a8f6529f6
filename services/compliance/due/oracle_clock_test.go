package due_test

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// running is a clock as far as the oracle has worked it out.
type running struct {
	work     *told     // nil if nothing counted yet
	baseline string    // what it counts from then; empty for nothing
	stored   bool      // it ages unused
	from     ymd       // months count from here; y 0 for nothing
	since    time.Time // usage counts from here on
	expiry   ymd       // marked with the work
}

// limits is what a clock comes to: the last day of use (y 0 for none) and the usage limits.
type limits struct {
	dueOn  ymd
	limit  [3]int64
	spared ymd // the last day on which a phase-in excuses the unit; y 0 for none
}

func (o *oracle) clock(u int, p *wPack, k wRule, today ymd, a *unitAnswer) {
	name := p.id + "/" + k.id
	c := o.anchor(u, p, k)
	l := o.limits(u, p, k, c, time.Time{})
	used, estimated, lastFill := o.used(u, k, c)
	excused := l.spared.y != 0 && !before(l.spared, today) || o.waived(u, p, k, c, today)
	no := func(code, blocks, about string) {
		if !excused && blocks != "" {
			a.no(u, code, blocks, about)
		}
	}
	state := 1
	if c.from.y == 0 {
		state = 5
		no("MISSING_HISTORY", k.blocks, name)
	} else {
		switch {
		case l.dueOn.y == 0:
		case before(l.dueOn, today):
			state = 4
			blocks := k.blocks
			if k.filledBefore && !k.life && !lastFill.IsZero() && !before(l.dueOn, o.dayNow(u, lastFill)) {
				blocks = strings.ReplaceAll(blocks, "h", "")
			}
			no(lifeOr(k, "DATE_LIMIT_PASSED"), blocks, name)
		case l.dueOn == today:
			state = 3
		default:
			lead := k.leadDays
			if lead == 0 {
				lead = 30
			}
			d := today
			for range lead {
				if d = tomorrow(d); d == l.dueOn {
					state = 2
				}
			}
		}
		for m, limit := range l.limit {
			if limit == 0 {
				continue
			}
			left := limit - used[m]
			switch {
			case left < 0:
				state = 4
			case left == 0:
				state = max(state, 3)
			case k.lead[m] > 0 && left <= k.lead[m], k.lead[m] == 0 && 10*left <= limit:
				state = max(state, 2)
			}
			if left <= 0 {
				no(lifeOr(k, "USAGE_LIMIT_REACHED"), k.blocks, fmt.Sprintf("%s %d", name, m))
			}
		}
	}
	a.worst = max(a.worst, state)
	by := c.baseline
	if c.work != nil {
		by = fmt.Sprintf("entry %d", c.work.id)
	}
	a.lines = append(a.lines, fmt.Sprintf("clock %d %s state %d from %v by %s due %v used %v of %v, estimated %v", u, name, state, c.from, by, l.dueOn, used, l.limit, estimated))
}

// anchor finds what the clock counts from: the last work that counts, else a baseline, else nothing.
func (o *oracle) anchor(u int, p *wPack, k wRule) (c running) {
	if !k.life {
		for _, w := range o.works(u, k) {
			if !o.accompanied(u, k, w.told) {
				continue
			}
			if n, counts := o.judgeLate(u, p, k, c, w); counts {
				c = n
			}
		}
	}
	if c.work == nil {
		return o.begin(u, k, time.Time{})
	}
	return c
}

// dated is work and the date its intervals count from.
type dated struct {
	*told
	date ymd
}

// works returns the passed work of the rule's activity, and of those that satisfy it, by the date its intervals count from, and that
// of one date as it happened.
func (o *oracle) works(u int, k wRule) (out []dated) {
	for i := range o.told {
		t := &o.told[i]
		if t.unit != u || t.what != "work" || t.outcome != "pass" || !slices.ContainsFunc(t.did, func(d string) bool { return d == k.did || slices.Contains(k.satisfiedBy, d) }) {
			continue
		}
		worked := o.day(u, t.occurred)
		date := t.mark
		if k.expires || date.y == 0 || before(worked, first(date)) {
			date = worked
		}
		out = append(out, dated{t, date})
	}
	slices.SortFunc(out, func(a, b dated) int {
		switch {
		case before(a.date, b.date), !before(b.date, a.date) && earlier(a.told, b.told):
			return -1
		}
		return 1
	})
	return out
}

// begin is what a clock counts from before any work counted, with what had been used before an instant; zero for all there is.
func (o *oracle) begin(u int, k wRule, until time.Time) (c running) {
	facts := o.w.units[u]
	know := func(b string) ymd {
		switch b {
		case "manufacture":
			return facts.manufactured
		case "commissioning":
			return facts.commissioned
		}
		var found *told
		for _, t := range o.through(u, time.Time{}, until) {
			if found == nil || earlier(t, found) {
				found = t
			}
		}
		if found == nil {
			return ymd{}
		}
		return o.day(u, found.occurred)
	}
	for _, b := range k.baselines {
		if date := know(b); date.y != 0 {
			return running{baseline: b, from: date}
		}
	}
	return o.unused(u, k, until, know)
}

// limits works out the last day of use and the usage limits, with what had happened before an instant; zero for all there is.
func (o *oracle) limits(u int, p *wPack, k wRule, c running, until time.Time) (l limits) {
	l.limit = k.limit
	if c.from.y != 0 {
		if months := k.months; months > 0 || c.stored {
			if c.stored {
				months = k.storage.months
			}
			l.dueOn = walkMonths(first(c.from), months, k.stamped)
			l.dueOn = o.lengthened(u, k, c, l.dueOn, until)
		}
		o.tightened(u, k, c, &l, until)
		if c.expiry.y != 0 {
			l.dueOn = sooner(l.dueOn, lastDay(c.expiry))
		}
	}
	o.phased(u, p, k, c, &l, until)
	return l
}

// through returns every usage that the unit went through, itself or as a part, from an instant on and before another; zero for none.
func (o *oracle) through(u int, from, until time.Time) (out []*told) {
	for i := range o.told {
		t := &o.told[i]
		if t.counts != [3]int64{} && (t.unit == u || o.isWithin(u, t.unit, t.occurred)) && !t.occurred.Before(from) && (until.IsZero() || t.occurred.Before(until)) {
			out = append(out, t)
		}
	}
	return out
}

// used adds up what the rule counts since the anchor. A use at the very instant of the work counts after it.
func (o *oracle) used(u int, k wRule, c running) (used, estimated [3]int64, lastFill time.Time) {
	for _, t := range o.through(u, time.Time{}, time.Time{}) {
		if t.counts[2] > 0 && t.occurred.After(lastFill) {
			lastFill = t.occurred
		}
		if t.occurred.Before(c.since) {
			continue
		}
		for m, n := range k.weighed(t) {
			used[m] += n
			if t.estimated {
				estimated[m] += n
			}
		}
	}
	return used, estimated, lastFill
}

// sooner returns the earlier of two days, either of which may be missing.
func sooner(a, b ymd) ymd {
	if a.y == 0 || b.y != 0 && before(b, a) {
		return b
	}
	return a
}

// lastDay returns the day, or the last day of the month.
func lastDay(d ymd) ymd {
	if d.d == 0 {
		d.d = pages(d.y, d.m)
	}
	return d
}

// number counts days by package time alone.
func number(d ymd) int64 {
	return time.Date(d.y, time.Month(d.m), d.d, 0, 0, 0, 0, time.UTC).Unix() / 86400
}

func yesterday(d ymd) ymd {
	t := time.Date(d.y, time.Month(d.m), d.d-1, 12, 0, 0, 0, time.UTC)
	return ymd{t.Year(), int(t.Month()), t.Day()}
}
