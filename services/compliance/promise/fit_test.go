package promise_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

var saturday = time.Date(2026, 7, 18, 8, 0, 0, 0, time.UTC)

// hours returns a window in hours from Saturday morning.
func hours(from, to int) promise.Window {
	return promise.Window{Start: saturday.Add(time.Duration(from) * time.Hour), End: saturday.Add(time.Duration(to) * time.Hour)}
}

func id(n int) uuid.UUID { return uuid.NewSHA1(uuid.NameSpaceOID, fmt.Append(nil, n)) }

func unit(n int, kind, size string) *promise.Unit {
	return &promise.Unit{ID: id(n), Tag: fmt.Sprintf("T-%02d", n), Kind: kind, Size: size, Shop: "pier"}
}

func dives(n int64, u *promise.Unit) *promise.Unit { u.Left.Dives = &n; return u }

// TestFitOrder sees each step of the order in which units are chosen decide between two that are alike in all steps before it.
func TestFitOrder(t *testing.T) {
	t.Parallel()
	w := hours(10, 20)
	some, more := 5*time.Hour, 6*time.Hour
	few, many := int64(5), int64(6)
	for _, c := range []struct {
		step          string
		better, other func(u *promise.Unit)
	}{
		{"dives left", func(u *promise.Unit) { u.Left.Dives = &few }, func(u *promise.Unit) { u.Left.Dives = &many }},
		{"a dive limit before none", func(u *promise.Unit) { u.Left.Dives = &many }, func(u *promise.Unit) { u.Left.Hours = &some }},
		{
			"dives left after what is promised",
			func(u *promise.Unit) {
				u.Left.Dives = &many
				u.Claims = []promise.Claim{{Allocation: id(90), Window: hours(100, 110), Expected: due.Amount{Dives: 2}}}
			},
			func(u *promise.Unit) { u.Left.Dives = &few },
		},
		{"hours left", func(u *promise.Unit) { u.Left.Hours = &some }, func(u *promise.Unit) { u.Left.Hours = &more }},
		{"fills left", func(u *promise.Unit) { u.Left.Fills = &few }, func(u *promise.Unit) { u.Left.Fills = &many }},
		{"earliest date", func(u *promise.Unit) { u.OK.Until = saturday.AddDate(0, 1, 0) }, func(u *promise.Unit) { u.OK.Until = saturday.AddDate(0, 2, 0) }},
		{"a date before none", func(u *promise.Unit) { u.OK.Until = saturday.AddDate(9, 0, 0) }, func(*promise.Unit) {}},
		{
			"tightest before",
			func(u *promise.Unit) { u.Claims = []promise.Claim{{Allocation: id(90), Window: hours(0, 9)}} },
			func(u *promise.Unit) { u.Claims = []promise.Claim{{Allocation: id(91), Window: hours(0, 8)}} },
		},
		{
			"tightest after",
			func(u *promise.Unit) { u.Claims = []promise.Claim{{Allocation: id(90), Window: hours(20, 21)}} },
			func(u *promise.Unit) { u.Claims = []promise.Claim{{Allocation: id(91), Window: hours(0, 9)}} },
		},
		{
			"on both sides before one",
			func(u *promise.Unit) {
				u.Claims = []promise.Claim{{Allocation: id(90), Window: hours(0, 9)}, {Allocation: id(92), Window: hours(30, 31)}}
			},
			func(u *promise.Unit) { u.Claims = []promise.Claim{{Allocation: id(91), Window: hours(0, 9)}} },
		},
	} {
		t.Run(c.step, func(t *testing.T) {
			t.Parallel()
			// The better one comes later by tag, so that the tag alone would choose the other.
			other, better := unit(1, "bcd", "M"), unit(2, "bcd", "M")
			c.better(better)
			c.other(other)
			for _, free := range [][]*promise.Unit{{better, other}, {other, better}} {
				got, lacks := promise.Fit([]promise.Want{{Kind: "bcd"}}, free, due.Amount{Dives: 1}, w)
				if len(got) != 1 || lacks != nil || got[0].Unit != better {
					t.Errorf("chose %v, lacks %v", got, lacks)
				}
			}
		})
	}
	a, b := unit(1, "bcd", "M"), unit(2, "bcd", "M")
	if got, _ := promise.Fit([]promise.Want{{Kind: "bcd"}}, []*promise.Unit{b, a}, due.Amount{}, w); got[0].Unit != a {
		t.Error("not by tag")
	}
}

