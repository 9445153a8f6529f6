package chainview_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/chainview"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

func id(n int) uuid.UUID { return uuid.NewSHA1(uuid.NameSpaceOID, fmt.Append(nil, n)) }

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// fleet is a random fleet: everything in it begins and ends at whole quarters of an hour.
type fleet struct {
	view     chainview.View
	units    []*chainview.Unit
	promises []chainview.Promise
}

var zones = []string{"Europe/Berlin", "Pacific/Apia", "Asia/Kathmandu", "Australia/Lord_Howe"}

// someFleet makes a fleet, with little wrong or much, at shops where clocks are changed within the view: in March or October, or in the days around the one that Samoa left out.
func someFleet(t testing.TB, r *rand.Rand, sound bool) *fleet {
	begin := []time.Time{
		time.Date(2026, 3, 25, 9, 0, 0, 0, time.UTC), time.Date(2026, 9, 30, 9, 15, 0, 0, time.UTC), time.Date(2011, 12, 26, 20, 30, 0, 0, time.UTC),
	}[r.IntN(3)]
	f := &fleet{view: chainview.View{At: begin, Days: 1 + r.IntN(14), Spare: r.IntN(3), Zones: map[string]*time.Location{}}}
	shops := 1 + r.IntN(4)
	for n := range shops {
		f.view.Zones[fmt.Sprint("shop", n)] = zone(t, zones[n])
	}
	kinds, sizes := []string{"bcd", "suit"}, []string{"", "M", "L"}
	within := func() time.Time { return begin.Add(time.Duration(r.IntN(20*96)-3*96) * 15 * time.Minute) }
	day := func() civil.Date { return civil.In(begin, time.UTC).AddDays(r.IntN(24) - 5) }
	few := 1
	if sound {
		few = 6
	}
	for n := range few * r.IntN(14) {
		u := &chainview.Unit{Unit: &promise.Unit{ID: id(n), Tag: fmt.Sprintf("T-%02d", n), Kind: kinds[r.IntN(2)], Size: sizes[r.IntN(3)], Shop: fmt.Sprint("shop", r.IntN(shops))}}
		switch r.IntN(5 * few) {
		case 0:
			u.OK.None = true
		case 1:
			u.OK.From, u.OK.Until = within(), within()
			u.OK.None = !u.OK.From.Before(u.OK.Until)
		case 2:
			u.OK.Until = day().Start(f.view.Zones[u.Shop])
		}
		u.Held = r.IntN(10*few) == 0
		if r.IntN(8*few) == 0 {
			u.Retired = within()
		}
		if r.IntN(8*few) == 0 {
			u.Commissioned = civil.Day(day())
		}
		if r.IntN(6) == 0 {
			u.Holds = append(u.Holds, chainview.Open{From: within()})
			if r.IntN(2) == 0 {
				u.Holds[0].Until = u.Holds[0].From.Add(time.Duration(r.IntN(300)) * 15 * time.Minute)
			}
		}
		for range r.IntN(3) {
			k := chainview.Clock{From: day(), To: day(), Lead: r.IntN(5), DateBlocks: r.IntN(4) > 0, UsageBlocks: r.IntN(4) > 0, Missing: r.IntN(6) == 0, Spent: r.IntN(6) == 0, UsageSoon: r.IntN(2) == 0}
			if r.IntN(2) == 0 {
				k.To = 1<<31 - 1
			}
			if r.IntN(3) > 0 {
				k.DueOn = civil.Day(day())
			}
			if r.IntN(3) == 0 {
				k.Excused = append(k.Excused, chainview.Span{First: -1 << 31, Last: day()})
			}
			if r.IntN(4) == 0 {
				k.Excused = append(k.Excused, chainview.Span{First: day(), Last: day()})
			}
			u.Clocks = append(u.Clocks, k)
		}
		// Promises of one unit do not overlap; one that is out is the first.
		from := begin.Add(-time.Duration(r.IntN(60)) * 15 * time.Minute)
		for k := range r.IntN(4) {
			if sound && r.IntN(3) > 0 {
				continue
			}
			w := promise.Window{Start: from, End: from.Add(time.Duration(1+r.IntN(200)) * 15 * time.Minute)}
			from = w.End.Add(time.Duration(r.IntN(100)) * 15 * time.Minute)
			out := k == 0 && r.IntN(2) == 0
			if !out && !w.End.After(begin) {
				continue // not collected in time: it does not count any more
			}
			p := chainview.Promise{ID: id(1000 + 10*n + k), Unit: u.ID, Shop: u.Shop, Kind: u.Kind, Size: []string{"", u.Size}[r.IntN(2)], Window: w, Out: out, Pinned: r.IntN(5) == 0, Conflict: r.IntN(3) == 0}
			f.promises = append(f.promises, p)
			u.Claims = append(u.Claims, promise.Claim{Allocation: p.ID, Window: w, Out: out})
		}
		f.units = append(f.units, u)
	}
	return f
}

