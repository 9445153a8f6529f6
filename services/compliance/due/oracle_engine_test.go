package due_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"regexp"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// stand derives and judges a unit with its parts.
func stand(in due.Input, at, known time.Time) (due.Standing, *due.Derived, []*due.Derived) {
	self := due.Derive(in, at, known)
	var parts []*due.Derived
	for _, id := range due.PartsAt(in.Fittings, in.Unit, at) {
		p := in
		p.Unit = id
		d := due.Derive(p, at, known)
		parts = append(parts, &d)
	}
	return due.Stand(&self, parts, at), &self, parts
}

// engineAnswer puts a standing in the oracle's words.
func engineAnswer(s *due.Standing) string {
	var lines []string
	number := func(id uuid.UUID) int { return int(id[14])<<8 | int(id[15]) }
	blocks := func(u due.Use) (out string) {
		if u&due.HandOut != 0 {
			out += "h"
		}
		if u&due.Fill != 0 {
			out += "f"
		}
		return out
	}
	date := func(m civil.Mark) ymd {
		y, mo, d := m.Parts()
		return ymd{y, mo, d}
	}
	for _, r := range s.Reasons {
		about := ""
		switch {
		case r.Clock != nil:
			about = r.Clock.Pack.ID + "/" + r.Clock.Rule.ID
			if r.Measure != 0 {
				about += fmt.Sprintf(" %d", r.Measure-1)
			}
		case r.Hold != nil:
			about = r.Hold.ID
		}
		lines = append(lines, fmt.Sprintf("no %d %s %s %s", number(r.Unit), r.Code, blocks(r.Blocks), about))
	}
	for _, c := range s.Clocks {
		by := map[due.Baseline]string{due.Manufacture: "manufacture", due.FirstUse: "first-use", due.Commissioning: "commissioning"}[c.AnchorBaseline]
		if c.AnchorEntry != (uuid.UUID{}) {
			by = fmt.Sprintf("entry %d", number(c.AnchorEntry))
		}
		amount := func(a due.Amount) [3]int64 { return [3]int64{a.Dives, int64(a.Hours), a.Fills} }
		lines = append(lines, fmt.Sprintf("clock %d %s/%s state %d from %v by %s due %v used %v of %v, estimated %v", number(c.Unit), c.Pack.ID, c.Rule.ID, c.State(s.On),
			date(c.AnchorDate), by, date(c.DueOn), amount(c.Used), amount(c.Limit), amount(c.Estimated)))
	}
	for _, h := range s.Holds {
		if h.Cause == due.CauseMissingHistory && h.Rule != "" {
			continue // told by its clock
		}
		lines = append(lines, fmt.Sprintf("hold %d %s", number(h.Unit), h.ID))
	}
	sort.Strings(lines)
	return fmt.Sprintf("hand out %v, fill %v, worst %d\n%s", s.MayHandOut, s.MayFill, s.State, strings.Join(lines, "\n"))
}

// question picks an instant and an as-known instant: at random, at the very instant of an event, or around the midnights
// that end a last day of use.
func question(r *rand.Rand, w *world, unit int) (at, known time.Time) {
	at = begin.Add(time.Duration(r.Int64N(9*365*24*60)) * time.Minute)
	if len(w.entries) > 0 && r.IntN(4) == 0 {
		at = w.entries[r.IntN(len(w.entries))].occurred
	}
	if r.IntN(3) == 0 {
		known = at.Add(time.Duration(r.IntN(100*24)) * time.Hour)
		if len(w.entries) > 0 && r.IntN(2) == 0 {
			known = w.entries[r.IntN(len(w.entries))].recorded
		}
	}
	if d := due.Derive(w.input(unit), at, known); len(d.Clocks) > 0 && r.IntN(2) == 0 {
		c := d.Clocks[r.IntN(len(d.Clocks))]
		edges := []civil.Mark{c.DueOn, c.PhaseIn}
		for _, v := range c.Waivers {
			edges = append(edges, civil.Day(v.From-1), civil.Day(v.To))
		}
		if edge := edges[r.IntN(len(edges))]; !edge.IsZero() {
			last := edge.First()
			switch r.IntN(4) {
			case 0:
				at = last.Start(d.Stay.Zone)
			case 1:
				at = (last + 1).Start(d.Stay.Zone).Add(-1)
			case 2:
				at = (last + 1).Start(d.Stay.Zone)
			default:
				at = last.AddDays(-r.IntN(60)).Start(d.Stay.Zone)
			}
		}
	}
	return at, known
}

