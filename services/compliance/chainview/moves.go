package chainview

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// Move is units that could be taken to another shop.
type Move struct {
	From, To    string
	Kind, Size  string // size is empty if any will do
	First, Last int    // days for which they are missing, as numbered at the shop that is short
	Units       []*promise.Unit
	Takes       time.Duration // zero if nobody has said
	Leave       time.Time     // when the first of them sets out, at the latest; zero if nobody has said how long it takes
	Promises    []uuid.UUID   // in conflict that they would serve, in the order of the units; empty where only spare ones are missing

	start time.Time
}

// Way is from one shop to another.
type Way struct{ From, To string }

// MostDonors is of how many shops, the nearest first, units are looked for where one is short.
const MostDonors = 50

// need is one unit that is missing.
type need struct {
	promise.Window
	first, last int // days at the shop that is short
	expected    due.Amount
	id          uuid.UUID // the promise; zero where one is missing to spare
}

// needs are those of one shop that are alike.
type needs struct {
	shop, kind, size string
	first, last      int
	all              []need
}

// Moves returns what would help a shop that is short, or every one for none: first those that cannot keep a promise, then those that have too few to spare; of each the
// ones that are first. ways says how long it takes from shop to shop, as far as anybody has said.
//
// A unit is taken where it is ready and free from when it sets out until it is no longer missing, and from a shop that still has as many to spare as it
// wants, and keeps its own promises, on all of these days. It must arrive before it is missing; of one that is missing to spare it is enough to arrive
// on a later day, from which on it helps. As few shops as can be are asked, the nearest first, and of their units those are taken with the least to
// waste. Promises of a certain unit are left alone. Each unit is in one move at most.
func (n *Counted) Moves(to string, ways map[Way]time.Duration) []*Move {
	m := &moving{Counted: n, ways: ways, used: map[uuid.UUID]bool{}, surplus: map[rowKey][]int64{}}
	for _, r := range n.Rows {
		s := make([]int64, n.View.Days)
		for i := range s {
			s[i] = r.Free[i] - int64(n.View.Spare) - r.Conflicts[i]
		}
		m.surplus[rowKey{r.Shop, r.Kind}] = s
	}
	for _, g := range append(m.broken(), m.missing()...) {
		if to == "" || g.shop == to {
			m.serve(g)
		}
	}
	slices.SortStableFunc(m.moves, func(a, b *Move) int {
		return cmp.Or(a.urgency()-b.urgency(), a.start.Compare(b.start))
	})
	return m.moves
}

// urgency orders moves: those that keep a promise first.
func (m *Move) urgency() int {
	if len(m.Promises) > 0 {
		return 0
	}
	return 1
}

// moving is moves that are being worked out.
type moving struct {
	*Counted
	ways    map[Way]time.Duration
	used    map[uuid.UUID]bool
	surplus map[rowKey][]int64 // day by day: how many a shop can give
	moves   []*Move
}

// broken returns what is missing for promises in conflict.
func (m *moving) broken() []*needs {
	type like struct {
		shop, kind, size string
		first, last      int
	}
	all := map[like]*needs{}
	var out []*needs
	for i := range m.Promises {
		p := &m.Promises[i]
		if !p.Conflict || p.Out || p.Pinned || m.View.Zones[p.Shop] == nil {
			continue
		}
		c := m.View.Calendar(p.Shop)
		days := p.days(c)
		if days.Count() == 0 {
			continue
		}
		d := need{Window: p.Window, expected: p.Expected, id: p.ID}
		d.first, d.last = days.ends()
		k := like{p.Shop, p.Kind, p.Size, d.first, d.last}
		if all[k] == nil {
			all[k] = &needs{shop: p.Shop, kind: p.Kind, size: p.Size, first: d.first, last: d.last}
			out = append(out, all[k])
		}
		all[k].all = append(all[k].all, d)
	}
	for _, g := range out {
		slices.SortFunc(g.all, func(a, b need) int {
			return cmp.Or(a.Start.Compare(b.Start), a.End.Compare(b.End), strings.Compare(a.id.String(), b.id.String()))
		})
	}
	sortNeeds(out)
	return out
}

// missing returns what is missing to spare: as few units as can be, each for days that follow one another.
func (m *moving) missing() []*needs {
	var out []*needs
	for _, r := range m.Rows {
		open := []int{} // since which day each of those missing is missing, the longest first
		for day := 0; day <= m.View.Days; day++ {
			short := 0
			if day < m.View.Days {
				short = int(max(0, int64(m.View.Spare)-r.Free[day]))
			}
			for len(open) < short {
				open = append(open, day)
			}
			closing := map[int]*needs{}
			for len(open) > short {
				first := open[len(open)-1]
				open = open[:len(open)-1]
				g := closing[first]
				if g == nil {
					g = &needs{shop: r.Shop, kind: r.Kind, first: first, last: day - 1}
					closing[first] = g
					out = append(out, g)
				}
				g.all = append(g.all, need{Window: m.window(r.Calendar, first, day-1), first: first, last: day - 1})
			}
		}
	}
	sortNeeds(out)
	return out
}

// window returns the window of whole days. Its end lies in the last: what may be used on that day all day long need not be so at midnight.
func (m *moving) window(c *Calendar, first, last int) promise.Window {
	return promise.Window{Start: c.Starts[first], End: c.Starts[last+1].Add(-time.Microsecond)}
}

