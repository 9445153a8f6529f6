package due_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// features are what the rules and entries of a random world may have beyond an interval.
type features uint16

const (
	intenseUse features = 1 << iota
	evidence
	companions
	lateWork
	expiryMarks
	storage
	phaseIns
	waivers
	recalls
	weights
	estimates
	rollovers
	orders
	everything features = 1<<iota - 1
)

// some picks features at random, each in one case of four.
func some(r *rand.Rand) features {
	one, other := features(r.Uint32()), features(r.Uint32())
	return one & other & everything
}

const (
	hour      = int64(time.Hour)
	noCelsius = 1000
)

// wSpice is what a rule can state beyond its limits.
type wSpice struct {
	authority  string // law or house
	intense    []wIntense
	evidence   wEvidence // did is empty for none
	companions []wCompanion
	storage    wStorage // months 0 for none
	weights    [][2]int // degrees Celsius from which on, percent
	late       string   // empty, from-due or escalate
	expires    bool
	phaseIn    int // days
}

type wIntense struct {
	use     [3]int64
	days    int
	months  int
	stamped bool
	limit   [3]int64
}

type wEvidence struct {
	did           string
	valid, months int
}

type wCompanion struct {
	did    string
	first  bool
	within int
}

type wStorage struct {
	months    int
	baselines []string
}

type wWaiver struct {
	id               string
	unit             int
	pack, rule       string
	from, to         ymd
	granted, revoked time.Time
}

// spice adds features that fit the rule.
func (k *wRule) spice(r *rand.Rand, with features) {
	on := func(f features, of int) bool { return with&f != 0 && r.IntN(of) > 0 }
	k.authority = "house"
	if with&(waivers|phaseIns) != 0 && r.IntN(4) == 0 {
		k.authority = "law"
	}
	if on(phaseIns, 3) {
		k.phaseIn = 1 + r.IntN(400) // also on laws and ends of life, which must ignore it
		if r.IntN(3) == 0 {
			k.baselines = nil
		}
	}
	if on(weights, 3) {
		from := -10 + r.IntN(20)
		for range 1 + r.IntN(4) {
			k.weights = append(k.weights, [2]int{from, 1 + r.IntN(300)})
			from += 1 + r.IntN(15)
		}
	}
	if k.life {
		k.satisfiedBy = nil
		return
	}
	if on(intenseUse, 4) {
		for range 1 + r.IntN(2) {
			k.intense = append(k.intense, randomIntense(r))
		}
	}
	if k.months > 0 && on(evidence, 4) {
		k.evidence = wEvidence{did: pick(r, others(k.did)...), valid: 1 + r.IntN(30), months: k.months + 1 + r.IntN(24)}
	}
	if on(companions, 4) {
		for _, d := range others(k.did)[r.IntN(2):][:1+r.IntN(2)] {
			k.companions = append(k.companions, wCompanion{did: d, first: r.IntN(2) == 0, within: r.IntN(3) * r.IntN(60)})
		}
	}
	if k.months > 0 && on(lateWork, 4) {
		k.late = "from-due"
		if r.IntN(2) == 0 {
			k.late, k.satisfiedBy = "escalate", []string{pick(r, others(k.did)...)}
		}
	}
	k.expires = k.months > 0 && on(expiryMarks, 4)
	if on(storage, 4) {
		k.baselines = []string{"first-use"}
		k.storage = wStorage{months: 1 + r.IntN(60), baselines: []string{"manufacture", "commissioning"}}
		if r.IntN(2) == 0 {
			slices.Reverse(k.storage.baselines)
		}
		k.storage.baselines = k.storage.baselines[:1+r.IntN(2)]
	}
}

