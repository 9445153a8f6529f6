package forecast

import (
	"math"

	"strandline.example/strandline/internal/civil"
)

// Window is how many days of use before the day asked about count: three years. What is older says little of the present,
// and a bound keeps a forecast's cost apart from a unit's age.
const Window = 3 * 365

// Use is what was used over some days, both ends included; most often on one. Amounts are dives, fills, or hours of running
// time. The difference of two meter readings was used on some day between them, and is spread over them evenly.
type Use struct {
	First, Last civil.Date
	Amount      float64
	Estimated   bool
}

// History is what one unit was used for.
type History struct {
	// From is the first day from which on it is known whether the unit was used. Uses before it count for nothing.
	From civil.Date
	Uses []Use
}

// series is a history as amounts per day of the window: day 0 is the first of it, the last is the day before the one asked about.
type series struct {
	from    int // the first day that is known
	y       []float64
	total   float64
	guessed float64 // the part of total that is an estimate
	useDays int     // days with any use
}

// seriesOf lays a history out over the window that ends before a day.
func seriesOf(h *History, on civil.Date) series {
	start := on - Window
	s := series{from: min(Window, max(0, int(h.From)-int(start))), y: make([]float64, Window)}
	for _, u := range h.Uses {
		if !(u.Amount > 0) || math.IsInf(u.Amount, 1) || u.Last < u.First {
			continue
		}
		first, last := int(u.First)-int(start), int(u.Last)-int(start)
		perDay := u.Amount / float64(last-first+1)
		for d := max(first, s.from); d <= min(last, Window-1); d++ {
			s.y[d] += perDay
			s.total += perDay
			if u.Estimated {
				s.guessed += perDay
			}
		}
	}
	for _, y := range s.y {
		if y > 0 {
			s.useDays++
		}
	}
	return s
}

// known says how many days are known.
func (s *series) known() int { return Window - s.from }

// calendar is the month (0 to 11) of each day of a window.
type calendar []int8

// monthsFrom returns the months of n days from a day on.
func monthsFrom(first civil.Date, n int) calendar {
	out := make(calendar, n)
	for i := 0; i < n; {
		day := first.AddDays(i)
		_, month, _ := day.Parts()
		for last := int(day.EndOfMonth() - first); i < n && i <= last; i++ {
			out[i] = int8(month - 1)
		}
	}
	return out
}