// quarters returns the quarters of an hour of the view by the date at a shop.
func (f *fleet) quarters(c *chainview.Calendar) map[civil.Date][]time.Time {
	out := map[civil.Date][]time.Time{}
	for at := c.Starts[0]; at.Before(c.Starts[len(c.Starts)-1]); at = at.Add(15 * time.Minute) {
		on := civil.In(at, c.Zone)
		out[on] = append(out[on], at)
	}
	return out
}

// what says what a unit is at an instant: in the fleet, ready, pulled, overdue, due soon.
func what(u *chainview.Unit, on civil.Date, at time.Time) (living, ready, pulled, overdue, soon bool) {
	living = (u.Retired.IsZero() || at.Before(u.Retired)) && (u.Commissioned.IsZero() || on >= u.Commissioned.First())
	ready = !u.Held && !u.OK.None && !at.Before(u.OK.From) && (u.OK.Until.IsZero() || at.Before(u.OK.Until))
	pulled = u.Held
	for _, h := range u.Holds {
		pulled = pulled || !at.Before(h.From) && (h.Until.IsZero() || at.Before(h.Until))
	}
	for _, k := range u.Clocks {
		if on < k.From || on > k.To {
			continue
		}
		excused := slices.ContainsFunc(k.Excused, func(e chainview.Span) bool { return e.First <= on && on <= e.Last })
		switch {
		case k.Missing:
			pulled = pulled || !excused && k.UsageBlocks
			continue
		case !excused:
			overdue = overdue || k.UsageBlocks && k.Spent || k.DateBlocks && !k.DueOn.IsZero() && on > k.DueOn.First()
		}
		soon = soon || k.UsageSoon || !k.DueOn.IsZero() && on <= k.DueOn.First() && int(k.DueOn.First()-on) <= k.Lead
	}
	return living, ready, pulled, overdue, soon
}

func taken(w promise.Window, out bool, begin, at time.Time) bool {
	if out {
		return at.Before(w.End) || !w.End.After(begin)
	}
	return !at.Before(w.Start) && at.Before(w.End)
}

