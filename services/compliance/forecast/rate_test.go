package forecast

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
)

type use struct {
	on     civil.Date
	amount int64
}

func rateOf(uses ...use) (r Rate) {
	for i := len(uses) - 1; i >= 0; i-- {
		if !r.Add(uses[i].on, uses[i].amount) {
			break
		}
	}
	return r
}

func TestReach(t *testing.T) {
	d := civil.New(2026, time.January, 1)
	for _, tt := range []struct {
		name string
		give []use
		left int64
		want string // empty for none
	}{
		{"no uses", nil, 10, ""},
		{"uses on one day only", []use{{d, 3}, {d, 4}}, 10, ""},
		{"2 a day", []use{{d, 5}, {d + 10, 20}}, 10, "2026-01-16"},            // 20 in 10 days; 10 left are 5 days after 11 January
		{"rounded up", []use{{d, 5}, {d + 10, 20}}, 11, "2026-01-17"},         // 5.5 days
		{"one short of a day", []use{{d, 1}, {d + 1, 1000}}, 1, "2026-01-03"}, // a thousandth of a day is a day
		{"a meter's first reading is no rate", []use{{d, 400}, {d + 10, 20}}, 10, "2026-01-16"},
		{"the last day counts whole", []use{{d, 1}, {d + 10, 10}, {d + 10, 10}}, 10, "2026-01-16"},
		{"older than 365 days do not count", []use{{d - 365, 1000}, {d - 10, 1}, {d, 10}}, 10, "2026-01-11"},
		{"the 365th day counts", []use{{d - 364, 1}, {d, 364}}, 10, "2026-01-11"},
		{"nothing left", []use{{d, 1}, {d + 10, 10}}, 0, ""},
		{"more than all used", []use{{d, 1}, {d + 10, 10}}, -3, ""},
		{"zero amounts are no uses", []use{{d, 1}, {d + 10, 0}}, 3, ""},
		{"beyond the calendar", []use{{d - 300, 1}, {d, 1}}, 1_000_000, ""},
		{"largest amounts", []use{{d, 1}, {d + 1, math.MaxInt64}, {d + 1, math.MaxInt64}}, math.MaxInt64, "2026-01-03"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := rateOf(tt.give...)
			on, ok := r.Reach(tt.left)
			got := ""
			if ok {
				got = on.String()
			}
			if got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

// TestReachAgainstRationals compares with the same definition in exact rational numbers (math/big) over whole histories.
func TestReachAgainstRationals(t *testing.T) {
	seed := uint64(20260301)
	rnd := rand.New(rand.NewPCG(seed, 1))
	t.Logf("seed %d", seed)
	for range sample(5_000) {
		var uses []use
		on := civil.New(2020+rnd.IntN(10), time.Month(1+rnd.IntN(12)), 1)
		for range rnd.IntN(40) {
			uses = append(uses, use{on, int64(rnd.IntN(9))})
			on += civil.Date(rnd.IntN(40))
		}
		left := int64(rnd.IntN(500))
		r := rateOf(uses...)
		got, ok := r.Reach(left)
		want, wantOK := slow(uses, left)
		if ok != wantOK || ok && got != want {
			t.Fatalf("uses %v, left %d: got %v %v, want %v %v", uses, left, got, ok, want, wantOK)
		}
	}
}

// sample is so many, or a twentieth with -short.
func sample(n int) int {
	if testing.Short() {
		return n / 20
	}
	return n
}

func slow(uses []use, left int64) (civil.Date, bool) {
	var real []use
	for _, u := range uses {
		if u.amount > 0 {
			real = append(real, u)
		}
	}
	if len(real) == 0 || left <= 0 {
		return 0, false
	}
	last := real[len(real)-1].on
	for len(real) > 0 && int(last-real[0].on) >= 365 {
		real = real[1:]
	}
	first, used := real[0].on, int64(0)
	for _, u := range real {
		if u.on > first {
			used += u.amount
		}
	}
	if first == last {
		return 0, false
	}
	rate := big.NewRat(used, int64(last-first))
	days := new(big.Rat).Quo(new(big.Rat).SetInt64(left), rate)
	for n := int64(0); n < 400_000; n++ {
		if new(big.Rat).SetInt64(n).Cmp(days) >= 0 {
			on := last + civil.Date(n)
			return on, on <= civil.New(2999, 12, 31)
		}
	}
	return 0, false
}
