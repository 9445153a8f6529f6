package try_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/try"
)

var (
	at    = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)
	today = civil.New(2026, 6, 1)
)

// rule is a yearly inspection from commissioning. Its figure is common practice, no source.
func rule(change ...func(*due.Rule)) due.Rule {
	r := due.Rule{
		Pack: "house", ID: "yearly", Title: "Inspection", Activity: "inspection", Authority: due.House, Months: 24,
		Baselines: []due.Baseline{due.Commissioning}, Blocks: due.HandOut, BenchMinutes: 30,
	}
	for _, c := range change {
		c(&r)
	}
	return r
}

func pack(revision int64, from civil.Date, rules ...due.Rule) due.Pack {
	return due.Pack{ID: "house", Revision: revision, Effective: from, Rules: rules}
}

func id(n int) (u uuid.UUID) {
	u[14], u[15] = byte(n>>8), byte(n)
	return u
}

// unit derives unit n, commissioned on a day, under the packs as they are and with the revision.
func unit(n int, since civil.Date, packs []due.Pack, revision due.Pack, more ...func(*due.Input)) *try.Unit {
	in := due.Input{Unit: id(n), Packs: packs, Units: []due.Facts{{Unit: id(n), Kind: "bcd", Commissioned: civil.Day(since), Stays: []due.Stay{{Zone: time.UTC, Jurisdiction: "GB", Shop: "reef"}}}}}
	for _, m := range more {
		m(&in)
	}
	before := due.Derive(in, at, time.Time{})
	in.Packs = append(slices.Clone(packs), revision)
	after := due.Derive(in, at, time.Time{})
	return &try.Unit{Tag: fmt.Sprintf("B-%03d", n), Kind: "bcd", Before: &before, After: &after, Name: func(u uuid.UUID) string { return fmt.Sprintf("B-%03d", int(u[14])<<8+int(u[15])) }}
}

func tally(q try.Question, units ...*try.Unit) try.Result {
	t := try.New(q)
	for _, u := range units {
		t.Add(u)
	}
	return t.Result()
}

// TestTightened is the case the trial is for: 24 months become 12 on a fleet that was last looked at 18 months ago. Phased in, the work is
// spread over the phase-in, on no day more than a few; at once, the whole fleet is out on the first day.
func TestTightened(t *testing.T) {
	const units = 300
	q := try.Question{Pack: "house", Effective: today, At: at, Horizon: 90}
	packs := []due.Pack{pack(1, civil.New(2020, 1, 1), rule())}
	for _, phaseIn := range []int{90, 0} {
		revision := pack(2, today, rule(func(r *due.Rule) { r.Months, r.PhaseInDays = 12, phaseIn }))
		var all []*try.Unit
		for n := range units {
			all = append(all, unit(n, civil.New(2024, 12, 1), packs, revision))
		}
		got := tally(q, all...)
		if want := (try.Fleet{Unblocked: units}); got.Units != units || got.Changed != units || got.Before != want {
			t.Errorf("phase-in of %d days: %d units, %d changed, before: %+v", phaseIn, got.Units, got.Changed, got.Before)
		}
		if phaseIn == 0 {
			if want := (try.Fleet{Blocking: units, BenchMinutes: 30 * units}); got.After != want || len(got.Days) != 0 || got.BlockedCount != units || len(got.Blocked) != try.Most {
				t.Errorf("at once: %+v, %d days, %d blocked of which %d are named", got.After, len(got.Days), got.BlockedCount, len(got.Blocked))
			}
			if v := got.Blocked[0]; v.Tag != "B-000" || v.Sentence != "Inspection: the last day of use was 2025-12-01." || v.Shop != "reef" {
				t.Errorf("%+v", v)
			}
			continue
		}
		if want := (try.Fleet{Unblocked: units, Due: units, BenchMinutes: 30 * units}); got.After != want || got.BlockedCount != 0 {
			t.Errorf("phased in: %+v, %d blocked", got.After, got.BlockedCount)
		}
		most := int64(0)
		for _, d := range got.Days {
			if most = max(most, d.DueAfter); d.On < today || d.On >= today.AddDays(90) || d.MinutesAfter != 30*d.DueAfter || d.DueBefore != 0 {
				t.Errorf("%+v", d)
			}
		}
		if len(got.Days) < 75 || most > 15 {
			t.Errorf("%d units are spread over %d days, %d on one: want most of 90 days with 3 or 4 on each", units, len(got.Days), most)
		}
	}
}

