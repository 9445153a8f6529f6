package forecast

import (
	"math"
	"sort"

	"strandline.example/strandline/internal/civil"
)

// Years is how far a forecast reaches.
const Years = 10

// The chances that an Outlook's days stand for.
const (
	EarlyChance    = 0.05
	ExpectedChance = 0.5
	LateChance     = 0.95
)

// finest is into how many events at most what is left is divided: a spread finer than that means nothing, and the
// functions behind it are exact up to there.
const finest = 1e6

// Outlook is when what is left of a usage limit will be used up. Use begins on the day asked about, and goes on as if the unit
// stayed in service: rests, repairs and services to come are no part of it.
type Outlook struct {
	On         civil.Date
	Expected   civil.Mark // the first day by which it is as likely as not; zero beyond ten years or without any rate
	Early      civil.Mark // the same, with a chance of 1 in 20
	Late       civil.Mark // the same, with a chance of 19 in 20
	WeeklyRate float64    // at this time of the year, in amount
	OwnWeight  float64    // how much of the rate is the unit's own history, 0 to 1
	Guessed    float64    // how much of that history is an estimate, 0 to 1
	Peers      int        // of how many other units the kind's rate is

	need     float64 // events
	rate     Predictive
	exposure []float64 // by day from On: in all, up to the end of the day, in events
}

// Outlook returns when left more will have been used by a unit of the kind. Whole says that the amount is counted in whole ones.
func (k *Kind) Outlook(own *History, left float64, whole bool) *Outlook {
	o := &Outlook{On: k.On, Peers: k.Units}
	u := seriesOf(own, k.On)
	if u.total > 0 {
		o.Guessed = min(1, u.guessed/u.total)
	}
	if !k.Used && u.total <= 0 || !(left > 0) {
		return o
	}
	o.rate, o.OwnWeight = k.posterior(k.past(&u))
	o.rate = o.rate.blur(seasonSpread * k.Unseen)
	o.need = events(left, k.Dispersion, whole)
	end := int(k.On.AddMonths(12*Years) - k.On)
	o.exposure = make([]float64, end)
	sum := 0.0
	for d, m := range monthsFrom(k.On, end) {
		sum += k.Season[m] / k.Dispersion
		o.exposure[d] = sum
		if d == 0 {
			o.WeeklyRate = o.rate.Mean(7 * k.Season[m])
		}
	}
	if o.need > finest {
		o.coarsen(o.need / finest)
	}
	from := 0
	for _, q := range []struct {
		chance float64
		day    *civil.Mark
	}{{EarlyChance, &o.Early}, {ExpectedChance, &o.Expected}, {LateChance, &o.Late}} {
		from += sort.Search(end-from, func(d int) bool { return o.rate.AtLeast(o.need, o.exposure[from+d]) >= q.chance })
		if from == end {
			break
		}
		*q.day = civil.Day(k.On.AddDays(from))
	}
	return o
}

// events returns how many events of a size it takes to use up an amount. The burst that uses it up brings more than is left of it: on
// average half of a burst beyond what a single one would.
func events(left, size float64, whole bool) float64 {
	if whole {
		return (left + max(0, size-1)/2) / size
	}
	return (left + size/2) / size
}

// coarsen makes events larger.
func (o *Outlook) coarsen(by float64) {
	o.need /= by
	o.rate.Shape = max(1e-9, o.rate.Shape/by)
	o.rate.Rate /= by
	for d := range o.exposure {
		o.exposure[d] /= by
	}
}

// Before returns the chance that it is used up before a day.
func (o *Outlook) Before(day civil.Date) float64 {
	d := int(day) - int(o.On) - 1
	if d < 0 || len(o.exposure) == 0 {
		return 0
	}
	return o.rate.AtLeast(o.need, o.exposure[min(d, len(o.exposure)-1)])
}

// Known says whether there is any rate to go by.
func (o *Outlook) Known() bool { return len(o.exposure) > 0 && !math.IsNaN(o.WeeklyRate) }
