package promise_test

import (
	_ "embed"
	"slices"
	"strings"
	"testing"

	"strandline.example/strandline/services/compliance/promise"
)

// relations are the thirteen in the signs of Allen's paper, with their definitions on the ends of the intervals (its figure 3, written so that
// none refers to another).
var relations = []struct {
	is, inverse promise.Relation
	sign        string
	holds       func(a, z, b, y int) bool // of a to z and b to y
}{
	{promise.Before, promise.After, "<", func(_, z, b, _ int) bool { return z < b }},
	{promise.After, promise.Before, ">", func(a, _, _, y int) bool { return y < a }},
	{promise.During, promise.Contains, "d", func(a, z, b, y int) bool { return b < a && z < y }},
	{promise.Contains, promise.During, "di", func(a, z, b, y int) bool { return a < b && y < z }},
	{promise.Overlaps, promise.OverlappedBy, "o", func(a, z, b, y int) bool { return a < b && b < z && z < y }},
	{promise.OverlappedBy, promise.Overlaps, "oi", func(a, z, b, y int) bool { return b < a && a < y && y < z }},
	{promise.Meets, promise.MetBy, "m", func(_, z, b, _ int) bool { return z == b }},
	{promise.MetBy, promise.Meets, "mi", func(a, _, _, y int) bool { return a == y }},
	{promise.Starts, promise.StartedBy, "s", func(a, z, b, y int) bool { return a == b && z < y }},
	{promise.StartedBy, promise.Starts, "si", func(a, z, b, y int) bool { return a == b && y < z }},
	{promise.Finishes, promise.FinishedBy, "f", func(a, z, b, y int) bool { return z == y && b < a }},
	{promise.FinishedBy, promise.Finishes, "fi", func(a, z, b, y int) bool { return z == y && a < b }},
	{promise.Equals, promise.Equals, "=", func(a, z, b, y int) bool { return a == b && z == y }},
}

// grid is every window between hours 0 and 6: six ends are all that three windows can have.
func grid() (all [][2]int) {
	for from := range 6 {
		for to := from + 1; to < 6; to++ {
			all = append(all, [2]int{from, to})
		}
	}
	return all
}

// TestRelate compares Relate with the definitions on every pair of a grid: exactly one holds.
func TestRelate(t *testing.T) {
	t.Parallel()
	seen := map[promise.Relation]int{}
	for _, a := range grid() {
		for _, b := range grid() {
			wa, wb := hours(a[0], a[1]), hours(b[0], b[1])
			got := promise.Relate(wa, wb)
			seen[got]++
			for _, r := range relations {
				if r.holds(a[0], a[1], b[0], b[1]) != (got == r.is) {
					t.Errorf("%v to %v: %s holds: %v; Relate says %s", a, b, r.is, r.holds(a[0], a[1], b[0], b[1]), got)
				}
			}
			if back := promise.Relate(wb, wa); back != got.Inverse() {
				t.Errorf("%v to %v: %s, and back %s", a, b, got, back)
			}
			// Half-open windows share an instant unless one ends before the other starts, or just then.
			shared := false
			for h := range 6 {
				shared = shared || a[0] <= h && h < a[1] && b[0] <= h && h < b[1]
			}
			if wa.Overlaps(wb) != shared || got.Disjoint() == shared {
				t.Errorf("%v to %v: %s; Overlaps %v, Disjoint %v, an instant in common: %v", a, b, got, wa.Overlaps(wb), got.Disjoint(), shared)
			}
		}
	}
	if len(seen) != 13 {
		t.Errorf("only %d relations were seen: %v", len(seen), seen)
	}
	for _, r := range relations {
		if r.is.Inverse() != r.inverse {
			t.Errorf("the inverse of %s is %s, want %s", r.is, r.is.Inverse(), r.inverse)
		}
	}
}

//go:embed testdata/allen.txt
var transitivity string

// TestTransitivity compares Allen's table of what follows from two relations with what Relate says of every three windows of a grid. Both ways:
// each relation of a cell occurs, and no other does. Every arrangement of three windows has at most six ends, so the grid has all of them.
func TestTransitivity(t *testing.T) {
	t.Parallel()
	type cell [2]promise.Relation
	follows := map[cell][]promise.Relation{}
	for _, a := range grid() {
		for _, b := range grid() {
			for _, c := range grid() {
				wa, wb, wc := hours(a[0], a[1]), hours(b[0], b[1]), hours(c[0], c[1])
				k := cell{promise.Relate(wa, wb), promise.Relate(wb, wc)}
				if r := promise.Relate(wa, wc); !slices.Contains(follows[k], r) {
					follows[k] = append(follows[k], r)
				}
			}
		}
	}
	bySign := map[string]promise.Relation{}
	for _, r := range relations {
		bySign[r.sign] = r.is
		// The line and the column of equality, which the table leaves out.
		for _, k := range []cell{{promise.Equals, r.is}, {r.is, promise.Equals}} {
			if !slices.Equal(follows[k], []promise.Relation{r.is}) {
				t.Errorf("%s and %s: %v", k[0], k[1], follows[k])
			}
		}
	}
	cells := 0
	var columns []string
	for line := range strings.Lines(transitivity) {
		fields := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		switch {
		case line[0] == '#':
			continue
		case columns == nil:
			columns = fields[1:]
			continue
		}
		for i, text := range fields[1:] {
			k := cell{bySign[fields[0]], bySign[columns[i]]}
			var want []promise.Relation
			for _, r := range relations {
				if text == "no info" || slices.Contains(strings.Fields(text), r.sign) {
					want = append(want, r.is)
				}
			}
			got := slices.Clone(follows[k])
			slices.Sort(got)
			slices.Sort(want)
			if !slices.Equal(got, want) {
				t.Errorf("%s and %s: the table has %v, the windows %v", k[0], k[1], want, got)
			}
			cells++
		}
	}
	if cells != 12*12 {
		t.Errorf("the table has %d cells", cells)
	}
}
