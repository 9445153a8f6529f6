// Command generate writes the spreadsheets of the demo: an invented chain of three shops and 24 months of its history up to
// 2026-11-20. It always writes the same bytes.
//
//	go run ./testdata/demo/generate
package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"strandline.example/strandline/internal/civil"
)

// The history runs from first to last; last is the demo's day.
var (
	first = civil.New(2024, 11, 21)
	last  = civil.New(2026, 11, 20)
)

func main() {
	dir := filepath.Join("testdata", "demo")
	if len(os.Args) > 1 {
		dir = os.Args[1]
	}
	if err := write(dir); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

func write(dir string) error {
	files := generate()
	names := make([]string, 0, len(files))
	for n := range files {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		if err := os.WriteFile(filepath.Join(dir, n), files[n], 0o644); err != nil {
			return err
		}
	}
	return nil
}

// generate returns every file by name.
func generate() map[string][]byte {
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
