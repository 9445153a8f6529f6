package due_test

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// A world is a random history in plain values of its own: what the oracle reads, and what input turns into due's types.
type world struct {
	units    []wUnit
	entries  []wEntry
	fittings []wFitting
	packs    []wPack
	holds    []wHold
	waivers  []wWaiver
	recalls  []wRecall
	with     features
	calm     bool // little goes wrong, so that answers other than no come up
}

type ymd struct{ y, m, d int } // d 0 for a month; y 0 for nothing

type wUnit struct {
	kind, maker  string
	alloy        string // empty for none
	manufactured ymd
	commissioned ymd
	stays        []wStay
	retired      time.Time
}

type wStay struct {
	from         time.Time
	zone         string
	jurisdiction string
}

type wEntry struct {
	id                 int // order of ids is order of these
	unit               int
	occurred, recorded time.Time
	what               string // usage, reading, work, condition, amendment, order

	amount    [3]int64 // dives, running time in nanoseconds, fills
	measure   int
	replaced  bool
	newMeter  int64
	rollover  int64
	estimated bool
	celsius   int // noCelsius for none
	did       []string
	outcome   string // pass, fail, inconclusive, condemned
	mark      ymd
	condition string
	pull      bool

	corrects int
	right    *wEntry

	wOrder
}

type wFitting struct {
	part, host int
	from, to   time.Time
}

type wRule struct {
	id           string
	did          string
	satisfiedBy  []string
	kinds        []string
	places       []string
	makers       []string
	alloys       []string
	months       int
	limit        [3]int64
	stamped      bool
	leadDays     int
	lead         [3]int64
	baselines    []string // manufacture, first-use, commissioning
	blocks       string   // h, f or hf
	life         bool
	filledBefore bool
	wSpice
}

type wPack struct {
	id        string
	revision  int
	effective ymd
	published time.Time
	rules     []wRule
	proofs    []wProof
}

type wProof struct{ conditions, clearedBy []string }

type wHold struct {
	id             string
	unit           int
	blocks         string
	placed, lifted time.Time
}

var (
	zones      = []string{"America/Santiago", "Asia/Beirut", "Pacific/Kiritimati", "Pacific/Pago_Pago", "UTC", "Europe/Lisbon", "Asia/Kathmandu"}
	places     = []string{"US-CA", "US", "USX", "PT", "NZ-AUK"}
	deeds      = []string{"inspection", "overhaul", "calibration", "assessment"}
	conditions = []string{"free-flow", "drop"}
)

// begin is when the random histories begin; they last seven years.
var begin = time.Date(2018, 1, 1, 0, 0, 0, 0, time.UTC)

func randomWorld(r *rand.Rand, size int, with features) *world {
	w := &world{calm: r.IntN(2) == 0, with: with}
	var special []time.Time // instants at which something else happens too
	instant := func() time.Time {
		if len(special) > 0 && r.IntN(4) == 0 {
			return special[r.IntN(len(special))]
		}
		if len(special) > 0 && r.IntN(4) == 0 { // soon before or after another
			return special[r.IntN(len(special))].Add(time.Duration(r.IntN(20*24*60)-10*24*60) * time.Minute)
		}
		t := begin.Add(time.Duration(r.Int64N(7*365*24*60)) * time.Minute)
		special = append(special, t)
		return t
	}
	day := func() ymd {
		t := begin.AddDate(0, 0, r.IntN(7*365))
		d := ymd{t.Year(), int(t.Month()), t.Day()}
		if r.IntN(4) == 0 { // month ends are where months go wrong
			d.d = lastOf(d.y, d.m)
		}
		return d
	}
	mark := func(none, month int) ymd {
		d := day()
		switch n := r.IntN(10); {
		case n < none:
			return ymd{}
		case n < none+month:
			d.d = 0
		}
		return d
	}
	for range 1 + r.IntN(4) {
		u := wUnit{kind: pick(r, "set", "stage", "gauge"), maker: pick(r, "a", "b"), alloy: pick(r, "", "6061", "6351-T6"), manufactured: mark(3, 3), commissioned: mark(3, 0)}
		if w.calm {
			u.kind, u.commissioned = "set", ymd{2018, 1, 1}
		}
		u.stays = []wStay{{zone: zones[r.IntN(len(zones))], jurisdiction: places[r.IntN(len(places))]}}
		for range r.IntN(3) {
			from := instant()
			if last := u.stays[len(u.stays)-1].from; from.After(last) {
				u.stays = append(u.stays, wStay{from, zones[r.IntN(len(zones))], places[r.IntN(len(places))]})
			}
		}
		if !w.calm && r.IntN(12) == 0 {
			u.retired = instant()
		}
		w.units = append(w.units, u)
	}
	for part := 1; part < len(w.units); part++ {
		free := begin.Add(-time.Hour)
		for range r.IntN(4) {
			f := wFitting{part: part, host: r.IntN(part), from: instant(), to: instant()}
			if f.from.Before(free) || !f.from.Before(f.to) {
				continue
			}
			free = f.to
			if r.IntN(3) == 0 {
				f.to, free = time.Time{}, begin.AddDate(100, 0, 0)
			}
			w.fittings = append(w.fittings, f)
		}
	}
	for i := range r.IntN(size) {
		w.entries = append(w.entries, randomEntry(r, w, i, instant, mark))
	}
	randomOrders(r, w, instant)
	w.packs = randomPacks(r, with, day, instant)
	w.waivers = randomWaivers(r, w, day, instant)
	w.recalls = randomRecalls(r, w, instant)
	for i := range r.IntN(3) {
		if w.calm && i == 0 {
			break
		}
		h := wHold{id: fmt.Sprintf("hold-%d", i), unit: r.IntN(len(w.units)), blocks: pick(r, "h", "f", "hf"), placed: instant()}
		if t := instant(); t.After(h.placed) && r.IntN(2) == 0 {
			h.lifted = t
		}
		w.holds = append(w.holds, h)
	}
	return w
}

