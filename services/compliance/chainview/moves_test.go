package chainview_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/chainview"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// told tells moves in short.
func told(moves []*chainview.Move) (out []string) {
	for _, m := range moves {
		var tags []string
		for _, u := range m.Units {
			tags = append(tags, u.Tag)
		}
		out = append(out, fmt.Sprintf("%s to %s: %s %q %v, days %d to %d, %s, for %d", m.From, m.To, m.Kind, m.Size, tags, m.First, m.Last, m.Takes, len(m.Promises)))
	}
	return out
}

// TestMovesByHand is worked out by hand: four shops in Berlin, six days from Wednesday, 1 July 2026, 09:00. The pier has promised three BCDs from
// Friday to Saturday that it cannot hand out, two of size M and one of any, one more by name, and one that was to go out yesterday.
func TestMovesByHand(t *testing.T) {
	t.Parallel()
	z := zone(t, "Europe/Berlin")
	at := func(day, hour int) time.Time { return time.Date(2026, 7, day, hour, 0, 0, 0, z) }
	bcd := func(n int, shop, size string, left int64) *chainview.Unit {
		u := &chainview.Unit{Unit: &promise.Unit{ID: id(n), Tag: fmt.Sprint("B-", n), Kind: "bcd", Shop: shop, Size: size}}
		if left > 0 {
			u.Left.Dives, u.Left.Sure = &left, true
		}
		return u
	}
	broken := func(n int, size string, from, to time.Time) chainview.Promise {
		return chainview.Promise{ID: id(100 + n), Unit: id(90 + n), Shop: "pier", Kind: "bcd", Size: size, Window: promise.Window{Start: from, End: to}, Expected: due.Amount{Dives: 4}, Conflict: true}
	}
	weekend := []chainview.Promise{broken(1, "M", at(3, 10), at(4, 17)), broken(2, "M", at(3, 8), at(4, 17)), broken(3, "", at(3, 10), at(4, 17)), broken(4, "M", at(3, 10), at(4, 17)), broken(5, "M", at(1, 8), at(1, 12))}
	weekend[3].Pinned = true
	units := []*chainview.Unit{
		bcd(1, "near", "M", 20), bcd(2, "near", "L", 0), // near has one M
		bcd(3, "far", "M", 50), bcd(4, "far", "M", 30), bcd(5, "far", "M", 3), // far has two, and one with too few dives left
		bcd(6, "quay", "M", 0), // the quay is too far for Friday morning
	}
	units[4].Left.Sure = false // whether its dives would do only its history tells: it is not offered
	ways := map[chainview.Way]time.Duration{{From: "near", To: "pier"}: 2 * time.Hour, {From: "far", To: "pier"}: 20 * time.Hour, {From: "quay", To: "pier"}: 48 * time.Hour}
	view := func(spare int) chainview.View {
		return chainview.View{At: at(1, 9), Days: 6, Spare: spare, Zones: map[string]*time.Location{"pier": z, "near": z, "far": z, "quay": z}}
	}
	v := view(0)
	got := v.Count(units, weekend).Moves("", ways)
	// Both M come from one shop, though another with one is nearer; that with fewer dives left goes with the window that begins first. The one of any
	// size comes from near, and is the M with its dives counted rather than the L without a limit.
	want := []string{
		`far to pier: bcd "M" [B-4 B-3], days 2 to 3, 20h0m0s, for 2`,
		`near to pier: bcd "" [B-1], days 2 to 3, 2h0m0s, for 1`,
	}
	slices.Sort(want)
	if have := told(got); !slices.Equal(sorted(have), want) {
		t.Errorf("moves %q, want %q", have, want)
	}
	for _, m := range got {
		if m.Size == "M" && (!slices.Equal(m.Promises, []uuid.UUID{id(102), id(101)}) || !m.Leave.Equal(at(2, 12))) {
			t.Errorf("for %v, leaving at %s", m.Promises, m.Leave)
		}
	}
	// If each shop is to keep one, they still can: the one with few dives left stays at far. If each is to keep two, far gives one, for what begins first.
	v = view(1)
	if have := told(v.Count(units, weekend).Moves("", ways)); !slices.Equal(sorted(have), want) {
		t.Errorf("with one to spare: %q, want %q", have, want)
	}
	v = view(2)
	want = []string{`far to pier: bcd "M" [B-4], days 2 to 3, 20h0m0s, for 1`}
	if have := told(v.Count(units, weekend).Moves("", ways)); !slices.Equal(have, want) {
		t.Errorf("with two to spare: %q, want %q", have, want)
	}
	v = view(1)
	// Without promises the pier is only short of a spare one. From near it could be there today, but not all day long: it helps from tomorrow on.
	want = []string{`near to pier: bcd "" [B-1], days 1 to 5, 2h0m0s, for 0`}
	if have := told(v.Count(units, []chainview.Promise{{ID: id(200), Unit: id(201), Shop: "pier", Kind: "bcd", Window: promise.Window{Start: at(6, 8), End: at(6, 9)}}}).Moves("", ways)); !slices.Equal(have, want) {
		t.Errorf("one to spare: %q, want %q", have, want)
	}
}

func sorted(s []string) []string {
	s = slices.Clone(s)
	slices.Sort(s)
	return s
}