// TestHorizon: the last day of use counts as due from the first day up to the last of the horizon, both included.
func TestHorizon(t *testing.T) {
	packs := []due.Pack{pack(1, civil.New(2020, 1, 1), rule())}
	for days, want := range map[int]try.Fleet{
		-1: {Blocking: 1, BenchMinutes: 30}, 0: {Unblocked: 1, Due: 1, BenchMinutes: 30}, 30: {Unblocked: 1, Due: 1, BenchMinutes: 30}, 31: {Unblocked: 1},
	} {
		u := unit(1, today.AddDays(days).AddMonths(-24), packs, pack(2, today, rule()))
		got := tally(try.Question{Pack: "house", Effective: today, At: at, Horizon: 30}, u)
		if got.Before != want || got.After != want || got.Changed != 0 {
			t.Errorf("due in %d days: before %+v, after %+v, %d changed; want %+v", days, got.Before, got.After, got.Changed, want)
		}
	}
}

// TestAhead: a revision of the day after tomorrow that binds at once makes tomorrow the last day of use, and blocks nothing today.
func TestAhead(t *testing.T) {
	packs := []due.Pack{pack(1, civil.New(2020, 1, 1), rule())}
	q := try.Question{Pack: "house", Effective: today + 2, At: at, Horizon: 30}
	u := unit(1, civil.New(2025, 1, 1), packs, pack(2, today+2, rule(func(r *due.Rule) { r.Months = 12 })))
	got := tally(q, u)
	if want := []try.Day{{On: today + 1, DueAfter: 1, MinutesAfter: 30}}; got.BlockedCount != 0 || got.After.Unblocked != 1 || !slices.Equal(got.Days, want) {
		t.Errorf("%+v", got)
	}
	// Work that is due before the revision and under it is due once.
	u = unit(1, today.AddMonths(-24)+1, packs, pack(2, today+2, rule(func(r *due.Rule) { r.Months = 12 })))
	if got = tally(q, u); got.After.Due != 1 || got.Before.Due != 1 || len(got.Days) != 1 {
		t.Errorf("%+v", got)
	}
}

// TestUnruled: a revision that no longer covers a unit leaves nothing to vouch for it, and one that does gives it back.
func TestUnruled(t *testing.T) {
	q := try.Question{Pack: "house", Effective: today, At: at, Horizon: 30}
	covered, bare := pack(1, civil.New(2020, 1, 1), rule()), pack(2, today)
	got := tally(q, unit(1, civil.New(2026, 1, 1), []due.Pack{covered}, bare))
	if len(got.Blocked) != 1 || got.Blocked[0].Sentence != "No rule covers the unit where it is, so nothing vouches for it." || got.Rules["yearly"] != (try.Rule{UnitsBefore: 1}) {
		t.Errorf("%+v", got)
	}
	got = tally(q, unit(1, civil.New(2026, 1, 1), []due.Pack{pack(1, civil.New(2020, 1, 1))}, pack(2, today, rule())))
	if len(got.Freed) != 1 || got.Freed[0].Sentence != "A rule covers the unit now." || got.Rules["yearly"] != (try.Rule{UnitsAfter: 1}) {
		t.Errorf("%+v", got)
	}
}

// TestSentences: why a unit is freed, by what the revision does to the rule that blocked it.
func TestSentences(t *testing.T) {
	packs := []due.Pack{pack(1, civil.New(2020, 1, 1), rule())}
	other := rule(func(r *due.Rule) { r.ID = "other" })
	for want, revision := range map[string]due.Pack{
		"Inspection: the last day of use would be 2027-01-01.": pack(2, today, rule(func(r *due.Rule) { r.Months = 36 })),
		"Inspection: it would not block hand-out any more.":    pack(2, today, rule(func(r *due.Rule) { r.Blocks = due.Fill })),
		"Inspection: the rule would not apply to it any more.": pack(2, today, func() due.Rule { o := other; o.Months = 60; return o }()),
		"Inspection: the unit would be within the rule.":       pack(2, today, rule(func(r *due.Rule) { r.Months, r.Limit.Dives = 0, 100 })),
	} {
		got := tally(try.Question{Pack: "house", Effective: today, At: at, Horizon: 30}, unit(1, civil.New(2024, 1, 1), packs, revision))
		if len(got.Freed) != 1 || got.Freed[0].Sentence != want || got.FreedCount != 1 || got.BlockedCount != 0 {
			t.Errorf("%+v, want %q", got.Freed, want)
		}
	}
}

