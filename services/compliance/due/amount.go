package due

import (
	"math"
	"math/bits"
	"time"
)

// of returns one measure; hours in nanoseconds.
func (a *Amount) of(m Measure) int64 {
	switch m {
	case Dives:
		return a.Dives
	case Hours:
		return int64(a.Hours)
	case Fills:
		return a.Fills
	}
	return 0
}

// set sets one measure; hours in nanoseconds.
func (a *Amount) set(m Measure, n int64) {
	switch m {
	case Dives:
		a.Dives = n
	case Hours:
		a.Hours = time.Duration(n)
	case Fills:
		a.Fills = n
	}
}

// only returns an Amount of n in one measure.
func only(m Measure, n int64) (a Amount) {
	switch m {
	case Dives:
		a.Dives = n
	case Hours:
		a.Hours = time.Duration(n)
	case Fills:
		a.Fills = n
	}
	return a
}

// measures are all of them, in the order they are told.
var measures = [...]Measure{Dives, Hours, Fills}

// total is a sum of Amounts that cannot overflow for any ledger: running time is kept in 128 bits of nanoseconds, as two
// words, because a sum of meter readings can exceed what a Duration holds.
type total struct {
	dives, fills   int64
	hoursHi, hours uint64
}

func (t *total) add(a Amount) {
	t.dives += a.Dives
	t.fills += a.Fills
	var carry uint64
	t.hours, carry = bits.Add64(t.hours, uint64(a.Hours), 0)
	t.hoursHi += carry
}

// since returns the Amount by which t exceeds an earlier total; running time ends at the longest Duration.
func (t *total) since(earlier *total) Amount {
	lo, borrow := bits.Sub64(t.hours, earlier.hours, 0)
	hi := t.hoursHi - earlier.hoursHi - borrow
	a := Amount{Dives: t.dives - earlier.dives, Fills: t.fills - earlier.fills, Hours: time.Duration(lo)}
	if hi > 0 || lo > math.MaxInt64 {
		a.Hours = math.MaxInt64
	}
	return a
}

// Plus returns the sum of two amounts, none of which is negative; the greatest there is instead of one that does not fit.
func (a Amount) Plus(b Amount) Amount {
	for _, m := range measures {
		sum := a.of(m) + b.of(m)
		if sum < a.of(m) {
			sum = math.MaxInt64
		}
		a.set(m, sum)
	}
	return a
}
