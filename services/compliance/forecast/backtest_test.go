package forecast

import (
	"math"
	"math/rand/v2"
	"sort"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"strandline.example/strandline/internal/civil"
)

// world makes the use of a fleet of one kind, day by day. Everything it draws comes from gonum's distributions.
type world struct {
	rng    *rand.Rand
	start  civil.Date
	days   int
	season [12]float64
}

// How many days are made before the day asked about, and how many after it, which are held back.
const (
	before = 3 * 365
	after  = 6 * 365
)

func (w *world) gamma(shape, mean float64) float64 {
	return distuv.Gamma{Alpha: shape, Beta: shape / mean, Src: w.rng}.Rand()
}

func (w *world) poisson(mean float64) int {
	if mean <= 0 {
		return 0
	}
	return int(distuv.Poisson{Lambda: mean, Src: w.rng}.Rand())
}

// waves is a season of one wave with its top in some month.
func waves(depth float64, top int) (s [12]float64) {
	for m := range s {
		s[m] = 1 + depth*math.Cos(2*math.Pi*float64(m-top)/12)
	}
	return s
}

// generator makes the days of one unit at a rate per day of an even year.
type generator func(w *world, months calendar, rate float64) []float64

// single is the model with one dive at a time.
func single(w *world, months calendar, rate float64) []float64 {
	y := make([]float64, w.days)
	for d := range y {
		y[d] = float64(w.poisson(rate * w.season[months[d]]))
	}
	return y
}

// triples is the model with bursts of three.
func triples(w *world, months calendar, rate float64) []float64 {
	y := single(w, months, rate/3)
	for d := range y {
		y[d] *= 3
	}
	return y
}

// rentals come at random, last up to a week and bring 1 to 4 dives a day.
func rentals(w *world, months calendar, rate float64) []float64 {
	y := make([]float64, w.days)
	for d := range y {
		for range w.poisson(rate * w.season[months[d]] / 7.5) {
			for n := range 1 + w.rng.IntN(5) {
				if d+n < len(y) {
					y[d+n] += float64(1 + w.rng.IntN(4))
				}
			}
		}
	}
	return y
}

// drifting grows or shrinks for good, by a rate of its own of up to a half a year, and levels off.
func drifting(w *world, months calendar, rate float64) []float64 {
	slope := (w.rng.Float64()*2 - 1) * 0.5
	y := make([]float64, w.days)
	for d := range y {
		years := float64(d-before) / 365
		y[d] = float64(w.poisson(rate * w.season[months[d]] * math.Exp(slope*math.Max(-3, math.Min(1.5, years)))))
	}
	return y
}

// resting is rentals with spells of one to four months on the shelf that come in no season.
func resting(w *world, months calendar, rate float64) []float64 {
	y := rentals(w, months, rate)
	for d := w.rng.IntN(200); d < len(y); {
		end := d + 30 + w.rng.IntN(90)
		for ; d < min(end, len(y)); d++ {
			y[d] = 0
		}
		d += 60 + w.rng.IntN(300)
	}
	return y
}

// hours is running time: runs of half an hour to five hours.
func hours(w *world, months calendar, rate float64) []float64 {
	y := make([]float64, w.days)
	for d := range y {
		for range w.poisson(rate * w.season[months[d]]) {
			y[d] += w.gamma(2, 1)
		}
	}
	return y
}

// tally counts forecasts and what came of them.
type tally struct {
	n, inside, early, late int
	pit                    []float64
}

// add compares a forecast with the day on which it came to pass. An interval of days has more than its chance, because a
// day is the least there is: the plain figure counts it as stated to people, the other draws where in the chance of its day
// the truth lies (a randomised probability integral transform), which is exactly uniform if the forecast is right.
func (c *tally) add(w *world, o *Outlook, on civil.Date) {
	c.n++
	switch {
	case !o.Early.IsZero() && on < o.Early.First():
		c.early++
	case o.Early.IsZero(), !o.Late.IsZero() && on > o.Late.First():
		c.late++
	default:
		c.inside++
	}
	lo, hi := o.Before(on), o.Before(on+1)
	c.pit = append(c.pit, lo+(hi-lo)*w.rng.Float64())
}

func (c *tally) coverage() float64 { return float64(c.inside) / float64(c.n) }

// randomised returns the part of the truths in the middle nine tenths of their forecasts' chance.
func (c *tally) randomised() float64 {
	in := 0
	for _, u := range c.pit {
		if u >= EarlyChance && u <= LateChance {
			in++
		}
	}
	return float64(in) / float64(c.n)
}

// uneven returns how far the chances stated lie from those that came true, at most.
func (c *tally) uneven() float64 {
	sort.Float64s(c.pit)
	worst := 0.0
	for i, u := range c.pit {
		worst = math.Max(worst, math.Max(math.Abs(u-float64(i)/float64(c.n)), math.Abs(u-float64(i+1)/float64(c.n))))
	}
	return worst
}

