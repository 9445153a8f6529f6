package forecast

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"strandline.example/strandline/internal/civil"
)

var asked = civil.New(2026, time.June, 1)

// steady is n uses of an amount, every so many days, the last yesterday.
func steady(n, every int, amount float64) History {
	h := History{From: asked.AddDays(-n * every)}
	for i := range n {
		d := asked.AddDays(-1 - i*every)
		h.Uses = append(h.Uses, Use{First: d, Last: d, Amount: amount})
	}
	return h
}

// check fails unless an outlook is sound in itself.
func check(t interface {
	Helper()
	Fatalf(string, ...any)
}, o *Outlook,
) {
	t.Helper()
	if !(o.OwnWeight >= 0 && o.OwnWeight <= 1) || !(o.WeeklyRate >= 0) || math.IsInf(o.WeeklyRate, 0) || !(o.Guessed >= 0 && o.Guessed <= 1) {
		t.Fatalf("own weight %v, weekly rate %v, guessed %v", o.OwnWeight, o.WeeklyRate, o.Guessed)
	}
	end := o.On.AddMonths(12 * Years)
	last := 0.0
	for d := o.On.AddDays(-3); d <= end.AddDays(3); d += 1 + max(0, d-o.On)/100 {
		c := o.Before(d)
		if !(c >= last-1e-9 && c <= 1) || d <= o.On && c != 0 {
			t.Fatalf("the chance before %s is %v, after %v the day before", d, c, last)
		}
		last = c
	}
	from := o.On
	for _, q := range []struct {
		day    civil.Mark
		chance float64
	}{{o.Early, EarlyChance}, {o.Expected, ExpectedChance}, {o.Late, LateChance}} {
		if q.day.IsZero() {
			if c := o.Before(end); c >= q.chance {
				t.Fatalf("no day for %v, but the chance within ten years is %v", q.chance, c)
			}
			continue
		}
		d := q.day.First()
		if d < from || d >= end || o.Before(d) >= q.chance || o.Before(d+1) < q.chance {
			t.Fatalf("%s for %v: the chance before it is %v and with it %v", d, q.chance, o.Before(d), o.Before(d+1))
		}
		from = d
	}
}

func TestOutlook(t *testing.T) {
	t.Parallel()
	week := steady(150, 7, 2) // two dives once a week
	peers := make([]History, 20)
	for i := range peers {
		peers[i] = steady(150, 7, 2)
	}
	o := Learn(&week, peers, asked).Outlook(&week, 20, true)
	check(t, o)
	if d := int(o.Expected.First() - asked); d < 55 || d > 80 || math.Abs(o.WeeklyRate-2) > 0.4 {
		t.Errorf("20 left at two a week: expected after %d days, %v a week", d, o.WeeklyRate)
	}
	if o.OwnWeight < 0.3 {
		t.Errorf("own weight %v after three years", o.OwnWeight)
	}
	if c := o.Before(o.Expected.First() + 1); c < 0.5 || c > 0.6 {
		t.Errorf("the chance with the expected day is %v", c)
	}

	// A new unit goes by its kind.
	fresh := History{From: asked}
	n := Learn(&fresh, peers, asked).Outlook(&fresh, 20, true)
	check(t, n)
	if n.OwnWeight != 0 || math.Abs(n.WeeklyRate-2) > 0.4 || n.Late.First() < o.Late.First() {
		t.Errorf("a new unit: own weight %v, %v a week, late %s (known unit: %s)", n.OwnWeight, n.WeeklyRate, n.Late, o.Late)
	}

	// A unit that goes ten times as often as its kind is told by itself.
	busy := steady(1000, 1, 3)
	b := Learn(&busy, peers, asked).Outlook(&busy, 100, true)
	check(t, b)
	if b.OwnWeight < 0.9 || math.Abs(b.WeeklyRate-21) > 3 {
		t.Errorf("a busy unit: own weight %v, %v a week", b.OwnWeight, b.WeeklyRate)
	}
}

// TestOwnWeight grows with the unit's history, for one kind.
func TestOwnWeight(t *testing.T) {
	t.Parallel()
	w := &world{rng: rand.New(rand.NewPCG(3, 3)), days: before, season: Even}
	months := monthsFrom(asked-before, before)
	peers := make([]History, 15)
	for i := range peers {
		y := rentals(w, months, w.gamma(2, 0.3))
		peers[i] = History{From: asked - before}
		for d, n := range y {
			if n > 0 {
				peers[i].Uses = append(peers[i].Uses, Use{First: asked - before + civil.Date(d), Last: asked - before + civil.Date(d), Amount: n})
			}
		}
	}
	k := Learn(nil, peers, asked)
	last := -1.0
	for _, days := range []int{0, 1, 7, 30, 90, 365, 700, before} {
		h := peers[0]
		h.From = asked.AddDays(-days)
		o := k.Outlook(&h, 50, true)
		check(t, o)
		if o.OwnWeight <= last {
			t.Errorf("own weight %v after %d days, %v before", o.OwnWeight, days, last)
		}
		last = o.OwnWeight
	}
	if last < 0.5 {
		t.Errorf("own weight %v after three years of rentals", last)
	}
}

