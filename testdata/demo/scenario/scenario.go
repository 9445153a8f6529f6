// Package scenario makes up the demo's chain of three shops and 24 months of its history, and writes them the way three shops
// would keep their spreadsheets. It always writes the same bytes.
package scenario

import "strandline.example/strandline/internal/civil"

// The history runs from first to last; last is the demo's day.
var (
	first = civil.New(2024, 11, 21)
	last  = civil.New(2026, 11, 20)
)

// Files returns every spreadsheet by name.
func Files() map[string][]byte {
	f := buildFleet()
	h := live(f)
	return sheets(f, h)
}

// dice is splitmix64: the same numbers on every machine and with every version of Go.
type dice struct{ s uint64 }

func (d *dice) next() uint64 {
	d.s += 0x9E3779B97F4A7C15
	z := d.s
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	return z ^ z>>31
}

// n returns a number from 0 to below.
func (d *dice) n(below int) int { return int(d.next() % uint64(below)) }

// in returns a number from lo to hi.
func (d *dice) in(lo, hi int) int { return lo + d.n(hi-lo+1) }

// chance is true in thousandths of cases.
func (d *dice) chance(thousandths int) bool { return d.n(1000) < thousandths }

func pick[T any](d *dice, of ...T) T { return of[d.n(len(of))] }
