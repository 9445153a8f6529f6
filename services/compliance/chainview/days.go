package chainview

import (
	"math/bits"
	"slices"
	"time"

	"strandline.example/strandline/internal/civil"
)

// MostDays is how many days a view has at most.
const MostDays = 2*64 - 1

// Days is a set of days of a view, numbered from 0.
type Days [2]uint64

// Add adds the days from one to another, both included; none if the last is before the first. They must be below MostDays.
func (d *Days) Add(first, last int) {
	for i := range d {
		lo, hi := max(first-64*i, 0), min(last-64*i, 63)
		if lo <= hi {
			d[i] |= ^uint64(0) << lo & (^uint64(0) >> (63 - hi))
		}
	}
}

// Has says whether a day is in the set.
func (d Days) Has(day int) bool { return d[day/64]>>(day%64)&1 == 1 }

// And returns the days that are in both sets.
func (d Days) And(o Days) Days { return Days{d[0] & o[0], d[1] & o[1]} }

// Or returns the days that are in either set.
func (d Days) Or(o Days) Days { return Days{d[0] | o[0], d[1] | o[1]} }

// Less returns the days that are not in another set.
func (d Days) Less(o Days) Days { return Days{d[0] &^ o[0], d[1] &^ o[1]} }

// Count returns how many days are in the set.
func (d Days) Count() int { return bits.OnesCount64(d[0]) + bits.OnesCount64(d[1]) }

// eachRun calls fn with each run of days that follow one another: from its first day to just before its end.
func (d Days) eachRun(fn func(first, end int)) {
	before := Days{d[0] << 1, d[1]<<1 | d[0]>>63} // the days after those in the set
	firsts, ends := d.Less(before), before.Less(d)
	for firsts != (Days{}) {
		fn(firsts.pop(), ends.pop())
	}
}

// pop takes the first day out of the set; MostDays+1 if there is none.
func (d *Days) pop() int {
	for i, word := range d {
		if word != 0 {
			d[i] &= word - 1
			return 64*i + bits.TrailingZeros64(word)
		}
	}
	return MostDays + 1
}

// Calendar is the days of a view at one shop. The first begins at the instant of the view, the others at midnight.
type Calendar struct {
	First  civil.Date
	Zone   *time.Location
	Starts []time.Time // of each day, and the end of the last
}

// CalendarOf returns the calendar of so many days in a zone.
func CalendarOf(at time.Time, days int, zone *time.Location) *Calendar {
	c := &Calendar{First: civil.In(at, zone), Zone: zone, Starts: []time.Time{at}}
	for n := 1; n <= days; n++ {
		c.Starts = append(c.Starts, c.First.AddDays(n).Start(zone))
	}
	return c
}

// Len returns how many days there are.
func (c *Calendar) Len() int { return len(c.Starts) - 1 }

// last is the number of the last day.
func (c *Calendar) last() int { return c.Len() - 1 }

// All returns every day.
func (c *Calendar) All() (d Days) {
	d.Add(0, c.last())
	return d
}

// Touched returns the days that have an instant from one until just before another, which is zero for without end.
func (c *Calendar) Touched(from, until time.Time) (d Days) {
	if !until.IsZero() && !until.After(from) {
		return d
	}
	last := c.last()
	if !until.IsZero() {
		last = min(last, c.begun(until)-1) // the last that begins before
	}
	d.Add(max(c.begunBy(from)-1, 0), last)
	return d
}

// Within returns the days that lie whole from one instant until another, which is zero for without end.
func (c *Calendar) Within(from, until time.Time) (d Days) {
	last := c.last()
	if !until.IsZero() {
		last = c.begunBy(until) - 2 // the last that has ended by then
	}
	d.Add(c.begun(from), last)
	return d
}

// Dates returns the days of the view from a date to another, both included.
func (c *Calendar) Dates(first, last civil.Date) (d Days) {
	// Dates may be as far away as any are: they are compared before they are subtracted.
	if last < c.First || first > c.First.AddDays(c.last()) {
		return d
	}
	d.Add(int(max(first, c.First)-c.First), int(min(last, c.First.AddDays(c.last()))-c.First))
	return d
}

// Date returns the date of a day.
func (c *Calendar) Date(day int) civil.Date { return c.First.AddDays(day) }

// begun counts the starts that come before an instant.
func (c *Calendar) begun(t time.Time) int {
	n, _ := slices.BinarySearchFunc(c.Starts, t, time.Time.Compare)
	return n
}

// begunBy counts the starts that come no later than an instant.
func (c *Calendar) begunBy(t time.Time) int {
	n, found := slices.BinarySearchFunc(c.Starts, t, time.Time.Compare)
	if found {
		for n < len(c.Starts) && c.Starts[n].Equal(t) { // a day that a zone left out has no length
			n++
		}
	}
	return n
}