// TestSeasonLearned compares with the season that the use was made with.
func TestSeasonLearned(t *testing.T) {
	t.Parallel()
	w := &world{rng: rand.New(rand.NewPCG(5, 5)), days: before, season: closed(rand.New(rand.NewPCG(1, 1)))}
	first := asked - before
	months := monthsFrom(first, before)
	units := make([]History, 150)
	for i := range units {
		units[i] = History{From: first.AddDays(w.rng.IntN(500))}
		for d, n := range rentals(w, months, w.gamma(2, 0.5)) {
			if n > 0 {
				units[i].Uses = append(units[i].Uses, Use{First: first.AddDays(d), Last: first.AddDays(d), Amount: n})
			}
		}
	}
	k := Learn(nil, units, asked)
	for m, f := range k.Season {
		if math.Abs(f-w.season[m]) > 0.25 {
			t.Errorf("month %d: factor %.2f, made with %.2f", m+1, f, w.season[m])
		}
	}
	// Nothing known: the same all year. Nothing used in some months: those are still not ruled out.
	if k := Learn(nil, nil, asked); k.Season != Even {
		t.Errorf("of nothing: %v", k.Season)
	}
	short := steady(40, 1, 2)
	for m, f := range Learn(&short, nil, asked).Season {
		if f < 0.3 || f > 2 {
			t.Errorf("after 40 days, month %d: %.2f", m+1, f)
		}
	}
}

// TestDegenerate asks where there is hardly anything to go by.
func TestDegenerate(t *testing.T) {
	t.Parallel()
	day := func(on civil.Date, amount float64) Use { return Use{First: on, Last: on, Amount: amount} }
	some := []History{steady(100, 5, 3), steady(80, 9, 2)}
	for name, c := range map[string]struct {
		own   History
		peers []History
		known bool
	}{
		"nothing at all":                  {History{From: asked}, nil, false},
		"never used, kind never used":     {History{From: asked - 900}, []History{{From: asked - 900}, {From: asked - 30}}, false},
		"never used, kind used":           {History{From: asked - 900}, some, true},
		"one use":                         {History{From: asked - 10, Uses: []Use{day(asked-5, 1)}}, nil, true},
		"one use long ago":                {History{From: asked - 4000, Uses: []Use{day(asked-3900, 1)}}, nil, false},
		"one use yesterday":               {History{From: asked - 1, Uses: []Use{day(asked-1, 4)}}, some, true},
		"used only today":                 {History{From: asked, Uses: []Use{day(asked, 4)}}, nil, false},
		"used only in the future":         {History{From: asked + 10, Uses: []Use{day(asked+20, 4)}}, nil, false},
		"used before it was known":        {History{From: asked - 3, Uses: []Use{day(asked-30, 4)}}, nil, false},
		"huge counts":                     {History{From: asked - 300, Uses: []Use{day(asked-200, 1e15), day(asked-100, 9e18)}}, some, true},
		"tiny amounts":                    {History{From: asked - 300, Uses: []Use{day(asked-200, 1e-12)}}, nil, true},
		"all estimated":                   {History{From: asked - 300, Uses: []Use{{First: asked - 200, Last: asked - 100, Amount: 40, Estimated: true}}}, some, true},
		"no number, backwards, negative":  {History{From: asked - 300, Uses: []Use{day(asked-3, math.NaN()), day(asked-3, math.Inf(1)), {First: asked - 3, Last: asked - 9, Amount: 3}, day(asked-3, -7)}}, nil, false},
		"known for no day at all":         {History{From: asked, Uses: []Use{day(asked-15, 2)}}, some, true},
		"a meter read once after years":   {History{From: asked - 3000, Uses: []Use{{First: asked - 3000, Last: asked - 1, Amount: 500}}}, nil, true},
		"the first day of the calendar":   {History{From: civil.New(1900, time.January, 1)}, some, true},
		"every peer used at one instant":  {History{From: asked - 100}, slices.Repeat([]History{{From: asked - 1, Uses: []Use{day(asked-1, 1)}}}, 50), true},
		"a kind of one that is not known": {History{From: asked - 100, Uses: []Use{day(asked-50, 2)}}, []History{{From: asked}}, true},
	} {
		for _, left := range []float64{1e-9, 1, 17, 1e6, 9e18, math.Inf(1)} {
			o := Learn(&c.own, c.peers, asked).Outlook(&c.own, left, left >= 1)
			check(t, o)
			if o.Known() != c.known {
				t.Errorf("%s: known %v", name, o.Known())
			}
			if !o.Known() && (!o.Expected.IsZero() || !o.Early.IsZero() || !o.Late.IsZero() || o.Before(asked+3000) != 0 || o.WeeklyRate != 0) {
				t.Errorf("%s: a forecast from nothing: %+v", name, o)
			}
		}
		for _, left := range []float64{0, -4, math.NaN()} {
			if o := Learn(&c.own, c.peers, asked).Outlook(&c.own, left, true); o.Known() {
				t.Errorf("%s: a forecast with %v left", name, left)
			}
		}
		if name == "all estimated" && Learn(&c.own, nil, asked).Outlook(&c.own, 10, true).Guessed != 1 {
			t.Errorf("%s: not all of it", name)
		}
	}
}

