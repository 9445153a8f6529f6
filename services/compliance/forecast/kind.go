package forecast

import (
	"math"

	"strandline.example/strandline/internal/civil"
)

// The model. A unit has a rate Λ of its own, in amount per day of an even year. On a day of month m it is used at the rate
// Λ·season(m). Use comes in bursts (a rental brings several dives, a working day several fills), so a total over an exposure
// has not the variance of its mean but Dispersion times as much: Y/Dispersion is taken as Poisson. Rates of the units of one
// kind are gamma distributed, which with Poisson counts gives a gamma for the rate after any history, and a negative
// binomial for what is to come.
//
// Exposure and use are discounted by age with a half-life: of several the one under which the kind's own past would have been
// foretold best. Last, the kind's past is foretold from before it, and where the misses were larger than the spread stated
// (rates that drift, idle spells that come in no season), the dispersion is raised until they are not.

// halfLives are what the half-life is chosen from, in days.
var halfLives = [...]float64{60, 120, 240, 480, 960}

// What is assumed of a kind with too few units, as if it had been seen; common practice, no source.
const (
	defaultWeekly = 1.0  // events a week
	fewUnits      = 4.0  // the units' rates vary by as much as their mean, as if seen over this many units
	fewBursts     = 12.0 // a burst is as large as a day of use is on average, as if seen over this many of them
	fewBlocks     = 12.0 // the past was foretold as well as stated, as if seen over this many forecasts
	leastShape    = 0.15
	greatestShape = 200.0
)

// Kind is what the units of a kind tell of each other at a day.
type Kind struct {
	On         civil.Date
	Units      int     // how many, without the unit asked about
	Shape      float64 // of the units' rates
	Mean       float64 // mean rate, in amount per day of an even year
	Dispersion float64 // variance of a total over its mean, in amount
	HalfLife   float64 // days
	Season     Season
	Unseen     float64 // how little of the season was seen, 0 to 1
	Used       bool    // any use is known
	months     calendar
}

// Learn returns what the uses before a day tell of a kind: those of the unit asked about, nil for none, and of others.
func Learn(own *History, others []History, on civil.Date) *Kind {
	k := &Kind{On: on, months: monthsFrom(on-Window, Window)}
	all := make([]series, 0, len(others)+1)
	for i := range others {
		s := seriesOf(&others[i], on)
		if s.known() > 0 {
			all = append(all, s)
			k.Units++
			k.Used = k.Used || s.total > 0
		}
	}
	if own != nil {
		s := seriesOf(own, on)
		all = append(all, s)
		k.Used = k.Used || s.total > 0
	}
	event := burst(all)
	k.Season = Even
	for range 2 {
		k.Season = learnSeason(all, k.months, event)
		event = k.disperse(all, event)
	}
	k.Dispersion, k.Unseen = event, unseen(all, k.months)
	k.discount(all)
	return k
}

// burst returns the mean amount of a day of use, 1 if there is none.
func burst(all []series) float64 {
	sum, days := 0.0, 0
	for i := range all {
		sum += all[i].total
		days += all[i].useDays
	}
	if days == 0 {
		return 1
	}
	return sum / float64(days)
}

// spans are the lengths, in days, over which the index of dispersion is taken. Bursts show within a week; what binds weeks
// together (a group that keeps a set for a fortnight, a month on the shelf) only over longer ones. The largest index counts.
var spans = [...]int{7, 28}

// disperse returns the index of dispersion: the variance of totals over a span, over their mean, given the units' own rates
// and the season. Where there is little to learn it from, it is taken to be the size of a day's use; and however regular the
// use was, it is no less than a quarter of that, half the spread of use by chance.
func (k *Kind) disperse(all []series, event float64) float64 {
	size := burst(all)
	worst := 0.0
	for _, span := range spans {
		squares, expected := 0.0, 0.0
		for i := range all {
			u := &all[i]
			adjusted := 0.0
			for d := u.from; d < Window; d++ {
				adjusted += k.Season[k.months[d]]
			}
			if u.total <= 0 || !(adjusted > 0) {
				continue
			}
			rate := u.total / adjusted
			for end := Window; end-span >= u.from; end -= span {
				got, want := 0.0, 0.0
				for d := end - span; d < end; d++ {
					got += u.y[d]
					want += rate * k.Season[k.months[d]]
				}
				squares += (got - want) * (got - want)
				expected += want * (1 - want/u.total) // the unit's rate was taken from the same days
			}
		}
		worst = max(worst, (squares+fewBursts*size*size)/(expected+fewBursts*size))
	}
	if !(worst > 0) || math.IsInf(worst, 0) {
		return event
	}
	return max(worst, size/4)
}