func randomEntry(r *rand.Rand, w *world, i int, instant func() time.Time, mark func(none, month int) ymd) wEntry {
	e := wEntry{celsius: noCelsius, id: 1000*r.IntN(4) + i, unit: r.IntN(len(w.units)), occurred: instant()}
	e.recorded = e.occurred
	if r.IntN(2) == 0 {
		e.recorded = e.occurred.Add(time.Duration(r.IntN(60*24)) * time.Hour)
	}
	tell := func(e *wEntry) {
		switch r.IntN(10) {
		case 0, 1, 2, 3:
			e.what = "usage"
			e.amount = [3]int64{int64(r.IntN(6)), int64(r.IntN(3)) * hour, int64(r.IntN(3))}
			e.guess(r, w.with)
		case 4:
			e.what, e.measure = "reading", r.IntN(3)
			e.amount[e.measure] = int64(r.IntN(100))
			if w.calm { // meters that go up
				e.amount[e.measure] = int64(e.occurred.Sub(begin) / (30 * 24 * time.Hour))
			}
			if e.replaced = r.IntN(2) == 0; e.replaced {
				e.newMeter = int64(r.IntN(3))
			}
			if w.with&rollovers != 0 && r.IntN(3) == 0 {
				e.rollover = int64(80 + r.IntN(30))
			}
			if e.measure == 1 {
				e.amount[1], e.newMeter, e.rollover = e.amount[1]*hour, e.newMeter*hour, e.rollover*hour
			}
			e.guess(r, w.with)
		case 5, 6, 7, 8:
			e.what, e.outcome, e.mark = "work", pick(r, "pass", "pass", "pass", "pass", "fail", "inconclusive"), mark(6, 2)
			if w.calm {
				e.outcome = "pass"
			} else if r.IntN(60) == 0 {
				e.outcome = "condemned"
			}
			for _, a := range deeds {
				if r.IntN(2) == 0 {
					e.did = append(e.did, a)
				}
			}
			if e.mark.y != 0 && r.IntN(2) == 0 { // most marks are of the month of the work
				e.mark.y, e.mark.m = e.occurred.Year(), int(e.occurred.Month())
				e.mark.d = min(e.mark.d, lastOf(e.mark.y, e.mark.m))
			}
		default:
			e.what, e.condition, e.pull = "condition", pick(r, conditions...), !w.calm && r.IntN(2) == 0
			for r.IntN(3) == 0 && len(e.did) < 3 { // what lifts it, as the report says
				e.did = append(e.did, pick(r, others(strings.Join(e.did, ""))...))
			}
		}
	}
	if len(w.entries) > 0 && r.IntN(6) == 0 {
		target := w.entries[r.IntN(len(w.entries))]
		if target.what != "amendment" {
			e.what, e.unit, e.corrects = "amendment", target.unit, target.id
			if r.IntN(3) > 0 {
				right := target
				right.occurred = instant()
				right.amount, right.did, right.mark, right.replaced, right.newMeter = [3]int64{}, nil, ymd{}, false, 0
				right.rollover, right.estimated, right.celsius = 0, false, noCelsius
				tell(&right)
				e.right = &right
			}
			return e
		}
	}
	tell(&e)
	return e
}