func randomIntense(r *rand.Rand) (in wIntense) {
	in.days = 1 + r.IntN(30)*r.IntN(6)
	measure := r.IntN(3)
	in.use[measure] = int64(1 + r.IntN(12))
	if r.IntN(3) == 0 {
		in.use[r.IntN(3)] = int64(1 + r.IntN(12))
	}
	if r.IntN(4) > 0 {
		in.months, in.stamped = 1+r.IntN(30), r.IntN(3) == 0
	}
	if in.months == 0 || r.IntN(3) == 0 {
		in.limit[r.IntN(3)] = int64(1 + r.IntN(40))
	}
	in.use[1], in.limit[1] = in.use[1]*hour, in.limit[1]*hour
	return in
}

func others(did string) (out []string) {
	for _, d := range deeds {
		if d != did {
			out = append(out, d)
		}
	}
	return out
}

func randomWaivers(r *rand.Rand, w *world, day func() ymd, instant func() time.Time) (out []wWaiver) {
	if w.with&waivers == 0 {
		return nil
	}
	for i := range 1 + r.IntN(8) {
		p := w.packs[r.IntN(len(w.packs))]
		if len(p.rules) == 0 {
			continue
		}
		v := wWaiver{id: fmt.Sprintf("waiver-%d", i), unit: r.IntN(len(w.units)), pack: p.id, rule: p.rules[r.IntN(len(p.rules))].id, granted: instant(), from: day(), to: day()}
		if r.IntN(2) == 0 { // a year from the day it was granted
			v.from = ymd{v.granted.Year(), int(v.granted.Month()), v.granted.Day()}
			v.to = ymd{v.granted.Year() + 1, int(v.granted.Month()), 1}
		}
		if t := instant(); r.IntN(3) == 0 && t.After(v.granted) {
			v.revoked = t
		}
		out = append(out, v)
	}
	return out
}

// guess makes a usage an estimate, and tells the temperature of the air drawn in, now and then.
func (e *wEntry) guess(r *rand.Rand, with features) {
	e.estimated = with&estimates != 0 && r.IntN(3) == 0
	if with&weights == 0 {
		return
	}
	if r.IntN(3) > 0 {
		e.celsius = -20 + r.IntN(70)
	}
	if e.amount[1] > 0 {
		e.amount[1] -= r.Int64N(1000) // hundredths of it are no whole nanoseconds
	}
}

// season puts the features of a rule in due's types.
func (k *wRule) season(r *due.Rule) {
	if k.authority == "law" {
		r.Authority = due.Law
	}
	for _, in := range k.intense {
		r.Intense = append(r.Intense, due.Intense{Use: amountOf(in.use), Days: in.days, Months: in.months, MonthStamp: in.stamped, Limit: amountOf(in.limit)})
	}
	r.Evidence = due.Evidence{Activity: k.evidence.did, Valid: k.evidence.valid, Months: k.evidence.months}
	for _, c := range k.companions {
		r.Companions = append(r.Companions, due.Companion{Activity: c.did, First: c.first, Within: c.within})
	}
	r.Storage = due.Storage{Months: k.storage.months, Baselines: baselinesOf(k.storage.baselines)}
	for _, w := range k.weights {
		r.Weights = append(r.Weights, due.Weight{Celsius: int16(w[0]), Percent: int32(w[1])})
	}
	r.Late = map[string]due.Late{"": due.FromWork, "from-due": due.FromDue, "escalate": due.Escalate}[k.late]
	r.MarkExpires, r.PhaseInDays = k.expires, k.phaseIn
}

func (v *wWaiver) waiver() due.Waiver {
	return due.Waiver{
		ID: v.id, Unit: unitID(v.unit), Pack: v.pack, Rule: v.rule, From: markOf(v.from).First(), To: markOf(v.to).First(), Granted: v.granted, Revoked: v.revoked,
		Signer: "S. Igner", Reason: "Spare part on its way.",
	}
}

func baselinesOf(names []string) (out []due.Baseline) {
	for _, b := range names {
		out = append(out, map[string]due.Baseline{"manufacture": due.Manufacture, "first-use": due.FirstUse, "commissioning": due.Commissioning}[b])
	}
	return out
}
