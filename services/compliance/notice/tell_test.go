package notice_test

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/notice"
)

// world keeps between ticks what a store keeps.
type world struct {
	told    time.Time
	number  int64
	rows    map[notice.Key]notice.Row
	news    map[uuid.UUID]notice.News
	seen    map[uuid.UUID]time.Time
	shops   map[string]*notice.Shop
	changes []notice.Change
	digests []notice.Digest
}

func (w *world) hear(unit uuid.UUID, n notice.News) {
	w.news[unit] = n
	if _, ok := w.seen[unit]; !ok {
		w.seen[unit] = n.At
	}
}

func (w *world) tick(now time.Time) {
	b := notice.Batch{Told: w.told, Until: now, Number: w.number, Rows: maps.Clone(w.rows), News: w.news, Seen: w.seen, Shops: w.shops}
	r := notice.Tell(&b)
	w.told, w.number, w.news = now, r.Number, map[uuid.UUID]notice.News{}
	for k, row := range r.Rows {
		if w.rows[k] = row; !row.Runs() && len(row.Plan) == 0 {
			delete(w.rows, k)
		}
	}
	w.changes, w.digests = append(w.changes, r.Changes...), append(w.digests, r.Digests...)
}

// heard is something that becomes known.
type heard struct {
	unit uuid.UUID
	notice.News
}

// story is what happens to some shops and units over months.
type story struct {
	begin, end time.Time
	shops      map[string]string // zones
	heard      []heard           // by instant
}

var wide = map[string]string{"ny": "America/New_York", "london": "Europe/London", "howe": "Australia/Lord_Howe", "apia": "Pacific/Apia"}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func randomStory(t testing.TB, rng *rand.Rand, begin time.Time, days int) story {
	s := story{begin: begin, end: begin.AddDate(0, 0, days), shops: wide}
	ids := slices.Sorted(maps.Keys(wide))
	for range 12 {
		var unit uuid.UUID
		for i := range unit {
			unit[i] = byte(rng.IntN(256))
		}
		for at := begin; at.Before(s.end); at = at.Add(time.Duration(1+rng.IntN(60*24*60)) * time.Minute) {
			shop := ids[rng.IntN(len(ids))]
			n := notice.News{At: at, Place: notice.Place{Shop: shop, Zone: zone(t, wide[shop])}}
			for i := range rng.IntN(4) {
				n.Rules = append(n.Rules, notice.Rule{Pack: "house", Rule: fmt.Sprint("r", i), Clocks: randomClocks(rng, civil.In(at, time.UTC))})
			}
			s.heard = append(s.heard, heard{unit, n})
		}
	}
	slices.SortStableFunc(s.heard, func(a, b heard) int { return a.At.Compare(b.At) })
	return s
}

// play lets the story happen; between two things that become known of a unit there is a tick at least.
func (s *story) play(t testing.TB, pause func() time.Duration) *world {
	w := &world{told: s.begin, rows: map[notice.Key]notice.Row{}, news: map[uuid.UUID]notice.News{}, seen: map[uuid.UUID]time.Time{}, shops: map[string]*notice.Shop{}}
	for id, name := range s.shops {
		z := zone(t, name)
		w.shops[id] = &notice.Shop{ID: id, Zone: z, Day: civil.In(s.begin, z)}
	}
	next := s.begin.Add(pause())
	for _, h := range s.heard {
		for next.Before(h.At) {
			w.tick(next)
			next = next.Add(pause())
		}
		if _, pending := w.news[h.unit]; pending {
			w.tick(h.At)
		}
		w.hear(h.unit, h.News)
	}
	for next.Before(s.end) {
		w.tick(next)
		next = next.Add(pause())
	}
	w.tick(s.end)
	return w
}

// TestTicksDoNotMatter plays stories over both changes of clocks with a tick each hour, and again with ticks at random times, some
// ten days apart: what is told, with its numbers and instants, and the digests are the same.
func TestTicksDoNotMatter(t *testing.T) {
	t.Parallel()
	rng := seed(t)
	told := 0
	for _, begin := range []time.Time{time.Date(2026, 2, 20, 0, 0, 0, 0, time.UTC), time.Date(2026, 9, 20, 7, 31, 0, 0, time.UTC), time.Date(2011, 12, 1, 0, 0, 0, 0, time.UTC)} {
		for range 4 {
			s := randomStory(t, rng, begin, 60)
			want := s.play(t, func() time.Duration { return time.Hour })
			got := s.play(t, func() time.Duration {
				if rng.IntN(10) == 0 {
					return 10 * 24 * time.Hour
				}
				return time.Duration(1+rng.IntN(72*60)) * time.Minute
			})
			told += len(want.changes)
			if w, g := lines(want), lines(got); !slices.Equal(w, g) {
				for i := range w {
					if i >= len(g) || w[i] != g[i] {
						t.Fatalf("line %d of %d and %d\n%v\n%v", i, len(w), len(g), w[i:min(i+3, len(w))], g[min(i, len(g)):min(i+3, len(g))])
					}
				}
				t.Fatal("more is told by the random ticks")
			}
			check(t, want)
		}
	}
	if told < 250 {
		t.Errorf("only %d changes were told", told)
	}
}