// drawHistory draws a history, also an odd one.
func drawHistory(t *rapid.T) History {
	h := History{From: asked.AddDays(-rapid.IntRange(-10, 1500).Draw(t, "known for"))}
	for range rapid.IntRange(0, 40).Draw(t, "uses") {
		first := asked.AddDays(-rapid.IntRange(-5, 1500).Draw(t, "ago"))
		h.Uses = append(h.Uses, Use{First: first, Last: first.AddDays(rapid.IntRange(0, 40).Draw(t, "for")), Amount: float64(rapid.IntRange(0, 50).Draw(t, "amount")), Estimated: rapid.Bool().Draw(t, "estimated")})
	}
	return h
}

// TestSound draws kinds and units: every outlook is sound, the order of uses does not matter, more left takes longer, and what happens
// today or later changes nothing.
func TestSound(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		own := drawHistory(t)
		peers := make([]History, rapid.IntRange(0, 5).Draw(t, "peers"))
		for i := range peers {
			peers[i] = drawHistory(t)
		}
		left := float64(rapid.IntRange(1, 300).Draw(t, "left"))
		o := Learn(&own, peers, asked).Outlook(&own, left, true)
		check(t, o)
		more := Learn(&own, peers, asked).Outlook(&own, left+5, true)
		check(t, more)
		for _, ahead := range []int{1, 30, 400, 3000} {
			if a, b := o.Before(asked.AddDays(ahead)), more.Before(asked.AddDays(ahead)); b > a+1e-9 {
				t.Fatalf("%d days ahead: %v with %v left and %v with 5 more", ahead, a, left, b)
			}
		}
		other := History{From: own.From, Uses: slices.Clone(own.Uses)}
		slices.Reverse(other.Uses)
		other.Uses = append(other.Uses, Use{First: asked, Last: asked + 3, Amount: 1000})
		again := Learn(&other, peers, asked).Outlook(&other, left, true)
		if math.Abs(again.WeeklyRate-o.WeeklyRate) > 1e-9*(1+o.WeeklyRate) || math.Abs(float64(again.Expected.First()-o.Expected.First())) > 1 {
			t.Fatalf("in another order, and with use to come: %v a week and %s, before %v and %s", again.WeeklyRate, again.Expected, o.WeeklyRate, o.Expected)
		}
	})
}

// FuzzOutlook asks with any bytes as the uses: the answer is sound.
func FuzzOutlook(f *testing.F) {
	f.Add([]byte("some bytes of no meaning that make a history of uses of all sizes"), 20.0, true)
	f.Add([]byte{}, 1e300, false)
	f.Fuzz(func(t *testing.T, data []byte, left float64, whole bool) {
		hs := []History{{From: asked - 700}, {From: asked - 90}, {From: asked - 2000}}
		for i := 0; len(data) >= 12 && i < 200; i++ {
			first := asked.AddDays(int(int16(binary.LittleEndian.Uint16(data)))) //nolint:gosec // any bits are a date
			amount := math.Float64frombits(binary.LittleEndian.Uint64(data[2:]))
			if math.Abs(amount) > 1e19 { // no ledger has more
				amount = math.Mod(amount, 1e19)
			}
			h := &hs[int(data[10])%len(hs)]
			h.Uses = append(h.Uses, Use{First: first, Last: first.AddDays(int(data[11]) - 3), Amount: amount, Estimated: data[10] > 127})
			data = data[12:]
		}
		o := Learn(&hs[0], hs[1:], asked).Outlook(&hs[0], left, whole)
		check(t, o)
		if s := o.Sentence(int64(min(1e18, max(0, left))), Dives, asked+30); s == "" {
			t.Fatal("no sentence")
		}
	})
}
