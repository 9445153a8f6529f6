package promise

import (
	"bytes"
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// Want is one unit that is wanted.
type Want struct {
	Outfit int32 // which of the outfits it belongs to
	Kind   string
	Size   string    // any if empty
	Unit   uuid.UUID // this very one; zero for any
}

// takes says whether a unit would do.
func (w *Want) takes(u *Unit) bool {
	return w.Kind == u.Kind && (w.Size == "" || w.Size == u.Size) && (w.Unit == uuid.Nil || w.Unit == u.ID)
}

// Choice is the unit that was chosen for a want.
type Choice struct {
	Want Want
	Unit *Unit
}

// Lack is what there is too little of. Of Wanted alike only Free are left: for those of any size, once the others are served.
type Lack struct {
	Kind, Size   string
	Unit         uuid.UUID
	Wanted, Free int
}

// Fit chooses a unit for each want out of those that are free for the window, or says what is missing: all or nothing. Choices come in the
// order of the wants, lacks in the order in which the wants name them.
//
// Units that are asked for by name are taken first, then those of a size, then those of any: so there is a choice whenever there could be
// one. Among units that would do, the one with the least to waste is taken, so that long-lived ones stay free: the fewest dives left
// after all that is promised and expected, then the least running time, then the fewest fills, a limit before none; then the earliest last
// day of use; then the tightest fit between its other promises; then its tag and id. So the answer does not depend on the order of free.
func Fit(wants []Want, free []*Unit, expected due.Amount, w Window) (choices []Choice, lacks []Lack) {
	pools := poolsOf(wants, free, expected, w)
	choices = make([]Choice, len(wants))
	for pass := byName; pass <= byKind; pass++ {
		for i := range wants {
			if want := &wants[i]; passOf(want) == pass {
				choices[i] = Choice{*want, pools[want.Kind].take(want)}
			}
		}
	}
	if lacks = lacksOf(choices); lacks != nil {
		return nil, lacks
	}
	return choices, nil
}

// Best returns the unit that Fit would take first of those that are free; nil if there are none.
func Best(free []*Unit, expected due.Amount, w Window) *Unit {
	var best fitting
	for _, u := range free {
		if f := fittingOf(u, expected, w); best.unit == nil || f.compare(&best) < 0 {
			best = f
		}
	}
	return best.unit
}

// The passes in which wants are served: the choosier first.
const (
	byName = iota
	bySize
	byKind
)

func passOf(w *Want) int {
	switch {
	case w.Unit != uuid.Nil:
		return byName
	case w.Size != "":
		return bySize
	}
	return byKind
}

// lacksOf counts, among wants alike, those without a unit; nil if there are none.
func lacksOf(choices []Choice) (lacks []Lack) {
	type like struct {
		kind, size string
		unit       uuid.UUID
	}
	all := map[like]*Lack{}
	var order []*Lack
	for i := range choices {
		w := &choices[i].Want
		k := like{w.Kind, w.Size, w.Unit}
		if all[k] == nil {
			all[k] = &Lack{Kind: w.Kind, Size: w.Size, Unit: w.Unit}
			order = append(order, all[k])
		}
		all[k].Wanted++
		if choices[i].Unit != nil {
			all[k].Free++
		}
	}
	for _, l := range order {
		if l.Free < l.Wanted {
			lacks = append(lacks, *l)
		}
	}
	return lacks
}

// pool is the free units of a kind, those with the least to waste first.
type pool struct {
	units []fitting
	from  map[string]int // by size, empty for any: those before are taken or of another size
}

// fitting is a unit with what would be wasted of it.
type fitting struct {
	unit  *Unit
	left  [3]int64 // dives, nanoseconds, fills
	until int64
	near  [2]time.Duration // to its other promises: the nearer, the farther
	taken bool
}

// poolsOf sorts the free units of the kinds that are wanted.
func poolsOf(wants []Want, free []*Unit, expected due.Amount, w Window) map[string]*pool {
	pools := map[string]*pool{}
	for i := range wants {
		if pools[wants[i].Kind] == nil {
			pools[wants[i].Kind] = &pool{from: map[string]int{}}
		}
	}
	for _, u := range free {
		if p := pools[u.Kind]; p != nil {
			p.units = append(p.units, fittingOf(u, expected, w))
		}
	}
	for _, p := range pools {
		slices.SortFunc(p.units, func(a, b fitting) int { return a.compare(&b) })
		p.units = slices.CompactFunc(p.units, func(a, b fitting) bool { return a.unit.ID == b.unit.ID }) // should one be told twice
	}
	return pools
}

// take returns the unit with the least to waste that would do for a want and was not taken, and takes it; nil if there is none.
func (p *pool) take(want *Want) *Unit {
	from := 0
	if want.Unit == uuid.Nil {
		from = p.from[want.Size]
	}
	for i := from; i < len(p.units); i++ {
		if f := &p.units[i]; !f.taken && want.takes(f.unit) {
			f.taken = true
			if want.Unit == uuid.Nil {
				p.from[want.Size] = i + 1
			}
			return f.unit
		}
	}
	if want.Unit == uuid.Nil {
		p.from[want.Size] = len(p.units)
	}
	return nil
}

func fittingOf(u *Unit, expected due.Amount, w Window) fitting {
	f := fitting{unit: u, left: [3]int64{math.MaxInt64, math.MaxInt64, math.MaxInt64}, until: math.MaxInt64}
	promised := u.Promised(uuid.Nil)
	if u.Left.Dives != nil {
		f.left[0] = *u.Left.Dives - promised.Dives - expected.Dives
	}
	if u.Left.Hours != nil {
		f.left[1] = int64(*u.Left.Hours - promised.Hours - expected.Hours)
	}
	if u.Left.Fills != nil {
		f.left[2] = *u.Left.Fills - promised.Fills - expected.Fills
	}
	if !u.OK.Until.IsZero() {
		f.until = u.OK.Until.UnixMicro()
	}
	before, after := time.Duration(math.MaxInt64), time.Duration(math.MaxInt64)
	for i := range u.Claims {
		switch c := &u.Claims[i]; {
		case !c.End.After(w.Start):
			before = min(before, w.Start.Sub(c.End))
		case !c.Start.Before(w.End):
			after = min(after, c.Start.Sub(w.End))
		}
	}
	f.near = [2]time.Duration{min(before, after), max(before, after)}
	return f
}

// compare orders units by what would be wasted of them; no two are alike.
func (f *fitting) compare(o *fitting) int {
	return cmp.Or(
		cmp.Compare(f.left[0], o.left[0]), cmp.Compare(f.left[1], o.left[1]), cmp.Compare(f.left[2], o.left[2]),
		cmp.Compare(f.until, o.until), cmp.Compare(f.near[0], o.near[0]), cmp.Compare(f.near[1], o.near[1]),
		strings.Compare(f.unit.Tag, o.unit.Tag), bytes.Compare(f.unit.ID[:], o.unit.ID[:]),
	)
}