// TestCountByTheQuarter counts random fleets unit by unit, day by day and quarter by quarter of an hour.
func TestCountByTheQuarter(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(8, 2026))
	sums := map[string]int64{}
	for n := range 400 {
		f := someFleet(t, r, false)
		got := f.view.Count(f.units, f.promises)
		rows := map[[2]string]*chainview.Row{}
		for _, row := range got.Rows {
			rows[[2]string{row.Shop, row.Kind}] = row
		}
		for shop, z := range f.view.Zones {
			c := chainview.CalendarOf(f.view.At, f.view.Days, z)
			byDate := f.quarters(c)
			for _, kind := range []string{"bcd", "suit"} {
				row := rows[[2]string{shop, kind}]
				owned := map[uuid.UUID]bool{}
				want := map[string][]int64{}
				for day := range f.view.Days {
					quarters := byDate[c.Date(day)]
					count := map[string]int64{}
					free := map[uuid.UUID]bool{}
					for _, u := range f.units {
						if u.Shop != shop || u.Kind != kind {
							continue
						}
						var living, pulled, overdue, soon bool
						ready, busy := true, false
						for _, at := range quarters {
							l, a, p, o, s := what(u, c.Date(day), at)
							living, pulled, overdue, soon = living || l, pulled || l && p, overdue || l && o, soon || l && s
							ready = ready && a
							for _, w := range u.Claims {
								busy = busy || taken(w.Window, w.Out, f.view.At, at)
							}
						}
						if len(quarters) == 0 || !living {
							continue
						}
						owned[u.ID] = true
						if ready {
							count["ready"]++
							if !busy {
								free[u.ID] = true
							}
						}
						leaves := slices.ContainsFunc(quarters, u.Retired.Equal)
						switch {
						case pulled, !ready && !overdue && !leaves:
							count["pulled"]++
						case overdue:
							count["overdue"]++
						case soon:
							count["soon"]++
						}
					}
					promised, out := map[uuid.UUID]bool{}, map[uuid.UUID]bool{}
					for _, p := range f.promises {
						if p.Shop != shop || p.Kind != kind || !slices.ContainsFunc(quarters, func(at time.Time) bool { return taken(p.Window, p.Out, f.view.At, at) }) {
							continue
						}
						if p.Out {
							out[p.Unit] = true
						} else {
							promised[p.Unit] = true
							if p.Conflict {
								count["conflicts"]++
							}
						}
					}
					count["promised"], count["out"], count["free"] = int64(len(promised)), int64(len(out)), int64(len(free))
					count["short"] = count["conflicts"] + max(0, int64(f.view.Spare)-count["free"])
					for _, k := range []string{"ready", "promised", "out", "pulled", "overdue", "soon", "free", "conflicts", "short"} {
						want[k] = append(want[k], count[k])
						sums[k] += count[k]
					}
				}
				if row == nil {
					for _, k := range []string{"ready", "promised", "out", "pulled", "overdue", "soon"} {
						if slices.Max(want[k]) > 0 {
							t.Fatalf("case %d: no row of %s at %s, where %s is %v", n, kind, shop, k, want[k])
						}
					}
					continue
				}
				if row.Owned != int64(len(owned)) {
					t.Fatalf("case %d: %s at %s: %d owned, want %d", n, kind, shop, row.Owned, len(owned))
				}
				for k, have := range map[string][]int64{
					"ready": row.Ready, "promised": row.Promised, "out": row.Out, "pulled": row.Pulled, "overdue": row.Overdue, "soon": row.Soon, "free": row.Free,
					"conflicts": row.Conflicts, "short": row.Short(f.view.Spare),
				} {
					for day := range f.view.Days {
						if len(byDate[c.Date(day)]) > 0 && have[day] != want[k][day] { // a day that was left out has no time at all
							t.Fatalf("case %d: %s at %s: %s on %s is %d, want %d", n, kind, shop, k, c.Date(day), have[day], want[k][day])
						}
					}
				}
			}
		}
	}
	for k, n := range sums {
		if n < 500 {
			t.Errorf("%s came up only %d times", k, n)
		}
	}
}