// scenario is a sort of fleet.
type scenario struct {
	name    string
	unit    generator
	season  func(*rand.Rand) [12]float64
	shape   float64 // of the units' rates
	weekly  float64
	peers   int
	newest  int // histories are of newest to oldest days
	oldest  int
	limit   int
	newly   int  // the units asked about are of 0 to this many days; 0 for as all
	uncount bool // not counted in whole ones
}

func (s *scenario) run(t testing.TB, seed uint64, fleets, asked int) *tally {
	t.Helper()
	var c tally
	for f := range fleets {
		w := &world{rng: rand.New(rand.NewPCG(seed, uint64(f))), start: civil.New(2019, time.January, 1), days: before + after}
		w.season = s.season(w.rng)
		months := monthsFrom(w.start, w.days)
		on := w.start.AddDays(before)
		mean := w.gamma(8, s.weekly/7)
		make1 := func(newest, oldest int) (History, []float64) {
			y := s.unit(w, months, w.gamma(s.shape, mean))
			h := History{From: on.AddDays(-newest - w.rng.IntN(oldest-newest+1))}
			for d := max(0, int(h.From-w.start)); d < before; d++ {
				if y[d] > 0 {
					day := w.start.AddDays(d)
					h.Uses = append(h.Uses, Use{First: day, Last: day, Amount: y[d]})
				}
			}
			return h, y
		}
		peers := make([]History, s.peers)
		for i := range peers {
			peers[i], _ = make1(s.newest, s.oldest)
		}
		for range asked {
			newest, oldest := s.newest, s.oldest
			if s.newly > 0 {
				newest, oldest = 0, s.newly
			}
			own, y := make1(newest, oldest)
			left := float64(1 + w.rng.IntN(s.limit))
			o := Learn(&own, peers, on).Outlook(&own, left, !s.uncount)
			day, sum := civil.Date(0), 0.0
			for d := before; d < len(y); d++ {
				if sum += y[d]; sum >= left {
					day = w.start.AddDays(d)
					break
				}
			}
			if day == 0 {
				day = w.start.AddDays(len(y)) // later than all that was made: as if on the next day
			}
			c.add(w, o, day)
		}
	}
	return &c
}

func anyWave(r *rand.Rand) [12]float64 { return waves(0.2+0.6*r.Float64(), r.IntN(12)) }

// closed is a shop that closes for five months.
func closed(r *rand.Rand) (s [12]float64) {
	first := r.IntN(12)
	for m := range 7 {
		s[(first+m)%12] = 12.0 / 7
	}
	return s
}

// TestCoverage foretells fleets whose later years are held back: the stated interval of nine tenths must hold 85 to 95 in a
// hundred of what came to pass, where use is made as the model says and where it is not.
func TestCoverage(t *testing.T) {
	if testing.Short() {
		t.Skip("arithmetic that takes long, and hundreds of forecasts are needed to tell 85 from 95 in a hundred")
	}
	base := scenario{unit: single, season: anyWave, shape: 3, weekly: 2, peers: 30, newest: 0, oldest: before, limit: 100}
	with := func(name string, change func(*scenario)) scenario {
		s := base
		s.name = name
		change(&s)
		return s
	}
	for _, s := range []scenario{
		with("the model, one at a time", func(*scenario) {}),
		with("the model, in bursts of three", func(s *scenario) { s.unit = triples }),
		with("rentals of days", func(s *scenario) { s.unit = rentals }),
		with("closed five months a year", func(s *scenario) { s.season = closed }),
		with("closed five months, rentals", func(s *scenario) { s.season, s.unit = closed, rentals }),
		with("spells on the shelf", func(s *scenario) { s.unit = resting }),
		with("drifting rates", func(s *scenario) { s.unit = drifting }),
		with("new units of an old kind", func(s *scenario) { s.newly = 60 }),
		with("a new kind", func(s *scenario) { s.oldest = 60 }),
		with("four of a kind", func(s *scenario) { s.peers = 3 }),
		with("the only one of its kind", func(s *scenario) { s.peers, s.newest = 0, 180 }),
		with("rarely used", func(s *scenario) { s.weekly, s.limit = 0.3, 20 }),
		with("running hours", func(s *scenario) { s.unit, s.uncount = hours, true }),
	} {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			c := s.run(t, 20260301, 50, 24)
			t.Logf("%-30s %5d forecasts: stated %5.1f%% (%4.1f%% before, %4.1f%% after), randomised %5.1f%%, chances off by at most %4.1f%%", s.name, c.n, 100*c.coverage(),
				100*float64(c.early)/float64(c.n), 100*float64(c.late)/float64(c.n), 100*c.randomised(), 100*c.uneven())
			if got := c.coverage(); got < 0.85 || got > 0.95 {
				t.Errorf("%.1f%% within the stated interval, want 85 to 95", 100*got)
			}
			if got := c.randomised(); got < 0.85 || got > 0.95 {
				t.Errorf("%.1f%% within, randomised, want 85 to 95", 100*got)
			}
		})
	}
}