// TestOracle compares the engine with the brute-force oracle on random histories: 10,000, or 300 with -short, four questions each. A failure
// prints the seed and the number of the history, which repeat it.
func TestOracle(t *testing.T) {
	n := 10_000
	if testing.Short() {
		n = 300
	}
	seed := uint64(time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC).Unix())
	t.Logf("seed %d, %d histories", seed, n)
	seen := map[string]int{}
	for i := range n {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		w := randomWorld(r, 60, some(r))
		for range 4 {
			unit := r.IntN(len(w.units))
			at, known := question(r, w, unit)
			want := answerOf(w, unit, at, known)
			s, self, parts := stand(w.input(unit), at, known)
			if got := engineAnswer(&s); got != want {
				t.Fatalf("seed %d, history %d: unit %d at %v as known %v\n%s", seed, i, unit, at, known, diff(got, want))
			}
			checkStanding(t, &s, self, parts)
			tally(seen, &s)
		}
	}
	// A comparison of nothing with nothing proves nothing: every kind of answer must have come up often.
	for _, what := range []string{
		"HOLD_OPEN", "DATE_LIMIT_PASSED", "USAGE_LIMIT_REACHED", "MISSING_HISTORY", "CONDEMNED", "END_OF_LIFE", "RETIRED", "FITTED_ELSEWHERE",
		"NOT_YET_COMMISSIONED", "NO_RULE", "fine", "due soon", "due", "overdue", "without an anchor", "parts", "hand out", "month anchor", "mark set aside",
	} {
		if seen[what] < n/30 {
			t.Errorf("only %d answers of %d with %s", seen[what], 4*n, what)
		}
	}
	t.Logf("answers: %v", seen)
}

func tally(seen map[string]int, s *due.Standing) {
	var once []string
	add := func(what string) {
		if !slices.Contains(once, what) {
			once = append(once, what)
			seen[what]++
		}
	}
	for _, r := range s.Reasons {
		add(string(r.Code))
	}
	for _, c := range s.Clocks {
		add(c.State(s.On).String())
		if c.AnchorDate.IsMonth() {
			add("month anchor")
		}
		if !c.AnchorMark.IsZero() {
			add("mark set aside")
		}
	}
	if len(s.Parts) > 0 {
		add("parts")
	}
	if s.MayHandOut {
		add("hand out")
	}
}

// checkStanding checks what must hold of every standing: a reason for every no and a no for every reason, a blocking clock
// or open hold never without one, sentences for all.
func checkStanding(t *testing.T, s *due.Standing, self *due.Derived, parts []*due.Derived) {
	t.Helper()
	if (len(s.Reasons) == 0) != (s.MayHandOut && s.MayFill) {
		t.Fatalf("reasons %v, hand out %v, fill %v", s.Reasons, s.MayHandOut, s.MayFill)
	}
	for _, c := range s.Clocks {
		if c.Blocking(s.On) && !slices.ContainsFunc(s.Reasons, func(r due.Reason) bool { return r.Clock == c }) && !c.Rule.HandOutIfFilledBefore {
			t.Fatalf("clock %s/%s of %s blocks and no reason says so", c.Pack.ID, c.Rule.ID, c.Unit)
		}
		if len(c.Explain(s.On, due.Names{})) < 3 {
			t.Fatalf("clock %s/%s explains nothing", c.Pack.ID, c.Rule.ID)
		}
	}
	for _, h := range s.Holds {
		if !slices.ContainsFunc(s.Reasons, func(r due.Reason) bool { return r.Hold == h }) {
			t.Fatalf("hold %s is open and no reason says so", h.ID)
		}
	}
	for i := range s.Reasons {
		if s.Reasons[i].Sentence(due.Names{}) == "" || s.Reasons[i].Clears(due.Names{}) == "" {
			t.Fatalf("reason %s says nothing", s.Reasons[i].Code)
		}
	}
	for _, d := range append([]*due.Derived{self}, parts...) {
		ids := map[string]bool{}
		for _, h := range d.Holds {
			if ids[h.ID] || !holdIDPattern.MatchString(h.ID) {
				t.Fatalf("hold id %q is malformed or not unique", h.ID)
			}
			ids[h.ID] = true
		}
	}
}