// TestCountByHand is written out by hand: five BCDs of a shop in Berlin over five days from Friday, 3 July 2026, 11:00 there.
func TestCountByHand(t *testing.T) {
	t.Parallel()
	z := zone(t, "Europe/Berlin")
	at := func(day, hour int) time.Time { return time.Date(2026, 7, day, hour, 0, 0, 0, z) }
	bcd := func(n int) *chainview.Unit {
		return &chainview.Unit{Unit: &promise.Unit{ID: id(n), Tag: fmt.Sprint("B-", n), Kind: "bcd", Shop: "pier"}}
	}
	fine, dueSunday, promised, pulled, out := bcd(1), bcd(2), bcd(3), bcd(4), bcd(5)
	// The second may be used through Sunday, the 5th, of which the rule warns two days ahead.
	dueSunday.OK.Until = at(6, 0)
	dueSunday.Clocks = []chainview.Clock{{From: 0, To: 1<<31 - 1, DueOn: civil.Day(civil.New(2026, 7, 5)), Lead: 2, DateBlocks: true, UsageBlocks: true}}
	// The third is promised twice on Saturday, and once more, in conflict, from Sunday evening to Monday noon.
	// The fourth fails on Saturday at 15:00. The fifth is out, and should be back on Saturday at 10:00.
	pulled.OK.Until, pulled.Holds = at(4, 15), []chainview.Open{{From: at(4, 15)}}
	all := []chainview.Promise{
		{ID: id(11), Unit: promised.ID, Shop: "pier", Kind: "bcd", Window: promise.Window{Start: at(4, 8), End: at(4, 12)}},
		{ID: id(12), Unit: promised.ID, Shop: "pier", Kind: "bcd", Window: promise.Window{Start: at(4, 12), End: at(4, 18)}},
		{ID: id(13), Unit: promised.ID, Shop: "pier", Kind: "bcd", Window: promise.Window{Start: at(5, 18), End: at(6, 12)}, Conflict: true},
		{ID: id(14), Unit: out.ID, Shop: "pier", Kind: "bcd", Window: promise.Window{Start: at(2, 8), End: at(4, 10)}, Out: true},
	}
	for _, p := range all {
		for _, u := range []*chainview.Unit{promised, out} {
			if u.ID == p.Unit {
				u.Claims = append(u.Claims, promise.Claim{Allocation: p.ID, Window: p.Window, Out: p.Out})
			}
		}
	}
	view := chainview.View{At: at(3, 11), Days: 5, Spare: 3, Zones: map[string]*time.Location{"pier": z}}
	got := view.Count([]*chainview.Unit{fine, dueSunday, promised, pulled, out}, all)
	if len(got.Rows) != 1 || got.Rows[0].Owned != 5 || got.Rows[0].Calendar.First != civil.New(2026, 7, 3) {
		t.Fatalf("rows: %+v", got.Rows)
	}
	row := got.Rows[0]
	for _, c := range []struct {
		what      string
		got, want []int64
	}{
		//                          Fri Sat Sun Mon Tue
		{"ready", row.Ready, []int64{5, 4, 4, 3, 3}},
		{"promised", row.Promised, []int64{0, 1, 1, 1, 0}},
		{"out", row.Out, []int64{1, 1, 0, 0, 0}},
		{"pulled", row.Pulled, []int64{0, 1, 1, 1, 1}},
		{"overdue", row.Overdue, []int64{0, 0, 0, 1, 1}},
		{"due soon", row.Soon, []int64{1, 1, 1, 0, 0}},
		{"free", row.Free, []int64{4, 2, 3, 2, 3}},
		{"short", row.Short(3), []int64{0, 1, 1, 2, 0}}, // on Sunday and Monday the one in conflict, on Saturday and Monday one to spare
	} {
		if !slices.Equal(c.got, c.want) {
			t.Errorf("%s: %v, want %v", c.what, c.got, c.want)
		}
	}
}

// TestCountLarge counts a large fleet in one pass; each unit costs little, however many days there are.
func TestCountLarge(t *testing.T) {
	z := zone(t, "Europe/Berlin")
	begin := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	view := chainview.View{At: begin, Days: 90, Spare: 1, Zones: map[string]*time.Location{}}
	for n := range 30 {
		view.Zones[fmt.Sprint("shop", n)] = z
	}
	const many = 100_000
	units := make([]*chainview.Unit, many)
	var promises []chainview.Promise
	for n := range units {
		u := &chainview.Unit{Unit: &promise.Unit{ID: id(n), Kind: fmt.Sprint("kind", n%8), Shop: fmt.Sprint("shop", n%30)}}
		if n%3 == 0 {
			last := civil.New(2026, 3, 1).AddDays(n % 200)
			u.OK.Until = last.AddDays(1).Start(z)
			u.Clocks = []chainview.Clock{{To: 1<<31 - 1, DueOn: civil.Day(last), Lead: 30, DateBlocks: true, UsageBlocks: true}}
		}
		if n%5 == 0 {
			p := chainview.Promise{ID: id(many + n), Unit: u.ID, Shop: u.Shop, Kind: u.Kind, Window: promise.Window{Start: begin.Add(time.Duration(n%2000) * time.Hour)}}
			p.End = p.Start.Add(31 * time.Hour)
			u.Claims = []promise.Claim{{Allocation: p.ID, Window: p.Window, Expected: due.Amount{}}}
			promises = append(promises, p)
		}
		units[n] = u
	}
	start := time.Now()
	got := view.Count(units, promises)
	took := time.Since(start)
	start = time.Now()
	got.Moves("", nil)
	t.Logf("counted %d units and %d promises over %d days in %s, and looked for moves in %s", many, len(promises), view.Days, took, time.Since(start))
	if took > 5*time.Second {
		t.Errorf("it took %s", took)
	}
}