// TestFitOutfit is worked out by hand: two divers want a set each, one a BCD of size M and the other any, and one a certain computer.
func TestFitOutfit(t *testing.T) {
	t.Parallel()
	free := []*promise.Unit{
		dives(80, unit(1, "regulator-set", "")), dives(12, unit(2, "regulator-set", "")), dives(9, unit(3, "regulator-set", "")),
		dives(3, unit(4, "bcd", "M")), dives(50, unit(5, "bcd", "M")), dives(40, unit(6, "bcd", "L")),
		unit(7, "computer", ""), unit(8, "computer", ""),
	}
	wants := []promise.Want{
		{Outfit: 1, Kind: "regulator-set"},
		{Outfit: 1, Kind: "bcd"},
		{Outfit: 2, Kind: "regulator-set"},
		{Outfit: 2, Kind: "bcd", Size: "M"},
		{Outfit: 2, Kind: "computer", Unit: id(8)},
		{Outfit: 3, Kind: "computer"},
	}
	// The M goes to whoever asked for it, though the one of any size came first. Any gets the L: its 40 dives are fewer than 50.
	want := []uuid.UUID{id(3), id(6), id(2), id(4), id(8), id(7)}
	got, lacks := promise.Fit(wants, free, due.Amount{Dives: 2}, hours(0, 10))
	if lacks != nil {
		t.Fatalf("lacks %v", lacks)
	}
	for i, c := range got {
		if c.Want != wants[i] || c.Unit.ID != want[i] {
			t.Errorf("%d: %v gets %s", i, c.Want, c.Unit.Tag)
		}
	}
	wants = append(wants,
		promise.Want{Outfit: 3, Kind: "bcd"}, promise.Want{Outfit: 3, Kind: "bcd"}, promise.Want{Outfit: 4, Kind: "computer", Unit: id(8)},
		promise.Want{Outfit: 4, Kind: "suit", Size: "XL"})
	got, lacks = promise.Fit(wants, free, due.Amount{Dives: 2}, hours(0, 10))
	missing := []promise.Lack{
		{Kind: "bcd", Wanted: 3, Free: 2}, {Kind: "computer", Unit: id(8), Wanted: 2, Free: 1}, {Kind: "suit", Size: "XL", Wanted: 1, Free: 0},
	}
	if got != nil || !slices.Equal(lacks, missing) {
		t.Errorf("got %v, lacks %v, want %v", got, lacks, missing)
	}
}

// someCase makes a small random fleet and what is wanted of it.
func someCase(r *rand.Rand) (wants []promise.Want, free []*promise.Unit) {
	kinds, sizes := []string{"bcd", "suit"}, []string{"", "M", "L"}
	for n := range r.IntN(7) {
		u := unit(n, kinds[r.IntN(2)], sizes[r.IntN(3)])
		if r.IntN(4) > 0 {
			u = dives(int64(r.IntN(6)), u)
		}
		if r.IntN(3) == 0 {
			left := int64(r.IntN(3))
			u.Left.Fills = &left
		}
		if r.IntN(3) == 0 {
			u.OK.Until = saturday.AddDate(0, 0, 1+r.IntN(3))
		}
		free = append(free, u)
	}
	for range r.IntN(6) {
		w := promise.Want{Kind: kinds[r.IntN(2)], Size: sizes[r.IntN(3)], Outfit: int32(r.IntN(3))}
		if r.IntN(4) == 0 {
			n := r.IntN(7)
			w.Unit = id(n)
			if n < len(free) && r.IntN(2) == 0 {
				w.Kind = free[n].Kind
			}
		}
		wants = append(wants, w)
	}
	return wants, free
}

// takes is what a want means, said again.
func takes(w promise.Want, u *promise.Unit) bool {
	return w.Kind == u.Kind && (w.Size == "" || w.Size == u.Size) && (w.Unit == uuid.Nil || w.Unit == u.ID)
}

// everyFit calls yield with every way to give each want a unit of its own.
func everyFit(wants []promise.Want, free []*promise.Unit, yield func(chosen []*promise.Unit)) {
	chosen := make([]*promise.Unit, len(wants))
	var next func(i int)
	next = func(i int) {
		if i == len(wants) {
			yield(chosen)
			return
		}
		for _, u := range free {
			if takes(wants[i], u) && !slices.Contains(chosen[:i], u) {
				chosen[i] = u
				next(i + 1)
			}
		}
	}
	next(0)
}

// waste is what is left of a unit, in the order in which it counts; dives alone can be summed over units.
func waste(u *promise.Unit, expected due.Amount) [3]int64 {
	w := [3]int64{math.MaxInt32, math.MaxInt32, math.MaxInt64}
	if u.Left.Dives != nil {
		w[0] = *u.Left.Dives - expected.Dives
	}
	if u.Left.Fills != nil {
		w[1] = *u.Left.Fills - expected.Fills
	}
	if !u.OK.Until.IsZero() {
		w[2] = u.OK.Until.Unix()
	}
	return w
}

// wastes sorts what is left of all that are chosen.
func wastes(chosen []*promise.Unit, expected due.Amount) [][3]int64 {
	all := make([][3]int64, len(chosen))
	for i, u := range chosen {
		all[i] = waste(u, expected)
	}
	slices.SortFunc(all, func(a, b [3]int64) int { return slices.Compare(a[:], b[:]) })
	return all
}

