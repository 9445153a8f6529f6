package due

import (
	"fmt"
	"sort"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/forecast"
)

// use is an increment that the unit went through, itself or as a part.
type use struct {
	at     time.Time
	amount Amount
}

// meter is the last reading of one meter.
type meter struct {
	unit    uuid.UUID
	measure Measure
	value   int64
	entry   uuid.UUID
	at      time.Time
}

// measure turns the usage events into uses of the unit. An increment of a unit that the unit was fitted to at that very
// instant, directly or through others, counts as its own; a meter reading counts as the increment since the reading before
// it, at the instant of the later one.
func (e *engine) measure(d *Derived) {
	e.meters, e.uses, e.totals = e.meters[:0], e.uses[:0], append(e.totals[:0], total{})
	var sum total
	for i := range e.events {
		ev := &e.events[i]
		if ev.entry.Kind != UsageEntry {
			continue
		}
		amount := ev.entry.Amount
		var before meter
		back := false
		if ev.entry.Reading {
			amount, before, back = e.read(ev)
		}
		if ev.unit != d.Unit && !e.fittings.within(d.Unit, ev.unit, ev.at) {
			continue
		}
		if back {
			d.Holds = append(d.Holds, contradiction(d.Unit, &before, ev, e.facts.Stays))
		}
		amount = Amount{Dives: max(0, amount.Dives), Hours: max(0, amount.Hours), Fills: max(0, amount.Fills)}
		if amount == (Amount{}) {
			continue
		}
		sum.add(amount)
		e.uses = append(e.uses, use{ev.at, amount})
		e.totals = append(e.totals, sum)
		if amount.Fills > 0 {
			d.LastFill = ev.at
		}
	}
}

// read returns the increment that a reading stands for and what the meter showed before, and moves the meter. A reading
// below the one before it went back: it stands for nothing.
func (e *engine) read(ev *event) (amount Amount, before meter, back bool) {
	var m *meter
	for i := range e.meters {
		if e.meters[i].unit == ev.unit && e.meters[i].measure == ev.entry.Meter {
			m = &e.meters[i]
			break
		}
	}
	if m == nil {
		e.meters = append(e.meters, meter{unit: ev.unit, measure: ev.entry.Meter})
		m = &e.meters[len(e.meters)-1]
	}
	before = *m
	value := ev.entry.Amount.of(ev.entry.Meter)
	if back = value < m.value; !back {
		amount = only(ev.entry.Meter, value-m.value)
	}
	m.value, m.entry, m.at = value, ev.id, ev.at
	if ev.entry.Replaced {
		m.value = ev.entry.Replacement.of(ev.entry.Meter)
	}
	return amount, before, back
}

// usedSince returns what was used from an instant on, inclusive; all there is for a zero instant.
func (e *engine) usedSince(from time.Time) Amount {
	first := 0
	if !from.IsZero() {
		first = sort.Search(len(e.uses), func(i int) bool { return !e.uses[i].at.Before(from) })
	}
	return e.totals[len(e.uses)].since(&e.totals[first])
}

// rates are the present rates of use, by measure.
type rates [len(measures)]forecast.Rate

// rates returns the rates of the unit's uses in the measures that a rule in force at some time limits.
func (e *engine) rates(limited [len(measures)]bool) (r rates) {
	for i := len(e.uses) - 1; i >= 0 && limited != [len(measures)]bool{}; i-- {
		u := &e.uses[i]
		on := dateAt(e.facts.Stays, u.at)
		for m, measure := range measures {
			limited[m] = limited[m] && r[m].Add(on, u.amount.of(measure))
		}
	}
	return r
}

// expect returns the day on which the first of the clock's usage limits will be reached.
func (r *rates) expect(c *Clock) (on civil.Mark) {
	for i, m := range measures {
		limit := c.Rule.Limit.of(m)
		if limit <= 0 {
			continue
		}
		if c.Used.of(m) >= limit {
			return civil.Mark{}
		}
		if day, ok := r[i].Reach(limit - c.Used.of(m)); ok && (on.IsZero() || day < on.First()) {
			on = civil.Day(day)
		}
	}
	return on
}

// text writes n of a measure for people.
func (m Measure) text(n int64) string {
	switch m {
	case Hours:
		return fmt.Sprintf("%s of running time", time.Duration(n))
	case Fills:
		return plural(n, "fill")
	}
	return plural(n, "dive")
}

func plural(n int64, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