func lines(w *world) (out []string) {
	for _, c := range w.changes {
		out = append(out, fmt.Sprintf("%d %v %s %v %v %d %v", c.Number, c.Key, c.Shop, c.At, c.On, c.From.State, c.To))
	}
	for _, d := range w.digests {
		out = append(out, fmt.Sprintf("%+v", d))
	}
	return out
}

// check wants numbers without gaps, instants in order, each change to begin where the one before of its row ended, every day of every
// shop in one digest, every notice in one, and the counts to be those of the rows.
func check(t *testing.T, w *world) {
	t.Helper()
	last := map[notice.Key]notice.Standing{}
	var at time.Time
	for i, c := range w.changes {
		if c.Number != int64(i+1) || c.At.Before(at) || c.From.State == c.To.State && c.From.Blocking == c.To.Blocking {
			t.Fatalf("notice %d, after %v: %+v", i, at, c)
		}
		if l, ok := last[c.Key]; ok && (l.State != c.From.State || l.Blocking != c.From.Blocking) {
			t.Fatalf("%+v follows %+v", c, l)
		}
		if !at.Equal(c.At) && c.At.Before(w.seen[c.Unit].Add(notice.Settling)) {
			t.Fatalf("%+v is told while the unit settles", c)
		}
		last[c.Key], at = c.To, c.At
	}
	in := map[int64]int{}
	after := map[string]notice.Digest{}
	for _, d := range w.digests {
		z := w.shops[d.Shop].Zone
		if p, ok := after[d.Shop]; ok && (d.After != p.Upto || d.Day != civil.In((p.Day+1).Start(z), z)) {
			t.Fatalf("%+v follows %+v", d, p)
		}
		after[d.Shop] = d
		if local := d.At.In(z); local.Hour() != 6 || local.Minute() != 0 {
			t.Fatalf("%s: the digest of %v is made at %v", d.Shop, d.Day, local)
		}
		for _, c := range w.changes {
			if c.Shop == d.Shop && c.Number > d.After && c.Number <= d.Upto {
				in[c.Number]++
				if !c.At.Before(d.At) {
					t.Fatalf("the digest of %v has %+v", d.Day, c)
				}
			}
		}
	}
	for _, c := range w.changes {
		made := c.At.Before(after[c.Shop].At)
		if in[c.Number] != 1 && made || in[c.Number] != 0 && !made {
			t.Fatalf("notice %d is in %d digests", c.Number, in[c.Number])
		}
	}
	want := map[string]notice.Counts{}
	for _, r := range w.rows {
		c := want[r.Shop]
		if r.Blocking {
			c.Blocking++
		}
		if r.State == due.DueSoon {
			c.DueSoon++
		}
		want[r.Shop] = c
	}
	for id, s := range w.shops {
		if s.Standing != want[id] {
			t.Fatalf("%s counts %+v, want %+v", id, s.Standing, want[id])
		}
	}
}

// TestDigestCountsTheEndOfTheDay has a clock that blocks from the day after on: the digest of its last day does not count it, and tells it.
func TestDigestCountsTheEndOfTheDay(t *testing.T) {
	t.Parallel()
	z := zone(t, "America/New_York")
	last := day(t, "2026-03-07")
	begin := (last - 2).Start(z)
	clock := due.Clock{Pack: &due.Pack{ID: "house", Revision: 1}, Rule: &due.Rule{ID: "r"}, AnchorDate: civil.Day(last - 300), DueOn: civil.Day(last)}
	s := story{begin: begin, end: (last + 3).Start(z), shops: map[string]string{"ny": "America/New_York"}, heard: []heard{{uuid.UUID{1}, notice.News{
		At: begin, Place: notice.Place{Shop: "ny", Zone: z}, Rules: []notice.Rule{{Pack: "house", Rule: "r", Clocks: []due.Clock{clock}}},
	}}}}
	w := s.play(t, func() time.Duration { return 50 * time.Hour })
	check(t, w)
	if len(w.changes) != 2 || w.changes[0].To.State != due.Due || w.changes[1].To.State != due.Overdue || !w.changes[1].To.Blocking {
		t.Fatalf("%+v", w.changes)
	}
	want := []notice.Digest{
		{"ny", last - 2, notice.DigestTime(last-2, z), 0, 0, notice.Counts{DueSoon: 1}},
		{"ny", last - 1, notice.DigestTime(last-1, z), 0, 1, notice.Counts{DueSoon: 1}},
		{"ny", last, notice.DigestTime(last, z), 1, 2, notice.Counts{}},
		{"ny", last + 1, notice.DigestTime(last+1, z), 2, 2, notice.Counts{Blocking: 1}},
	}
	if !slices.Equal(w.digests, want) {
		t.Errorf("%+v\nwant %+v", w.digests, want)
	}
	lines := w.digests[3].Lines(notice.Told{Overdue: 1})
	if lines[0] != "Since the digest before: 1 rule overdue." || lines[1] != "At the end of 8 March 2026 1 rule was past what they allow, and no rules were due soon." {
		t.Errorf("%q", lines)
	}
}