// TestParts: what blocks a part blocks the set it is on, and the sentence names the part.
func TestParts(t *testing.T) {
	packs := []due.Pack{pack(1, civil.New(2020, 1, 1), rule())}
	revision := pack(2, today, rule(func(r *due.Rule) { r.Months = 12 }))
	host, part := unit(1, civil.New(2026, 1, 1), packs, revision), unit(2, civil.New(2025, 1, 1), packs, revision)
	host.PartsBefore, host.PartsAfter = []*due.Derived{part.Before}, []*due.Derived{part.After}
	got := tally(try.Question{Pack: "house", Effective: today, At: at, Horizon: 30}, host)
	if len(got.Blocked) != 1 || got.Blocked[0].Tag != "B-001" || got.Blocked[0].Sentence != "B-002: Inspection: the last day of use was 2026-01-01." || got.After.Blocking != 0 {
		t.Errorf("%+v", got)
	}
}

// TestCondemned: no rule matters to a condemned unit, nor to one that is not in the fleet; other holds are set aside.
func TestCondemned(t *testing.T) {
	packs := []due.Pack{pack(1, civil.New(2020, 1, 1), rule())}
	revision := pack(2, today, rule(func(r *due.Rule) { r.Months = 1 }))
	worked := func(o due.Outcome) func(*due.Input) {
		return func(in *due.Input) {
			in.Entries = []due.Entry{{ID: id(9), Unit: in.Unit, Kind: due.Work, Outcome: o, Activities: []string{"leak-test"}, Occurred: at.AddDate(0, 0, -1), Recorded: at}}
		}
	}
	got := tally(try.Question{Pack: "house", Effective: today, At: at, Horizon: 30},
		unit(1, civil.New(2025, 1, 1), packs, revision, worked(due.Condemned)),
		unit(2, today+1, packs, revision),
		unit(3, civil.New(2025, 1, 1), packs, revision, func(in *due.Input) { in.Units[0].Retired = at }),
		unit(4, civil.New(2025, 1, 1), packs, revision, worked(due.Fail)))
	if got.Units != 1 || got.Before.Unblocked != 1 || got.BlockedCount != 1 || got.Blocked[0].Tag != "B-004" {
		t.Errorf("%+v", got)
	}
}

// TestOrderOfUnits: the sums and the units that are named are the same in whatever order the units come, and no more are kept than named.
func TestOrderOfUnits(t *testing.T) {
	packs := []due.Pack{pack(1, civil.New(2020, 1, 1), rule())}
	revision := pack(2, today, rule(func(r *due.Rule) { r.Months = 12 }))
	var all []*try.Unit
	for n := range 5 * try.Most {
		all = append(all, unit(n, civil.New(2025, 1, 1).AddDays(n%300), packs, revision))
	}
	q := try.Question{Pack: "house", Effective: today, At: at, Horizon: 30}
	want := tally(q, all...)
	if len(want.Blocked) != try.Most || want.BlockedCount <= 2*try.Most || !slices.IsSortedFunc(want.Blocked, func(a, b try.Verdict) int { return cmpTags(a, b) }) {
		t.Fatalf("%d of %d are named", len(want.Blocked), want.BlockedCount)
	}
	rand.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	if diff := cmp.Diff(want, tally(q, all...)); diff != "" {
		t.Errorf("in another order:\n%s", diff)
	}
}

func cmpTags(a, b try.Verdict) int {
	if a.Tag < b.Tag {
		return -1
	}
	return 1
}

// TestUnder: a unit with its clocks of one pack replaced is the unit derived with that pack's revision.
func TestUnder(t *testing.T) {
	other := func(name string) due.Pack {
		return due.Pack{ID: name, Effective: civil.New(2020, 1, 1), Rules: []due.Rule{rule(func(r *due.Rule) { r.Pack = name })}}
	}
	for _, packs := range [][]due.Pack{{other("a"), pack(1, civil.New(2020, 1, 1), rule()), other("z")}, {other("a"), other("z")}, {other("a")}, {other("z")}, {}} {
		for _, revision := range []due.Pack{pack(2, today, rule(func(r *due.Rule) { r.Months = 3 })), pack(2, today)} {
			u := unit(1, civil.New(2025, 1, 1), packs, revision)
			alone := unit(1, civil.New(2025, 1, 1), slices.DeleteFunc(slices.Clone(packs), func(p due.Pack) bool { return p.ID != "house" }), revision)
			got := try.Under(u.Before, alone.After.Clocks, "house")
			if len(got.Clocks) != len(u.After.Clocks) {
				t.Fatalf("%d clocks, want %d", len(got.Clocks), len(u.After.Clocks))
			}
			for i := range got.Clocks {
				a, b := got.Clocks[i], u.After.Clocks[i]
				if a.Pack.ID != b.Pack.ID || a.Pack.Revision != b.Pack.Revision || a.DueOn != b.DueOn || a.InForceFrom != b.InForceFrom || a.InForceUntil != b.InForceUntil {
					t.Errorf("clock %d: %+v, want %+v", i, a, b)
				}
			}
		}
	}
}