func diff(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	var b strings.Builder
	for _, l := range g {
		if !slices.Contains(w, l) {
			fmt.Fprintf(&b, "  engine: %s\n", l)
		}
	}
	for _, l := range w {
		if !slices.Contains(g, l) {
			fmt.Fprintf(&b, "  oracle: %s\n", l)
		}
	}
	return b.String()
}

// shuffled returns the same input with every slice in another order.
func shuffled(r *rand.Rand, in due.Input) due.Input {
	in.Units, in.Entries, in.Fittings = slices.Clone(in.Units), slices.Clone(in.Entries), slices.Clone(in.Fittings)
	in.Packs, in.Holds, in.Waivers = slices.Clone(in.Packs), slices.Clone(in.Holds), slices.Clone(in.Waivers)
	r.Shuffle(len(in.Waivers), func(i, j int) { in.Waivers[i], in.Waivers[j] = in.Waivers[j], in.Waivers[i] })
	r.Shuffle(len(in.Units), func(i, j int) { in.Units[i], in.Units[j] = in.Units[j], in.Units[i] })
	r.Shuffle(len(in.Entries), func(i, j int) { in.Entries[i], in.Entries[j] = in.Entries[j], in.Entries[i] })
	r.Shuffle(len(in.Fittings), func(i, j int) { in.Fittings[i], in.Fittings[j] = in.Fittings[j], in.Fittings[i] })
	r.Shuffle(len(in.Packs), func(i, j int) { in.Packs[i], in.Packs[j] = in.Packs[j], in.Packs[i] })
	in.Recalls, in.Releases = slices.Clone(in.Recalls), slices.Clone(in.Releases)
	r.Shuffle(len(in.Recalls), func(i, j int) { in.Recalls[i], in.Recalls[j] = in.Recalls[j], in.Recalls[i] })
	r.Shuffle(len(in.Releases), func(i, j int) { in.Releases[i], in.Releases[j] = in.Releases[j], in.Releases[i] })
	r.Shuffle(len(in.Holds), func(i, j int) { in.Holds[i], in.Holds[j] = in.Holds[j], in.Holds[i] })
	return packed(r, in)
}

// packed returns the same input with some units' entries as histories, and most plain increments of those as such.
func packed(r *rand.Rand, in due.Input) due.Input {
	histories := map[uuid.UUID]*due.History{}
	var loose []due.Entry
	for _, e := range in.Entries {
		h, seen := histories[e.Unit]
		if !seen {
			if r.IntN(3) > 0 {
				h = &due.History{Unit: e.Unit}
			}
			histories[e.Unit] = h
		}
		switch {
		case h == nil:
			loose = append(loose, e)
		case e.Kind == due.UsageEntry && !e.Reading && !e.Estimated && !e.HasCelsius && r.IntN(8) > 0:
			h.Increments = append(h.Increments, due.Increment{ID: e.ID, Occurred: due.InstantOf(e.Occurred), Recorded: due.InstantOf(e.Recorded), Amount: e.Amount})
		default:
			h.Entries = append(h.Entries, e)
		}
	}
	in.Entries, in.Histories = loose, nil
	for _, h := range histories {
		if h != nil {
			in.Histories = append(in.Histories, *h)
		}
	}
	return in
}

// sample is so many, or a tenth with -short.
func sample(n int) int {
	if testing.Short() {
		return n / 10
	}
	return n
}

// histories runs random histories with features, or with some of everything; with -short a tenth of them.
func histories(t *testing.T, n int, with features, fn func(t *testing.T, r *rand.Rand, w *world)) {
	t.Helper()
	seed := uint64(20261125)
	t.Logf("seed %d", seed)
	for i := range sample(n) {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		has := with
		if with == 0 {
			has = some(r)
		}
		fn(t, r, randomWorld(r, 40, has))
		if t.Failed() {
			t.Fatalf("seed %d, history %d", seed, i)
		}
	}
}