func randomPacks(r *rand.Rand, with features, day func() ymd, instant func() time.Time) (out []wPack) {
	for _, id := range []string{"law", "house"}[:1+r.IntN(2)] {
		for revision := range 1 + r.IntN(3) {
			p := wPack{id: id, revision: revision + 1, effective: day(), published: instant()}
			if revision == 0 && r.IntN(4) > 0 {
				p.effective, p.published = ymd{2015, 6, 30}, time.Time{}
			}
			if len(out) > 0 && r.IntN(10) == 0 {
				p.effective = out[len(out)-1].effective
			}
			for i := range r.IntN(4) {
				p.rules = append(p.rules, randomRule(r, fmt.Sprintf("rule-%d", i), with))
			}
			if r.IntN(3) == 0 {
				p.proofs = append(p.proofs, wProof{[]string{"drop"}, []string{"overhaul"}})
			}
			if r.IntN(4) == 0 {
				p.proofs = append(p.proofs, wProof{nil, []string{"calibration", "overhaul"}})
			}
			out = append(out, p)
		}
	}
	return out
}

func randomRule(r *rand.Rand, id string, with features) wRule {
	k := wRule{id: id, did: pick(r, deeds...), blocks: pick(r, "h", "f", "hf")}
	if r.IntN(3) == 0 {
		k.satisfiedBy = []string{pick(r, deeds...)}
	}
	if r.IntN(3) == 0 {
		k.kinds = []string{pick(r, "set", "stage", "gauge"), "set"}
	}
	if r.IntN(3) == 0 {
		k.places = []string{pick(r, "US", "PT", "NZ")}
	}
	if r.IntN(6) == 0 {
		k.makers = []string{"a"}
	}
	if r.IntN(6) == 0 {
		k.alloys = []string{"6061", "7075"}
	}
	if k.months = r.IntN(30); k.months > 0 {
		k.stamped, k.leadDays = r.IntN(3) == 0, r.IntN(60)
	}
	for m := range k.limit {
		if r.IntN(3) == 0 {
			k.limit[m], k.lead[m] = int64(1+r.IntN(40)), int64(r.IntN(5))
			if m == 1 {
				k.limit[m], k.lead[m] = k.limit[m]*hour, k.lead[m]*hour
			}
		}
	}
	if k.months == 0 && k.limit == [3]int64{} {
		k.months = 12
	}
	for _, b := range []string{"first-use", "manufacture", "commissioning"} {
		if r.IntN(2) == 0 {
			k.baselines = append(k.baselines, b)
		}
	}
	r.Shuffle(len(k.baselines), func(i, j int) { k.baselines[i], k.baselines[j] = k.baselines[j], k.baselines[i] })
	k.life, k.filledBefore = r.IntN(8) == 0, r.IntN(3) == 0
	k.spice(r, with)
	return k
}

func pick(r *rand.Rand, of ...string) string { return of[r.IntN(len(of))] }

func lastOf(y, m int) int { return time.Date(y, time.Month(m)+1, 0, 12, 0, 0, 0, time.UTC).Day() }

// uid gives ids that sort as the numbers do.
func uid(kind byte, n int) (id uuid.UUID) {
	id[0] = kind
	binary.BigEndian.PutUint64(id[8:], uint64(n))
	return id
}

func unitID(n int) uuid.UUID  { return uid('u', n) }
func entryID(n int) uuid.UUID { return uid('e', n) }

