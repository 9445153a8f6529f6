package due_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// phased works out until when a rule that is new or tighter leaves a unit of the old fleet alone, never longer than the rule as it
// was before does. Which day of the phase-in is the unit's own nobody but the engine can say; ownDay asks it.
func (o *oracle) phased(u int, p *wPack, k wRule, c running, l *limits, until time.Time) {
	if k.phaseIn == 0 || k.authority == "law" || k.life {
		return
	}
	start := p.effective
	var looser *wPack
	var was wRule
	for looser == nil {
		q := o.inForce(p.id, yesterday(start))
		if q == nil {
			break
		}
		i := slices.IndexFunc(q.rules, func(o wRule) bool { return o.id == k.id })
		if i < 0 || !q.rules[i].covers(o.w.units[u], o.stay(u, o.at).jurisdiction) {
			break
		}
		if k.stricter(q.rules[i]) || k.days() > q.rules[i].days() {
			looser, was = q, q.rules[i]
			break
		}
		start = q.effective
	}
	joined := o.w.units[u].commissioned
	if c.from.y != 0 && !before(c.from, start) || c.from.y == 0 && joined.y == 0 || joined.y != 0 && !before(joined, start) {
		return
	}
	day := ownDay(u, p.id, k.id, start, k.phaseIn)
	if looser != nil {
		wasFrom := c
		switch {
		case until.IsZero():
			wasFrom = o.anchor(u, looser, was)
		case c.work == nil || was.life: // only a last day in the past is looked for: by the same work
			wasFrom = o.begin(u, was, until)
		}
		old := o.limits(u, looser, was, wasFrom, until)
		stands := wasFrom.from.y == 0
		used := [3]int64{}
		for _, t := range o.through(u, wasFrom.since, until) {
			for m, n := range was.weighed(t) {
				used[m] += n
			}
		}
		for m := range used {
			stands = stands || old.limit[m] > 0 && used[m] >= old.limit[m]
		}
		switch {
		case stands && old.spared.y == 0:
			return
		case stands:
			day = sooner(day, old.spared)
		default:
			day = sooner(day, old.dueOn)
		}
		if before(day, start) {
			return
		}
	}
	if l.dueOn.y != 0 && before(l.dueOn, day) {
		l.dueOn, l.spared = day, day
	}
	if c.from.y == 0 || l.limit != [3]int64{} {
		l.spared = day
	}
}

// days is over how many days the rule is phased in.
func (k wRule) days() int {
	if k.authority == "law" || k.life {
		return 0
	}
	return k.phaseIn
}

// stricter says whether anything in the rule can block a unit that the rule as it was before does not.
func (k wRule) stricter(was wRule) bool {
	less := func(now, then int64) bool { return now > 0 && (then == 0 || now < then) }
	if less(int64(k.months), int64(was.months)) || k.months > 0 && k.months == was.months && was.stamped && !k.stamped {
		return true
	}
	for m := range k.limit {
		if less(k.limit[m], was.limit[m]) {
			return true
		}
	}
	for _, in := range k.intense {
		if !slices.Contains(was.intense, in) {
			return true
		}
	}
	for _, c := range k.companions {
		if !slices.Contains(was.companions, c) {
			return true
		}
	}
	for _, s := range was.satisfiedBy {
		if !slices.Contains(k.satisfiedBy, s) {
			return true
		}
	}
	return k.did != was.did || !slices.Equal(k.baselines, was.baselines) || !slices.Equal(k.weights, was.weights) ||
		k.late != "" && k.late != was.late || k.expires && !was.expires || was.filledBefore && !k.filledBefore ||
		strings.ContainsFunc(k.blocks, func(c rune) bool { return !strings.ContainsRune(was.blocks, c) }) ||
		was.evidence.did != "" && was.evidence != k.evidence ||
		was.storage.months > 0 && (was.storage.months != k.storage.months || !slices.Equal(was.storage.baselines, k.storage.baselines))
}

// ownDay returns a unit's day within a phase-in: that on which it ends for a unit of which nothing is known but that it is old.
func ownDay(u int, pack, rule string, start ymd, days int) ymd {
	on := markOf(start).First()
	d := due.Derive(due.Input{
		Unit:  unitID(u),
		Units: []due.Facts{{Unit: unitID(u), Commissioned: civil.Day(on - 1), Stays: []due.Stay{{Zone: time.UTC}}}},
		Packs: []due.Pack{{ID: pack, Effective: on, Rules: []due.Rule{{Pack: pack, ID: rule, Activity: "a", Months: 1, PhaseInDays: days, Blocks: due.Fill}}}},
	}, time.Time{}, time.Time{})
	y, m, day := d.Clocks[0].PhaseIn.Parts()
	return ymd{y, m, day}
}

// TestOraclePhaseIn compares histories with rules that are phased in.
func TestOraclePhaseIn(t *testing.T) {
	compare(t, 4_000, phaseIns, func(c *due.Clock, s *due.Standing, _ *world) string {
		_, ok := c.Excused(s.On)
		switch {
		case c.Rule.PhaseInDays == 0:
			return ""
		case c.Rule.Authority == due.Law || c.Rule.EndOfLife:
			return "never phased in"
		case ok && c.AnchorDate.IsZero():
			return "nothing known, and spared"
		case ok:
			return "spared"
		case !c.PhaseIn.IsZero():
			return "spared once"
		case c.Blocking(s.On):
			return "blocked"
		}
		return ""
	}, "never phased in", "nothing known, and spared", "spared", "spared once", "blocked")
}
