package due_test

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// Nobody needs to know the right answer for what must hold between two questions.

// TestStrangersChangeNothing adds a unit that is fitted to nothing, with a history of its own.
func TestStrangersChangeNothing(t *testing.T) {
	histories(t, 1_000, everything, func(t *testing.T, r *rand.Rand, w *world) {
		unit := r.IntN(len(w.units))
		at, known := question(r, w, unit)
		want := due.Derive(w.input(unit), at, known)
		stranger := len(w.units)
		w.units = append(w.units, w.units[unit])
		for i := range 10 {
			e := w.entries
			if len(e) == 0 {
				break
			}
			c := e[r.IntN(len(e))]
			c.id, c.unit, c.corrects, c.right = 100_000+i, stranger, 0, nil
			if c.what != "amendment" {
				w.entries = append(w.entries, c)
			}
		}
		if got := due.Derive(w.input(unit), at, known); !reflect.DeepEqual(got, want) {
			t.Errorf("with a stranger:\n%s\nwithout:\n%s", derivedText(&got), derivedText(&want))
		}
	})
}

// TestKnownAtTheEndIsKnown: as known long after everything was recorded is as known without a limit; and when something was recorded
// changes nothing for one who knows it.
func TestKnownAtTheEndIsKnown(t *testing.T) {
	histories(t, 1_000, everything, func(t *testing.T, r *rand.Rand, w *world) {
		unit := r.IntN(len(w.units))
		at, _ := question(r, w, unit)
		want := due.Derive(w.input(unit), at, time.Time{})
		got := due.Derive(w.input(unit), at, begin.AddDate(100, 0, 0))
		if !reflect.DeepEqual(got, want) {
			t.Errorf("known at the end:\n%s\nknown:\n%s", derivedText(&got), derivedText(&want))
		}
		for i := range w.entries {
			w.entries[i].recorded = w.entries[i].recorded.Add(time.Duration(r.IntN(1000)) * time.Hour)
		}
		late := due.Derive(w.input(unit), at, time.Time{})
		if a, b := derivedText(&late), derivedText(&want); a != b {
			t.Errorf("logged later:\n%s\nin time:\n%s", a, b)
		}
	})
}

// TestWithdrawnDuplicates: a log that came twice and was amended away once counts once.
func TestWithdrawnDuplicates(t *testing.T) {
	withdrawn := 0
	histories(t, 1_000, estimates|weights, func(t *testing.T, r *rand.Rand, w *world) {
		unit := r.IntN(len(w.units))
		at, _ := question(r, w, unit)
		want := due.Derive(w.input(unit), at, time.Time{})
		for i, e := range slices.Clone(w.entries) {
			if e.what == "amendment" || e.outcome == "condemned" {
				continue // a condemnation stays, whatever is said of it later
			}
			twice := e
			twice.id = 100_000 + i
			w.entries = append(w.entries, twice, wEntry{id: 200_000 + i, unit: e.unit, what: "amendment", corrects: twice.id, occurred: begin, recorded: begin, celsius: noCelsius})
			withdrawn++
		}
		got := due.Derive(w.input(unit), at, time.Time{})
		if a, b := derivedText(&got), derivedText(&want); a != b {
			t.Errorf("logged twice, withdrawn once:\n%s\nlogged once:\n%s", a, b)
		}
	})
	if withdrawn < 1_000 {
		t.Errorf("only %d duplicates", withdrawn)
	}
}

// TestMoreRulesNeverFree adds a house pack: every reason that stood still stands, but that no rule covers the unit.
func TestMoreRulesNeverFree(t *testing.T) {
	histories(t, 1_500, everything, func(t *testing.T, r *rand.Rand, w *world) {
		unit := r.IntN(len(w.units))
		at, known := question(r, w, unit)
		was, _, _ := stand(w.input(unit), at, known)
		w.packs = append(w.packs, wPack{id: "more", revision: 1, effective: ymd{2010, 1, 1}, rules: []wRule{randomRule(r, "more", everything)}})
		now, _, _ := stand(w.input(unit), at, known)
		norule := slices.ContainsFunc(was.Reasons, func(r due.Reason) bool { return r.Code == due.NoRule })
		if !norule && (now.MayHandOut && !was.MayHandOut || now.MayFill && !was.MayFill) {
			t.Errorf("one more rule frees the unit of %v", was.Reasons)
		}
		for _, a := range was.Reasons {
			if a.Code != due.NoRule && !slices.ContainsFunc(now.Reasons, func(b due.Reason) bool { return a.Code == b.Code && a.Unit == b.Unit && a.Blocks == b.Blocks }) {
				t.Errorf("one more rule takes %s away", a.Code)
			}
		}
		if now.State < was.State {
			t.Errorf("one more rule makes %v of %v", now.State, was.State)
		}
	})
}