// input turns a world into due's types, asking about one unit.
func (w *world) input(unit int) due.Input {
	in := due.Input{Unit: unitID(unit), Units: make([]due.Facts, 0, len(w.units))}
	for i, u := range w.units {
		f := due.Facts{Unit: unitID(i), Kind: u.kind, Maker: u.maker, Manufactured: markOf(u.manufactured), Commissioned: markOf(u.commissioned), Retired: u.retired}
		if u.alloy != "" {
			f.Attributes = map[string]string{"alloy": u.alloy}
		}
		for _, s := range u.stays {
			f.Stays = append(f.Stays, due.Stay{From: s.from, Zone: location(s.zone), Jurisdiction: s.jurisdiction})
		}
		in.Units = append(in.Units, f)
	}
	if len(w.entries) > 0 {
		in.Entries = make([]due.Entry, 0, len(w.entries))
	}
	for i := range w.entries {
		e := &w.entries[i]
		d := e.entry()
		if e.right != nil {
			c := e.right.entry()
			d.Correct = &c
		}
		in.Entries = append(in.Entries, d)
	}
	for _, f := range w.fittings {
		in.Fittings = append(in.Fittings, due.Fitting{Part: unitID(f.part), Host: unitID(f.host), From: f.from, To: f.to})
	}
	for _, p := range w.packs {
		d := due.Pack{ID: p.id, Revision: int64(p.revision), Effective: markOf(p.effective).First(), Published: p.published}
		if len(p.rules) > 0 {
			d.Rules = make([]due.Rule, 0, len(p.rules))
		}
		for _, k := range p.rules {
			d.Rules = append(d.Rules, k.rule(p.id))
		}
		for _, f := range p.proofs {
			d.Proofs = append(d.Proofs, due.Proof{Conditions: f.conditions, ClearedBy: f.clearedBy})
		}
		in.Packs = append(in.Packs, d)
	}
	for _, h := range w.holds {
		in.Holds = append(in.Holds, due.ManualHold{ID: h.id, Unit: unitID(h.unit), Reason: "by hand", Blocks: useOf(h.blocks), Placed: h.placed, Placer: "p", Lifted: h.lifted, Lifter: "l"})
	}
	for _, v := range w.waivers {
		in.Waivers = append(in.Waivers, v.waiver())
	}
	for _, c := range w.recalls {
		c.put(&in)
	}
	return in
}

func (e *wEntry) entry() due.Entry {
	d := due.Entry{ID: entryID(e.id), Unit: unitID(e.unit), Occurred: e.occurred, Recorded: e.recorded}
	switch e.what {
	case "usage", "reading":
		d.Kind, d.Amount = due.UsageEntry, amountOf(e.amount)
		if e.what == "reading" {
			d.Reading, d.Meter, d.Replaced = true, due.Measure(e.measure+1), e.replaced
			var n [3]int64
			n[e.measure] = e.newMeter
			d.Replacement = amountOf(n)
			d.Rollover = e.rollover
		}
		d.Estimated = e.estimated
		if e.celsius != noCelsius {
			d.Celsius, d.HasCelsius = int16(e.celsius), true
		}
	case "work":
		d.Kind, d.Activities, d.Mark = due.Work, e.did, markOf(e.mark)
		d.Outcome = map[string]due.Outcome{"pass": due.Pass, "fail": due.Fail, "inconclusive": due.Inconclusive, "condemned": due.Condemned}[e.outcome]
	case "condition":
		d.Kind, d.Condition, d.Pull, d.Activities = due.Condition, e.condition, e.pull, e.did
	case "amendment":
		d.Kind, d.Corrects = due.Amendment, entryID(e.corrects)
	case "order":
		d.Kind, d.Activities, d.Order = due.OrderEntry, e.did, e.event()
	}
	return d
}

func (k wRule) rule(pack string) due.Rule {
	r := due.Rule{
		Pack: pack, ID: k.id, Title: k.id, Activity: k.did, Authority: due.House, Source: due.Source{Document: "test"},
		Scope:  due.Scope{Kinds: k.kinds, Jurisdictions: k.places, Makers: k.makers},
		Months: k.months, Limit: amountOf(k.limit), MonthStamp: k.stamped, LeadDays: k.leadDays, Lead: amountOf(k.lead),
		SatisfiedBy: k.satisfiedBy, Blocks: useOf(k.blocks), EndOfLife: k.life, HandOutIfFilledBefore: k.filledBefore,
	}
	if len(k.alloys) > 0 {
		r.Scope.Attributes = map[string][]string{"alloy": k.alloys}
	}
	r.Baselines = baselinesOf(k.baselines)
	k.season(&r)
	return r
}

func amountOf(n [3]int64) due.Amount {
	return due.Amount{Dives: n[0], Hours: time.Duration(n[1]), Fills: n[2]}
}

func useOf(s string) (u due.Use) {
	for _, c := range s {
		u |= map[rune]due.Use{'h': due.HandOut, 'f': due.Fill}[c]
	}
	return u
}

func markOf(d ymd) civil.Mark {
	switch {
	case d.y == 0:
		return civil.Mark{}
	case d.d == 0:
		return civil.Month(d.y, time.Month(d.m))
	}
	return civil.Day(civil.New(d.y, time.Month(d.m), d.d))
}

var locations = map[string]*time.Location{}

func location(name string) *time.Location {
	if locations[name] == nil {
		l, err := time.LoadLocation(name)
		if err != nil {
			panic(err)
		}
		locations[name] = l
	}
	return locations[name]
}