// compare compares the engine with the oracle on random histories with a feature; every other history has more features beside it.
// tag names what a clock is an example of; each tag that is wanted must come up often, or nothing was compared.
func compare(t *testing.T, n int, with features, tag func(c *due.Clock, s *due.Standing, w *world) string, wanted ...string) {
	t.Helper()
	if testing.Short() {
		n /= 30
	}
	seed := 20261126 + uint64(with)
	t.Logf("seed %d, %d histories", seed, n)
	seen := map[string]int{}
	for i := range n {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		has := with
		if i%2 == 1 {
			has |= some(r)
		}
		w := randomWorld(r, 60, has)
		for range 4 {
			unit := r.IntN(len(w.units))
			at, known := question(r, w, unit)
			want := answerOf(w, unit, at, known)
			s, self, parts := stand(w.input(unit), at, known)
			if got := engineAnswer(&s); got != want {
				t.Fatalf("seed %d, history %d: unit %d at %v as known %v\n%s", seed, i, unit, at, known, diff(got, want))
			}
			checkStanding(t, &s, self, parts)
			for _, c := range s.Clocks {
				seen[tag(c, &s, w)]++
			}
			if t.Failed() {
				t.Fatalf("seed %d, history %d", seed, i)
			}
		}
	}
	for _, what := range wanted {
		if seen[what] < n/50 {
			t.Errorf("only %d clocks in %d histories with %q", seen[what], n, what)
		}
	}
	t.Logf("clocks: %v", seen)
}

// TestOrderDoesNotMatter shuffles everything that arrives.
func TestOrderDoesNotMatter(t *testing.T) {
	histories(t, 2_000, 0, func(t *testing.T, r *rand.Rand, w *world) {
		unit := r.IntN(len(w.units))
		in := w.input(unit)
		at, known := question(r, w, unit)
		if r.IntN(2) == 0 {
			at = time.Time{}
		}
		want := due.Derive(in, at, known)
		got := due.Derive(shuffled(r, in), at, known)
		if !reflect.DeepEqual(got, want) {
			t.Errorf("another order, another answer:\n%+v\n%+v", got, want)
		}
	})
}

// TestAsKnown compares a derivation as known at K with one that never saw what was recorded after K.
func TestAsKnown(t *testing.T) {
	histories(t, 2_000, 0, func(t *testing.T, r *rand.Rand, w *world) {
		unit := r.IntN(len(w.units))
		in := w.input(unit)
		at, _ := question(r, w, unit)
		known := at.Add(time.Duration(r.IntN(200*24)-100*24) * time.Hour)
		then := in
		then.Entries, then.Packs, then.Holds, then.Waivers, then.Recalls, then.Releases = nil, nil, nil, nil, nil, nil
		for _, c := range in.Recalls {
			if c.Opened.After(known) {
				continue
			}
			if c.Withdrawn.After(known) {
				c.Withdrawn = time.Time{}
			}
			then.Recalls = append(then.Recalls, c)
		}
		for _, l := range in.Releases {
			if !l.Released.After(known) {
				then.Releases = append(then.Releases, l)
			}
		}
		for _, v := range in.Waivers {
			if v.Granted.After(known) {
				continue
			}
			if v.Revoked.After(known) {
				v.Revoked = time.Time{}
			}
			then.Waivers = append(then.Waivers, v)
		}
		for _, e := range in.Entries {
			if !e.Recorded.After(known) {
				then.Entries = append(then.Entries, e)
			}
		}
		for _, p := range in.Packs {
			if !p.Published.After(known) {
				then.Packs = append(then.Packs, p)
			}
		}
		for _, h := range in.Holds {
			if h.Placed.After(known) {
				continue
			}
			if h.Lifted.After(known) {
				h.Lifted = time.Time{}
			}
			then.Holds = append(then.Holds, h)
		}
		want := due.Derive(then, at, time.Time{})
		got := due.Derive(in, at, known)
		if a, b := derivedText(&got), derivedText(&want); a != b {
			t.Errorf("as known at %v:\n%s\nof what was recorded by then:\n%s", known, a, b)
		}
	})
}

