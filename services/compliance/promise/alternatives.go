package promise

import (
	"slices"
	"time"
)

// Nearby returns the windows that lie up to so many civil days before and after another, from and to the same times of day in a zone: the
// nearest first, and the earlier of two that are as near. None begins before now, and none is empty.
func Nearby(w Window, days int, zone *time.Location, now time.Time) []Moved {
	var out []Moved
	for n := 1; n <= days; n++ {
		for _, by := range []int{-n, n} {
			if m := (Moved{w.Shift(by, zone), by}); !m.Empty() && !m.Start.Before(now) {
				out = append(out, m)
			}
		}
	}
	return out
}

// Moved is a window that lies some civil days after another, or before it for less than none.
type Moved struct {
	Window
	Days int
}

// Ahead returns the window that also holds the time before it that a transfer takes: a unit that comes from elsewhere must be free in it, and
// sets out when it begins.
func (w Window) Ahead(takes time.Duration) Window { return Window{w.Start.Add(-takes), w.End} }

// SizeCount is how many units there are of a size.
type SizeCount struct {
	Size string
	N    int
}

// OtherSizes counts the free units of a kind by size, leaving one size out, and those that have none. The sizes come in order of their names.
func OtherSizes(free []*Unit, kind, but string) []SizeCount {
	count := map[string]int{}
	for _, u := range free {
		if u.Kind == kind && u.Size != but && u.Size != "" {
			count[u.Size]++
		}
	}
	var out []SizeCount
	for size, n := range count {
		out = append(out, SizeCount{size, n})
	}
	slices.SortFunc(out, func(a, b SizeCount) int {
		if a.Size < b.Size {
			return -1
		}
		return 1
	})
	return out
}
