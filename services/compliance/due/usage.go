package due

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/forecast"
)

// use is an increment that the unit went through, itself or as a part.
type use struct {
	at          Instant
	amount      Amount
	entry, unit uuid.UUID
	celsius     int16
	hasCelsius  bool
	estimated   bool
	metered     bool
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
	e.meters, e.totals, e.estimated = e.meters[:0], append(e.totals[:0], total{}), false
	e.used.next()
	for i := range e.events {
		ev := &e.events[i]
		said := ev.entry
		if said.Kind != UsageEntry {
			continue
		}
		amount := said.Amount
		var before meter
		back := false
		if said.Reading {
			amount, before, back = e.read(ev)
		}
		at := InstantOf(ev.at)
		if ev.unit != d.Unit && said.Reading && !e.fitted(ev.unit, at) { // increments were gathered only if it was
			continue
		}
		if back {
			d.Holds = append(d.Holds, contradiction(d.Unit, &before, ev, e.facts.Stays))
		}
		e.use(use{at: at, amount: amount, entry: ev.id, unit: ev.unit, celsius: said.Celsius, hasCelsius: said.HasCelsius,
			estimated: said.Estimated, metered: said.Reading})
	}
	e.uses = e.used.sorted()
	var sum total
	last := -1
	for i := range e.uses {
		u := &e.uses[i]
		sum.add(u.amount)
		e.totals = append(e.totals, sum)
		e.estimated = e.estimated || u.estimated
		if u.amount.Fills > 0 {
			last = i
		}
	}
	if last >= 0 {
		d.LastFill = e.uses[last].at.Time()
	}
}

// use adds a use of more than nothing.
func (e *engine) use(u use) {
	u.amount = Amount{Dives: max(0, u.amount.Dives), Hours: max(0, u.amount.Hours), Fills: max(0, u.amount.Fills)}
	if u.amount != (Amount{}) {
		e.used.add(u)
	}
}

// read returns the increment that a reading stands for and what the meter showed before, and moves the meter. A reading
// below the one before it went back, unless the meter rolled over in between: it stands for nothing.
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
	switch around := ev.entry.Rollover; {
	case around > 0 && m.value < around && value < around:
		amount = only(ev.entry.Meter, around-m.value+value)
	case around > 0 || value < m.value:
		back = true
	default:
		amount = only(ev.entry.Meter, value-m.value)
	}
	m.value, m.entry, m.at = value, ev.id, ev.at
	if ev.entry.Replaced {
		m.value = ev.entry.Replacement.of(ev.entry.Meter)
	}
	return amount, before, back
}

// firstSince returns the index of the first use from an instant on, inclusive; 0 for a zero instant.
func (e *engine) firstSince(from time.Time) int {
	if from.IsZero() {
		return 0
	}
	return usesBefore(e.uses, from)
}

// usesBefore returns how many uses came before an instant.
func usesBefore(uses []use, at time.Time) int {
	end := InstantOf(at)
	return sort.Search(len(uses), func(i int) bool { return !uses[i].at.Before(end) })
}

// usedSince returns what a rule counts from an instant on, inclusive, and how much of it is estimated; all there is for a zero
// instant.
func (e *engine) usedSince(r *Rule, from time.Time) (used, estimated Amount) {
	first := e.firstSince(from)
	used = e.totals[len(e.uses)].since(&e.totals[first])
	if !e.estimated && len(r.Weights) == 0 {
		return used, estimated
	}
	var all, guessed total
	for i := first; i < len(e.uses); i++ {
		u := &e.uses[i]
		a := u.amount
		a.Hours = r.weigh(u)
		all.add(a)
		if u.estimated {
			guessed.add(a)
		}
	}
	return all.since(&total{}), guessed.since(&total{})
}

// weigh returns the running time of a use as a rule counts it.
func (r *Rule) weigh(u *use) time.Duration {
	if len(r.Weights) == 0 || u.amount.Hours <= 0 {
		return u.amount.Hours
	}
	var percent int32
	if u.hasCelsius && u.celsius >= r.Weights[0].Celsius {
		for _, w := range r.Weights {
			if w.Celsius > u.celsius {
				break
			}
			percent = w.Percent
		}
	} else {
		for _, w := range r.Weights {
			percent = max(percent, w.Percent)
		}
	}
	hi, lo := bits.Mul64(uint64(u.amount.Hours), uint64(max(0, percent)))
	lo, carry := bits.Add64(lo, 99, 0)
	if hi += carry; hi >= 100 {
		return math.MaxInt64
	}
	weighed, _ := bits.Div64(hi, lo, 100)
	return time.Duration(min(weighed, math.MaxInt64))
}

// rates are the present rates of use, by measure.
type rates [len(measures)]forecast.Rate

// rates returns the rates of the unit's uses in the measures that a rule in force at some time limits.
func (e *engine) rates(limited [len(measures)]bool) (r rates) {
	for i := len(e.uses) - 1; i >= 0 && limited != [len(measures)]bool{}; i-- {
		u := &e.uses[i]
		on := dateAt(e.facts.Stays, u.at.Time())
		for m, measure := range measures {
			limited[m] = limited[m] && r[m].Add(on, u.amount.of(measure))
		}
	}
	return r
}

// limits says whether the rule has a limit in a measure, ever.
func (r *Rule) limits(m Measure) bool {
	return r.Limit.of(m) > 0 || slices.ContainsFunc(r.Intense, func(in Intense) bool { return in.Limit.of(m) > 0 })
}

// expect returns the day on which the first of the clock's usage limits will be reached.
func (e *engine) expect(c *Clock, all *rates) (on civil.Mark) {
	for i, m := range measures {
		limit, used := c.Limit.of(m), c.Used.of(m)
		if limit <= 0 {
			continue
		}
		if used >= limit {
			return civil.Mark{}
		}
		rate := all[i]
		if m == Hours && len(c.Rule.Weights) > 0 {
			rate = e.weighedRate(c.Rule)
		}
		if day, ok := rate.Reach(limit - used); ok && (on.IsZero() || day < on.First()) {
			on = civil.Day(day)
		}
	}
	return on
}

// weighedRate is the rate of running time as a rule counts it.
func (e *engine) weighedRate(r *Rule) (rate forecast.Rate) {
	for i := len(e.uses) - 1; i >= 0; i-- {
		u := &e.uses[i]
		if !rate.Add(dateAt(e.facts.Stays, u.at.Time()), int64(r.weigh(u))) {
			break
		}
	}
	return rate
}

// text writes n of a measure for people.
func (m Measure) text(n int64) string {
	if m == Hours {
		return m.count(n) + " of running time"
	}
	return m.count(n)
}

// count writes n of a measure for people who know which it is of.
func (m Measure) count(n int64) string {
	switch m {
	case Hours:
		return hoursText(time.Duration(n))
	case Fills:
		return plural(n, "fill")
	}
	return plural(n, "dive")
}

// hoursText writes a running time in hours and minutes, and in seconds where it has some: so that what is left of a limit is never
// rounded up.
func hoursText(d time.Duration) string {
	h, rest := int64(d/time.Hour), d%time.Hour
	minutes, seconds := int64(rest/time.Minute), (rest % time.Minute).Seconds()
	var words []string
	if h != 0 || rest == 0 {
		words = append(words, plural(h, "hour"))
	}
	if minutes != 0 {
		words = append(words, plural(minutes, "minute"))
	}
	if seconds != 0 {
		words = append(words, strconv.FormatFloat(seconds, 'f', -1, 64)+" seconds")
	}
	return strings.Join(words, " ")
}

func plural(n int64, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
