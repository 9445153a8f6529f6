package registry

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"strandline.example/strandline/internal/errs"
)

func TestZone(t *testing.T) {
	t.Parallel()
	for _, z := range []string{"Europe/Lisbon", "America/Argentina/Buenos_Aires", "Etc/GMT+5", "UTC", "Pacific/Chatham", "America/Port-au-Prince"} {
		if _, ok := Zone(z); !ok {
			t.Errorf("%s is unknown", z)
		}
	}
	for _, z := range []string{"", "Local", "localtime", "posixrules", "Factory", "posix/UTC", "right/UTC", "Mars/Olympus", "../etc/passwd", "/etc/localtime", "Europe/", "Europe//Lisbon", "a\x00b"} {
		if _, ok := Zone(z); ok {
			t.Errorf("%q is known", z)
		}
	}
}

// hour returns an instant some hours after a fixed one; 0 is the zero instant.
func hour(n int) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Date(2026, 1, 1, n, 0, 0, 0, time.UTC)
}

// Two spans have an instant in common exactly if some instant of the grid is in both: all their ends are on it.
func TestSpansAgainstAGrid(t *testing.T) {
	t.Parallel()
	span := func(rt *rapid.T, name string) Span {
		from := rapid.IntRange(0, 6).Draw(rt, name+" from")
		to := rapid.SampledFrom([]int{0, from + 1, from + 2, from + 4}).Draw(rt, name+" to")
		return Span{hour(from), hour(to)}
	}
	rapid.Check(t, func(rt *rapid.T) {
		a, b := span(rt, "a"), span(rt, "b")
		common, ok := a.And(b)
		any := false
		for n := -1; n < 15; n++ { // hour 0 is the zero instant, hour -1 comes before every end
			both := a.Has(hour(n)) && b.Has(hour(n))
			any = any || both
			if ok && both != common.Has(hour(n)) {
				rt.Errorf("%v and %v: %v at hour %d", a, b, common, n)
			}
		}
		if ok != any {
			rt.Errorf("%v and %v: common %v, want %v", a, b, ok, any)
		}
	})
}

// The cycle rule agrees with walking up hour by hour: a new fitting is refused exactly if at some hour of it the host sits in
// the part.
func TestInsideAgainstWalkingUpHourByHour(t *testing.T) {
	t.Parallel()
	const units, hours = 5, 8
	id := func(n int) uuid.UUID { return uuid.MustParse(fmt.Sprintf("00000000-0000-0000-0000-%012d", n+1)) }
	rapid.Check(t, func(rt *rapid.T) {
		var known []Fitting
		above := map[uuid.UUID][]Fitting{}
		hostAt := func(part uuid.UUID, at time.Time) (uuid.UUID, bool) {
			for _, f := range known {
				if f.Part == part && f.Span().Has(at) {
					return f.Host, true
				}
			}
			return uuid.Nil, false
		}
		for i := range 12 {
			from := rapid.IntRange(1, hours-1).Draw(rt, "from")
			to := rapid.SampledFrom([]int{0, from + 1, from + 3}).Draw(rt, "to")
			f := Fitting{Part: id(rapid.IntRange(0, units-1).Draw(rt, "part")), Host: id(rapid.IntRange(0, units-1).Draw(rt, "host")), From: hour(from), To: hour(to)}
			if slices.ContainsFunc(above[f.Part], func(o Fitting) bool { _, ok := o.Span().And(f.Span()); return ok }) {
				continue
			}
			want := false
			for n := 1; n <= hours+3; n++ {
				if !f.Span().Has(hour(n)) {
					continue
				}
				for u, ok := f.Host, true; ok; u, ok = hostAt(u, hour(n)) {
					want = want || u == f.Part
				}
			}
			if got := inside(f.Host, f.Part, f.Span(), above); got != want {
				rt.Fatalf("fitting %d, %v: cycle %v, want %v", i, f, got, want)
			}
			if want {
				continue
			}
			known = append(known, f)
			above[f.Part] = append(above[f.Part], f)
		}
	})
}

func TestTogetherAgainstAskingEachHour(t *testing.T) {
	t.Parallel()
	unit := func(rt *rapid.T, name string) Unit {
		u := Unit{Placements: []Placement{{Shop: rapid.SampledFrom([]string{"a", "b"}).Draw(rt, name)}}}
		for n := 2; n < 9; n++ {
			if rapid.IntRange(0, 3).Draw(rt, name+" moves") == 0 {
				u.Placements = append(u.Placements, Placement{rapid.SampledFrom([]string{"a", "b"}).Draw(rt, name), hour(n)})
			}
		}
		return u
	}
	rapid.Check(t, func(rt *rapid.T) {
		a, b := unit(rt, "a"), unit(rt, "b")
		from := rapid.IntRange(1, 9).Draw(rt, "from")
		during := Span{hour(from), hour(rapid.SampledFrom([]int{0, from + 1, from + 4}).Draw(rt, "to"))}
		want := time.Time{}
		for n := 12; n >= 1; n-- {
			if during.Has(hour(n)) && a.ShopAt(hour(n)) != b.ShopAt(hour(n)) {
				want = hour(n)
			}
		}
		if got, ok := together(a, b, during); ok != want.IsZero() || !got.Equal(want) {
			rt.Errorf("%v, %v during %v: apart at %v, want %v", a.Placements, b.Placements, during, got, want)
		}
	})
}

func TestProblemsAsAnError(t *testing.T) {
	t.Parallel()
	if err := (Problems{}).Err(); err != nil {
		t.Errorf("got %v", err)
	}
	// What is malformed comes first, and all of it.
	e := errs.As(Problems{missing("model", "orgs/o/models/m"), invalid("size", "x", "bad"), future("commission_date", "2030-01-01")}.Under("unit.").Err())
	if e == nil || e.Kind != errs.Invalid || len(e.Violations) != 2 || e.Violations[0].Field != "unit.size" || e.Reason != "INVALID_FIELD" {
		t.Errorf("got %#v", e)
	}
	e = errs.As(Problems{future("a", "1"), future("b", "2")}.Err())
	if e == nil || e.Reason != "IN_THE_FUTURE" {
		t.Errorf("got %#v", e)
	}
	e = errs.As(Problems{missing("model", "orgs/o/models/m"), exists("x", "y")}.Err())
	if e == nil || e.Kind != errs.NotFound || e.Resource != "orgs/o/models/m" || e.Meta["field"] != "model" {
		t.Errorf("got %#v", e)
	}
}

func TestEtag(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, name := range []string{"orgs/a/shops/b", "orgs/a/shops/b1", "orgs/a/models/b"} {
		for v := range int64(20) {
			tag := Etag(name, v)
			if seen[tag] || tag != Etag(name, v) {
				t.Errorf("%s version %d: %s", name, v, tag)
			}
			seen[tag] = true
		}
	}
}