// TestFitAgainstEveryFit tries every assignment of small cases: Fit finds one if there is any, gives each want a unit of its own that does, does not
// depend on the order of what is free, and leaves the least to waste. Wants being of a size or of any, the units that can be chosen are the
// bases of a matroid: so the least is not only the least sum but the least in every place, sorted.
func TestFitAgainstEveryFit(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(5, 2026))
	expected := due.Amount{Dives: 1}
	w := hours(0, 10)
	fits := 0
	for n := range 30000 {
		wants, free := someCase(r)
		choices, lacks := promise.Fit(wants, free, expected, w)
		var least [][3]int64
		found := false
		everyFit(wants, free, func(chosen []*promise.Unit) {
			these := wastes(chosen, expected)
			if !found {
				found, least = true, these
				return
			}
			for i := range these { // in every place
				if slices.Compare(these[i][:], least[i][:]) < 0 {
					least[i] = these[i]
				}
			}
		})
		if found != (lacks == nil) || found != (choices != nil) {
			t.Fatalf("case %d: there is a fit: %v; choices %v, lacks %v", n, found, choices, lacks)
		}
		if !found {
			continue
		}
		fits++
		chosen := make([]*promise.Unit, len(choices))
		for i, c := range choices {
			if c.Want != wants[i] || !takes(wants[i], c.Unit) || slices.Contains(chosen[:i], c.Unit) {
				t.Fatalf("case %d: want %d %v gets %v", n, i, wants[i], c)
			}
			chosen[i] = c.Unit
		}
		if got := wastes(chosen, expected); !slices.Equal(got, least) {
			t.Fatalf("case %d: leaves %v, where %v could be had", n, got, least)
		}
		r.Shuffle(len(free), func(i, j int) { free[i], free[j] = free[j], free[i] })
		again, _ := promise.Fit(wants, free, expected, w)
		if !slices.Equal(again, choices) {
			t.Fatalf("case %d: %v, and in another order %v", n, choices, again)
		}
	}
	if fits < 5000 {
		t.Fatalf("only %d cases had a fit", fits)
	}
}

// TestFitLacks sees that giving a case what it lacks, and nothing less, makes it fit.
func TestFitLacks(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(6, 2026))
	lacking := 0
	for n := range 20000 {
		wants, free := someCase(r)
		for i := range wants {
			wants[i].Unit = uuid.Nil // what is asked for by name cannot be had by adding something else
		}
		_, lacks := promise.Fit(wants, free, due.Amount{}, hours(0, 10))
		if lacks == nil {
			continue
		}
		lacking++
		var missing []*promise.Unit
		for _, l := range lacks {
			for range l.Wanted - l.Free {
				missing = append(missing, unit(100+len(missing), l.Kind, l.Size))
			}
		}
		if _, left := promise.Fit(wants, append(slices.Clone(free), missing...), due.Amount{}, hours(0, 10)); left != nil {
			t.Fatalf("case %d: lacked %v; with that it lacks %v", n, lacks, left)
		}
		if _, left := promise.Fit(wants, append(slices.Clone(free), missing[1:]...), due.Amount{}, hours(0, 10)); left == nil {
			t.Fatalf("case %d: lacked %v, but fits with one less", n, lacks)
		}
	}
	if lacking < 3000 {
		t.Fatalf("only %d cases lacked something", lacking)
	}
}

// TestOutfitsAgainstFit serves outfits one by one, each with all that were served before: how many that are is what Outfits says.
func TestOutfitsAgainstFit(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(7, 2026))
	some := 0
	for n := range 20000 {
		wants, free := someCase(r)
		outfits := make([][]promise.Want, 3)
		for _, w := range wants {
			outfits[w.Outfit] = append(outfits[w.Outfit], w)
		}
		var served []promise.Want
		count := 0
		for _, o := range outfits {
			with := append(slices.Clone(served), o...)
			found := false
			everyFit(with, free, func([]*promise.Unit) { found = true })
			if found {
				served = with
				count++
			}
		}
		if got := promise.Outfits(outfits, free); got != count {
			t.Fatalf("case %d: %d outfits, want %d: %v of %v", n, got, count, outfits, free)
		}
		if count > 0 && count < 3 {
			some++
		}
	}
	if some < 3000 {
		t.Fatalf("only %d cases had some outfits and not all", some)
	}
}

// TestFitTwice sees that a unit told twice is taken once.
func TestFitTwice(t *testing.T) {
	t.Parallel()
	u := unit(1, "bcd", "M")
	same := *u
	wants := []promise.Want{{Kind: "bcd"}, {Kind: "bcd"}}
	if got, lacks := promise.Fit(wants, []*promise.Unit{u, &same}, due.Amount{}, hours(0, 1)); got != nil || len(lacks) != 1 {
		t.Errorf("got %v, lacks %v", got, lacks)
	}
	if n := promise.Outfits([][]promise.Want{wants}, []*promise.Unit{u, &same}); n != 0 {
		t.Errorf("%d outfits", n)
	}
}