// TestMovesHold checks what must be true of the moves for random fleets, quarter by quarter of an hour: units are there, would do, are ready and free from
// when they set out, arrive in time and are taken once; promises are served once; and a shop that gives keeps what it wants. What is not served
// could not have been: no unit that is left would do.
func TestMovesHold(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(9, 2026))
	served, spares, unserved := 0, 0, 0
	for n := range 600 {
		f := someFleet(t, r, n%4 > 0)
		ways := map[chainview.Way]time.Duration{}
		for a := range f.view.Zones {
			for b := range f.view.Zones {
				if a != b && r.IntN(3) > 0 {
					ways[chainview.Way{From: a, To: b}] = time.Duration(1+r.IntN(120)) * 15 * time.Minute
				}
			}
		}
		counted := f.view.Count(f.units, f.promises)
		moves := counted.Moves("", ways)
		gone := map[uuid.UUID][]promise.Window{} // for each unit when it is away
		usedFor := map[uuid.UUID]bool{}
		for _, m := range moves {
			if m.From == m.To || len(m.Units) == 0 || m.Takes != ways[chainview.Way{From: m.From, To: m.To}] || len(m.Promises) > 0 && len(m.Promises) != len(m.Units) {
				t.Fatalf("case %d: %q", n, told([]*chainview.Move{m}))
			}
			c := f.view.Calendar(m.To)
			for i, u := range m.Units {
				w := promise.Window{Start: c.Starts[m.First], End: c.Starts[m.Last+1].Add(-time.Microsecond)}
				if len(m.Promises) > 0 {
					k := slices.IndexFunc(f.promises, func(p chainview.Promise) bool { return p.ID == m.Promises[i] })
					p := f.promises[k]
					if usedFor[p.ID] || !p.Conflict || p.Pinned || p.Out || p.Shop != m.To || p.Kind != m.Kind || p.Size != m.Size {
						t.Fatalf("case %d: %q serves %+v", n, told([]*chainview.Move{m}), p)
					}
					usedFor[p.ID] = true
					w = p.Window
					if m.Takes == 0 && w.Start.Before(f.view.At) {
						w.Start = f.view.At
					}
					served++
				} else {
					spares++
				}
				from := w.Start.Add(-m.Takes)
				if from.Before(f.view.At) {
					t.Fatalf("case %d: %q arrives too late: it would have to leave at %s", n, told([]*chainview.Move{m}), from)
				}
				if len(gone[u.ID]) > 0 || u.Shop != m.From || u.Kind != m.Kind || m.Size != "" && u.Size != m.Size {
					t.Fatalf("case %d: %q takes %+v", n, told([]*chainview.Move{m}), u)
				}
				whole := f.units[slices.IndexFunc(f.units, func(o *chainview.Unit) bool { return o.ID == u.ID })]
				for q := from; q.Before(w.End); q = q.Add(15 * time.Minute) {
					_, ready, _, _, _ := what(whole, 0, q)
					for _, cl := range u.Claims {
						ready = ready && !taken(cl.Window, cl.Out, f.view.At, q)
					}
					if !ready {
						t.Fatalf("case %d: %q takes %s, which is not free at %s", n, told([]*chainview.Move{m}), u.Tag, q)
					}
				}
				gone[u.ID] = append(gone[u.ID], promise.Window{Start: from, End: w.End})
			}
		}
		// Count again what each shop that gave has left on each day on which something of it is away.
		for _, row := range counted.Rows {
			for day := range f.view.Days {
				away := int64(0)
				for _, u := range f.units {
					if u.Shop != row.Shop || u.Kind != row.Kind {
						continue
					}
					for _, w := range gone[u.ID] {
						if row.Calendar.Touched(w.Start, w.End).Has(day) {
							away++
						}
					}
				}
				if away > 0 && row.Free[day]-away < int64(f.view.Spare)+row.Conflicts[day] {
					t.Fatalf("case %d: %s of %s gives %d on day %d, of %d free with %d in conflict", n, row.Shop, row.Kind, away, day, row.Free[day], row.Conflicts[day])
				}
			}
		}
		// What could still be given?
		for _, p := range f.promises {
			if !p.Conflict || p.Out || p.Pinned || usedFor[p.ID] || f.view.Calendar(p.Shop).Touched(p.Start, p.End).Count() == 0 {
				continue
			}
			unserved++
			for _, u := range f.units {
				takes := ways[chainview.Way{From: u.Shop, To: p.Shop}]
				w := promise.Window{Start: p.Start.Add(-takes), End: p.End}
				if takes == 0 && w.Start.Before(f.view.At) {
					w.Start = f.view.At
				}
				if u.Shop == p.Shop || u.Kind != p.Kind || p.Size != "" && u.Size != p.Size || len(gone[u.ID]) > 0 || w.Start.Before(f.view.At) {
					continue
				}
				at := slices.IndexFunc(counted.Rows, func(o *chainview.Row) bool { return o.Shop == u.Shop && o.Kind == u.Kind })
				if at < 0 {
					continue
				}
				row := counted.Rows[at]
				could := u.For(w, p.Expected, f.view.At, uuid.Nil) == promise.Yes && row.Calendar.Touched(w.Start, w.End).Count() > 0 // beyond its view nobody knows
				for day := range f.view.Days {
					if !row.Calendar.Touched(w.Start, w.End).Has(day) {
						continue
					}
					left := row.Free[day] - row.Conflicts[day] - int64(f.view.Spare)
					for _, o := range f.units {
						for _, g := range gone[o.ID] {
							if o.Shop == u.Shop && o.Kind == u.Kind && row.Calendar.Touched(g.Start, g.End).Has(day) {
								left--
							}
						}
					}
					could = could && left > 0
				}
				if could && u.StatesOn(f.view.Calendar(u.Shop)).Ready.Count() > 0 {
					t.Fatalf("case %d: %s at %s could serve %+v", n, u.Tag, u.Shop, p)
				}
			}
		}
	}
	if served < 100 || spares < 25 || unserved < 100 {
		t.Errorf("%d promises were served and %d not, and %d units moved to spare", served, unserved, spares)
	}
}