func derivedText(d *due.Derived) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%v %v %v %v %v\n", d.Stay, d.Host, d.Commissioned, d.Retired, d.LastFill)
	for _, c := range d.Clocks {
		c.Unit, c.Pack, c.Rule = d.Unit, &due.Pack{ID: c.Pack.ID, Revision: c.Pack.Revision}, &due.Rule{ID: c.Rule.ID}
		fmt.Fprintf(&b, "%+v %+v %+v\n", *c.Pack, *c.Rule, plainClock(c))
	}
	for _, h := range d.Holds {
		fmt.Fprintf(&b, "%+v\n", h)
	}
	return b.String()
}

// plainClock is a clock without what points elsewhere.
func plainClock(c due.Clock) due.Clock {
	c.Pack, c.Rule = nil, nil
	return c
}

// TestTimePassingWritesNothing judges what was derived once, for all time, at instants after the last event, and compares
// with a derivation for each of those instants.
func TestTimePassingWritesNothing(t *testing.T) {
	histories(t, 1_500, 0, func(t *testing.T, r *rand.Rand, w *world) {
		in := w.input(r.IntN(len(w.units)))
		all := due.Derive(in, time.Time{}, time.Time{})
		before := derivedText(&all)
		at := time.Date(2025, 1, 2, 0, 0, 0, 0, time.UTC) // after the last event of any random world
		for range 4 {
			at = at.Add(time.Duration(1+r.IntN(400*24*60)) * time.Minute)
			then := due.Derive(in, at, time.Time{})
			got, want := due.Stand(&all, nil, at), due.Stand(&then, nil, at)
			if a, b := engineAnswer(&got), engineAnswer(&want); a != b {
				t.Errorf("at %v:\n%s", at, diff(a, b))
			}
		}
		if derivedText(&all) != before {
			t.Error("judging it changed it")
		}
	})
}

// TestWindow compares a window with a walk: a unit may be promised if and only if it might be handed out at the start and at
// the start of each day up to the day of return, with nothing happening in between.
func TestWindow(t *testing.T) {
	free, taken := 0, 0
	histories(t, 3_000, 0, func(t *testing.T, r *rand.Rand, w *world) {
		in := w.input(r.IntN(len(w.units)))
		self := due.Derive(in, time.Time{}, time.Time{})
		if self.Host != (uuid.UUID{}) {
			return
		}
		start := time.Date(2018+r.IntN(9), time.Month(1+r.IntN(12)), 1+r.IntN(28), r.IntN(24), 17, 0, 0, time.UTC)
		end := start.Add(time.Duration(1+r.IntN(40*24)) * time.Hour)
		zone := self.Stay.Zone
		want := true
		try := func(at time.Time) {
			s := due.Stand(&self, nil, at)
			want = want && s.MayHandOut
		}
		try(start)
		for day := civil.In(start, zone) + 1; day <= civil.In(end, zone); day++ {
			try(day.Start(zone))
		}
		try(end.Add(-1))
		reasons := due.Window(&self, nil, start, end, due.Amount{})
		if got := len(reasons) == 0; got != want {
			// NO_RULE may come and go within a window; the window asks at its start alone.
			for day := civil.In(start, zone) + 1; day <= civil.In(end, zone); day++ {
				for _, x := range due.Stand(&self, nil, day.Start(zone)).Reasons {
					if x.Code == due.NoRule {
						return
					}
				}
			}
			t.Errorf("window %v to %v: free %v, the walk says %v; %+v", start, end, got, want, reasons)
		}
		if want {
			free++
		} else {
			taken++
		}
		for i := range reasons {
			if reasons[i].Sentence(due.Names{}) == "" || reasons[i].Clears(due.Names{}) == "" || reasons[i].Blocks != due.HandOut && reasons[i].Blocks&due.HandOut == 0 {
				t.Errorf("reason %+v", reasons[i])
			}
		}
	})
	t.Logf("%d free, %d taken", free, taken)
	if free < sample(100) || taken < sample(100) {
		t.Errorf("%d free and %d taken compare too little", free, taken)
	}
}

var holdIDPattern = regexp.MustCompile(`^[0-9a-z-]{1,100}$`)