// tighten makes a rule stricter in one way, and says which; empty if that way is not open to it. Two policies are left out because
// what they do has no direction: where late work counts from the day it was due, a shorter interval has other such days; and a mark
// that expires may end newer work sooner than the older. Nor does work count for less where a baseline is there to fall back on, which
// may be later than the work.
func tighten(r *rand.Rand, k *wRule) string {
	if k.late == "from-due" || k.expires {
		return ""
	}
	m := r.IntN(3)
	switch r.IntN(10) {
	case 0:
		if k.months > 1 {
			k.months -= 1 + r.IntN(k.months-1)
			return "fewer months"
		}
	case 1:
		if k.limit[m] > 1 {
			k.limit[m] -= 1 + r.Int64N(k.limit[m]-1)
			return "fewer uses"
		}
	case 2:
		if k.limit[m] == 0 {
			k.limit[m] = 1 + r.Int64N(20)
			return "another limit"
		}
	case 3:
		if !k.life {
			k.intense = append(slices.Clone(k.intense), randomIntense(r))
			return "a conditional limit"
		}
	case 4:
		if k.late == "" && !k.life && len(k.baselines) == 0 {
			k.companions = append(slices.Clone(k.companions), wCompanion{did: pick(r, others(k.did)...), within: r.IntN(100)})
			return "a companion"
		}
	case 5:
		if k.evidence.did != "" {
			k.evidence = wEvidence{}
			return "no evidence"
		}
	case 6:
		if k.blocks != "hf" {
			k.blocks = "hf"
			return "blocks more"
		}
	case 7:
		if k.filledBefore {
			k.filledBefore = false
			return "filled before"
		}
	case 8:
		if len(k.satisfiedBy) > 0 && k.late == "" && len(k.baselines) == 0 {
			k.satisfiedBy = nil
			return "satisfied by less"
		}
	default:
		k.weights = slices.Clone(k.weights)
		for i := range k.weights {
			k.weights[i][1] += r.IntN(100)
		}
		if len(k.weights) > 0 {
			return "heavier"
		}
	}
	return ""
}

// TestTighterIsNeverBetter makes one rule stricter: no state is better for it, and nothing is free that was not.
func TestTighterIsNeverBetter(t *testing.T) {
	seen, worse := map[string]int{}, 0
	histories(t, 3_000, 0, func(t *testing.T, r *rand.Rand, w *world) {
		unit := r.IntN(len(w.units))
		for p := range w.packs {
			for i := range w.packs[p].rules {
				w.packs[p].rules[i].phaseIn = 0
			}
		}
		at, known := question(r, w, unit)
		was, _, _ := stand(w.input(unit), at, known)
		for range 10 {
			p := r.IntN(len(w.packs))
			if len(w.packs[p].rules) == 0 {
				continue
			}
			k := &w.packs[p].rules[r.IntN(len(w.packs[p].rules))]
			before := *k
			how := tighten(r, k)
			now, _, _ := stand(w.input(unit), at, known)
			*k = before
			if how == "" {
				continue
			}
			seen[how]++
			if now.MayHandOut && !was.MayHandOut || now.MayFill && !was.MayFill || now.State < was.State {
				t.Errorf("%s: %v, %v, %v became %v, %v, %v", how, was.MayHandOut, was.MayFill, was.State, now.MayHandOut, now.MayFill, now.State)
			}
			if was.MayHandOut && !now.MayHandOut || was.MayFill && !now.MayFill || now.State > was.State {
				worse++
			}
		}
	})
	t.Logf("%v, %d were worse for it", seen, worse)
	if len(seen) != 10 || worse < sample(100) {
		t.Errorf("%d ways, and %d were worse for it", len(seen), worse)
	}
}

// TestTighterRevisionsFreeNothing publishes a stricter revision that is phased in: what the revision before blocks stays blocked.
func TestTighterRevisionsFreeNothing(t *testing.T) {
	blocked, spared := 0, 0
	histories(t, 3_000, 0, func(t *testing.T, r *rand.Rand, w *world) {
		unit := r.IntN(len(w.units))
		last := w.packs[len(w.packs)-1]
		for _, p := range w.packs {
			if p.id == last.id && !before(p.effective, last.effective) {
				last = p
			}
		}
		packs := w.packs
		for range 10 {
			w.packs = packs
			next := last
			next.revision, next.published, next.rules = 100, time.Time{}, slices.Clone(last.rules)
			if len(next.rules) == 0 {
				return
			}
			i := r.IntN(len(next.rules))
			k := &next.rules[i]
			if tighten(r, k) == "" {
				continue
			}
			if k.stricter(last.rules[i]) {
				k.phaseIn = 1 + r.IntN(400)
			}
			next.effective = ymd{2018 + r.IntN(7), 1 + r.IntN(12), 1 + r.IntN(28)}
			if !before(last.effective, next.effective) {
				continue
			}
			at := markOf(next.effective).First().AddDays(1 + r.IntN(300)).Start(time.UTC).Add(13 * time.Hour)
			was, _, _ := stand(w.input(unit), at, time.Time{})
			w.packs = append(slices.Clone(packs), next)
			now, _, _ := stand(w.input(unit), at, time.Time{})
			if now.MayHandOut && !was.MayHandOut || now.MayFill && !was.MayFill {
				t.Errorf("at %v: %+v frees the unit of %v", at, *k, was.Reasons)
			}
			for _, c := range now.Clocks {
				if _, ok := c.Excused(now.On); ok && c.Rule.ID == k.id && c.Pack.Revision == 100 && len(c.Waivers) == 0 {
					spared++
				}
			}
			if !was.MayHandOut {
				blocked++
			}
		}
	})
	t.Logf("%d were blocked before, %d spared by the phase-in", blocked, spared)
	if blocked < sample(500) || spared < sample(50) {
		t.Errorf("%d were blocked before, %d spared by the phase-in", blocked, spared)
	}
}