func sortNeeds(all []*needs) {
	slices.SortFunc(all, func(a, b *needs) int {
		return cmp.Or(a.all[0].Start.Compare(b.all[0].Start), strings.Compare(a.shop, b.shop), strings.Compare(a.kind, b.kind), strings.Compare(a.size, b.size),
			cmp.Compare(a.last, b.last))
	})
}

// ends returns the first and the last day of a set that is not empty.
func (d Days) ends() (first, last int) {
	first, last = MostDays, -1
	d.eachRun(func(f, end int) { first, last = min(first, f), max(last, end-1) })
	return first, last
}

// serve looks for units for needs alike.
func (m *moving) serve(g *needs) {
	donors := m.donors(g)
	left := g.all
	for len(left) > 0 {
		var best []taken
		for _, shop := range donors {
			if could := m.from(shop, g, left); len(could) > len(best) {
				best = could
			}
			if len(best) == len(left) {
				break // the nearest that has them all
			}
		}
		if len(best) == 0 {
			return
		}
		mv := &Move{From: best[0].unit.Shop, To: g.shop, Kind: g.kind, Size: g.size, First: best[0].first, Last: best[0].last, start: best[0].Start}
		mv.Takes = m.ways[Way{mv.From, mv.To}]
		served := map[int]bool{}
		for i := range best {
			t := &best[i]
			m.mark(t, g.kind, true)
			served[t.of] = true
			mv.Units = append(mv.Units, t.unit)
			if t.id != uuid.Nil {
				mv.Promises = append(mv.Promises, t.id)
			}
			if leave := t.Start.Add(-mv.Takes); mv.Takes > 0 && (mv.Leave.IsZero() || leave.Before(mv.Leave)) {
				mv.Leave = leave
			}
		}
		m.moves = append(m.moves, mv)
		var rest []need
		for i := range left {
			if !served[i] {
				rest = append(rest, left[i])
			}
		}
		left = rest
	}
}

// donors returns the shops that could give units of a kind, the nearest first; those of which nobody has said how far they are come last.
func (m *moving) donors(g *needs) []string {
	var out []string
	for shop := range m.spare[g.kind] {
		if shop != g.shop && slices.Max(m.surplus[rowKey{shop, g.kind}]) > 0 {
			out = append(out, shop)
		}
	}
	far := func(shop string) time.Duration {
		if takes := m.ways[Way{shop, g.shop}]; takes > 0 {
			return takes
		}
		return math.MaxInt64
	}
	slices.SortFunc(out, func(a, b string) int { return cmp.Or(cmp.Compare(far(a), far(b)), strings.Compare(a, b)) })
	return out[:min(len(out), MostDonors)]
}

// taken is a unit that is taken for a need.
type taken struct {
	need
	of   int // which of those asked about
	unit *promise.Unit
	away Days // at the shop that it is taken from
}

// from works out which units a shop could give for needs alike. Nothing is taken yet.
func (m *moving) from(shop string, g *needs, left []need) (out []taken) {
	takes := m.ways[Way{shop, g.shop}]
	c := m.View.Calendar(shop)
	for i, d := range left {
		d, ok := m.reached(d, g.shop, takes)
		if !ok {
			continue
		}
		ahead := d.Ahead(takes)
		t := taken{need: d, of: i, away: c.Touched(ahead.Start, ahead.End)}
		if !m.gives(rowKey{shop, g.kind}, t.away) {
			continue
		}
		if t.unit = m.best(shop, g, d.expected, ahead); t.unit == nil {
			continue
		}
		m.mark(&t, g.kind, true)
		out = append(out, t)
	}
	for i := range out {
		m.mark(&out[i], g.kind, false)
	}
	return out
}

// reached returns what is left of a need for a unit that is on its way for so long from the beginning of the view on, and whether anything is.
func (m *moving) reached(d need, shop string, takes time.Duration) (need, bool) {
	arrives := m.View.At.Add(takes)
	switch {
	case !d.Start.Before(arrives):
	case d.id != uuid.Nil && takes > 0:
		return d, false
	case d.id != uuid.Nil: // it should be there now
		d.Start = arrives
	default:
		c := m.View.Calendar(shop)
		if d.first = c.begun(arrives); d.first > d.last {
			return d, false
		}
		d.Start = c.Starts[d.first]
	}
	return d, d.Start.Before(d.End)
}

// gives says whether a shop can give one more unit of a kind on all of some days.
func (m *moving) gives(k rowKey, days Days) bool {
	ok := days.Count() > 0
	days.eachRun(func(first, end int) {
		for _, n := range m.surplus[k][first:end] {
			ok = ok && n > 0
		}
	})
	return ok
}

// best returns the unit of a shop with the least to waste among those that would do and are free; nil if there is none.
func (m *moving) best(shop string, g *needs, expected due.Amount, w promise.Window) *promise.Unit {
	var could []*promise.Unit
	for _, u := range m.spare[g.kind][shop] {
		if !m.used[u.ID] && (g.size == "" || u.Size == g.size) && u.For(w, expected, m.View.At, uuid.Nil) == promise.Yes {
			could = append(could, u)
		}
	}
	return promise.Best(could, expected, w)
}

// mark takes a unit, or puts it back.
func (m *moving) mark(t *taken, kind string, take bool) {
	by := int64(1)
	if take {
		by = -1
		m.used[t.unit.ID] = true
	} else {
		delete(m.used, t.unit.ID)
	}
	surplus := m.surplus[rowKey{t.unit.Shop, kind}]
	t.away.eachRun(func(first, end int) {
		for i := first; i < end; i++ {
			surplus[i] += by
		}
	})
}
