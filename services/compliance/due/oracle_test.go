package due_test

import (
	"fmt"
	"sort"
	"strings"
	"time"
)

// The oracle answers the same question as the engine, naively and from the words of the design alone: it walks calendars a
// day at a time instead of computing with them, and looks at every entry for every rule. It shares no code with the package.

// told is an entry after corrections, as far as it counts for the question.
type told struct {
	wEntry
	counts [3]int64 // usage: the increment it stands for
	back   bool     // a reading that went back
}

type oracle struct {
	w         *world
	at, known time.Time
	told      []told
}

// answerOf returns, for one unit asked about at an instant, lines that say everything: may hand out, may fill, each clock,
// each open hold and each reason.
func answerOf(w *world, unit int, at, known time.Time) string {
	o := &oracle{w: w, at: at, known: known}
	o.tell()
	var lines []string
	blocked := map[rune]bool{}
	clocks, worst := 0, 0
	visit := func(u int, part bool) {
		a := o.unit(u, part, o.day(unit, at))
		lines = append(lines, a.lines...)
		clocks += a.clocks
		worst = max(worst, a.worst)
		for _, c := range a.blocked {
			blocked[c] = true
		}
	}
	visit(unit, false)
	for p := range w.units {
		if p != unit && o.isWithin(p, unit, at) {
			visit(p, true)
		}
	}
	sort.Strings(lines)
	return fmt.Sprintf("hand out %v, fill %v, worst %d\n%s", !blocked['h'], !blocked['f'], worst, strings.Join(lines, "\n"))
}

func (o *oracle) isKnown(t time.Time) bool { return o.known.IsZero() || !t.After(o.known) }

// tell applies the corrections and works out what every usage stands for.
func (o *oracle) tell() {
	for _, e := range o.w.entries {
		if e.what == "amendment" || !o.isKnown(e.recorded) {
			continue
		}
		var last *wEntry
		for i := range o.w.entries {
			a := &o.w.entries[i]
			if a.what == "amendment" && a.corrects == e.id && e.what != "order" && o.isKnown(a.recorded) {
				if last == nil || a.occurred.After(last.occurred) || a.occurred.Equal(last.occurred) && a.id > last.id {
					last = a
				}
			}
		}
		t := told{wEntry: e}
		if last != nil {
			if last.right == nil {
				continue
			}
			t.wEntry = *last.right
			t.id, t.unit = e.id, e.unit
		}
		if !t.occurred.After(o.at) {
			o.told = append(o.told, t)
		}
	}
	for i := range o.told {
		t := &o.told[i]
		switch t.what {
		case "usage":
			t.counts = t.amount
		case "reading":
			var before *told
			for j := range o.told {
				b := &o.told[j]
				if b.what == "reading" && b.unit == t.unit && b.measure == t.measure && earlier(b, t) && (before == nil || earlier(before, b)) {
					before = b
				}
			}
			showed := int64(0)
			if before != nil {
				showed = before.amount[t.measure]
				if before.replaced {
					showed = before.newMeter
				}
			}
			t.counts[t.measure], t.back = turned(showed, t.amount[t.measure], t.rollover)
		}
	}
}

func earlier(a, b *told) bool {
	return a.occurred.Before(b.occurred) || a.occurred.Equal(b.occurred) && a.id < b.id
}

// isWithin climbs from a part to its host, and on, at an instant.
func (o *oracle) isWithin(part, host int, t time.Time) bool {
	for _, f := range o.w.fittings {
		if f.part == part && !f.from.After(t) && (f.to.IsZero() || f.to.After(t)) && !f.from.After(o.at) {
			return f.host == host || o.isWithin(f.host, host, t)
		}
	}
	return false
}

func (o *oracle) stay(u int, t time.Time) wStay {
	s := o.w.units[u].stays[0]
	for _, later := range o.w.units[u].stays[1:] {
		if !later.from.After(t) {
			s = later
		}
	}
	return s
}

func (o *oracle) day(u int, t time.Time) ymd {
	y, m, d := t.In(location(o.stay(u, t).zone)).Date()
	return ymd{y, int(m), d}
}

type unitAnswer struct {
	lines   []string
	blocked string
	clocks  int
	worst   int
}

func (a *unitAnswer) no(u int, code, blocks, about string) {
	a.lines = append(a.lines, fmt.Sprintf("no %d %s %s %s", u, code, blocks, about))
	a.blocked += blocks
}

func (o *oracle) unit(u int, part bool, today ymd) (a unitAnswer) {
	facts := o.w.units[u]
	if !facts.retired.IsZero() && !facts.retired.After(o.at) {
		a.no(u, "RETIRED", "hf", "")
	}
	if facts.commissioned.y != 0 && before(today, facts.commissioned) {
		a.no(u, "NOT_YET_COMMISSIONED", "hf", "")
	}
	fitted := false
	for h := range o.w.units {
		fitted = fitted || o.isWithin(u, h, o.at)
	}
	if fitted && !part {
		a.no(u, "FITTED_ELSEWHERE", "h", "")
	}
	o.holds(u, &a)
	for _, id := range []string{"law", "house"} {
		p := o.inForce(id, today)
		if p == nil {
			continue
		}
		for _, k := range p.rules {
			if k.covers(facts, o.stay(u, o.at).jurisdiction) {
				o.clock(u, p, k, today, &a)
				a.clocks++
			}
		}
	}
	if a.clocks == 0 && !fitted {
		a.no(u, "NO_RULE", "hf", "")
	}
	return a
}

// inForce returns the revision of a pack on a day: the last that had begun, and of those of one day the highest.
func (o *oracle) inForce(id string, on ymd) (best *wPack) {
	for i := range o.w.packs {
		p := &o.w.packs[i]
		if p.id != id || !o.isKnown(p.published) || before(on, p.effective) {
			continue
		}
		if best == nil || before(best.effective, p.effective) || best.effective == p.effective && p.revision > best.revision {
			best = p
		}
	}
	return best
}

func (k wRule) covers(u wUnit, place string) bool {
	in := func(list []string, v string) bool {
		for _, s := range list {
			if s == v {
				return true
			}
		}
		return len(list) == 0
	}
	placeIn := len(k.places) == 0
	for _, s := range k.places {
		placeIn = placeIn || place == s || strings.HasPrefix(place, s+"-")
	}
	return in(k.kinds, u.kind) && in(k.makers, u.maker) && in(k.alloys, u.alloy) && placeIn
}

// dayNow is the day of an instant where the unit is at the instant asked about.
func (o *oracle) dayNow(u int, t time.Time) ymd {
	y, m, d := t.In(location(o.stay(u, o.at).zone)).Date()
	return ymd{y, int(m), d}
}

func lifeOr(k wRule, code string) string {
	if k.life {
		return "END_OF_LIFE"
	}
	return code
}

func (o *oracle) holds(u int, a *unitAnswer) {
	hold := func(id, code, blocks string) {
		a.lines = append(a.lines, fmt.Sprintf("hold %d %s", u, id))
		a.no(u, code, blocks, id)
	}
	for _, h := range o.w.holds {
		if h.unit == u && !h.placed.After(o.at) && o.isKnown(h.placed) {
			lifted := !h.lifted.IsZero() && !h.lifted.After(o.at) && o.isKnown(h.lifted)
			if !lifted {
				hold(h.id, "HOLD_OPEN", h.blocks)
			}
		}
	}
	// Condemned: whatever was ever said and known by then, corrected or not.
	var final *told
	for _, e := range o.w.entries {
		if e.unit != u || !o.isKnown(e.recorded) {
			continue
		}
		says := told{wEntry: e}
		if e.what == "amendment" {
			if e.right == nil {
				continue
			}
			says.wEntry = *e.right
			says.id = e.corrects
		}
		if says.what == "work" && says.outcome == "condemned" && !says.occurred.After(o.at) && (final == nil || earlier(&says, final)) {
			final = &says
		}
	}
	if final != nil {
		hold("condemned-"+entryID(final.id).String(), "CONDEMNED", "hf")
	}
	o.recalled(u, hold)
	o.benched(u, hold)
	passedAfter := func(t *told, by ...string) bool {
		for _, p := range o.told {
			if p.unit == u && p.what == "work" && p.outcome == "pass" && p.occurred.After(t.occurred) {
				for _, d := range p.did {
					for _, b := range by {
						if d == b {
							return true
						}
					}
				}
			}
		}
		return false
	}
	for i := range o.told {
		t := &o.told[i]
		if t.back && (t.unit == u || o.isWithin(u, t.unit, t.occurred)) {
			hold("reading-"+entryID(t.id).String(), "MISSING_HISTORY", "hf")
		}
		if t.unit != u {
			continue
		}
		if t.what == "work" && (t.outcome == "fail" || t.outcome == "inconclusive") {
			for _, d := range t.did {
				id := "test-" + entryID(t.id).String()
				if len(t.did) > 1 {
					id += "-" + d
				}
				if !passedAfter(t, d) {
					hold(id, "HOLD_OPEN", "hf")
				}
			}
		}
		if t.what == "condition" && t.pull {
			o.condition(u, t, passedAfter, hold)
		}
	}
}

// condition opens what the report asks for; if it asks for nothing, what every pack then in force asks for, once for equal demands; inspection
// or overhaul if none asks.
func (o *oracle) condition(u int, t *told, passedAfter func(*told, ...string) bool, hold func(id, code, blocks string)) {
	if len(t.did) > 0 {
		if !passedAfter(t, t.did...) {
			hold("condition-"+entryID(t.id).String(), "HOLD_OPEN", "hf")
		}
		return
	}
	var demands [][]string
	var packs []string
	for _, id := range []string{"house", "law"} { // by id
		p := o.inForce(id, o.day(u, t.occurred))
		if p == nil {
			continue
		}
		covers := false
		for _, k := range p.rules {
			covers = covers || k.covers(o.w.units[u], o.stay(u, t.occurred).jurisdiction)
		}
		var demand []string
		for _, f := range p.proofs {
			if len(f.conditions) == 0 && demand == nil || len(f.conditions) > 0 && f.conditions[0] == t.condition {
				demand = f.clearedBy
				if len(f.conditions) > 0 {
					break
				}
			}
		}
		if !covers || demand == nil {
			continue
		}
		known := false
		for _, d := range demands {
			known = known || fmt.Sprint(d) == fmt.Sprint(demand)
		}
		if !known {
			demands, packs = append(demands, demand), append(packs, id)
		}
	}
	if demands == nil {
		demands, packs = [][]string{{"inspection", "overhaul"}}, []string{""}
	}
	for i, d := range demands {
		id := "condition-" + entryID(t.id).String()
		if i > 0 {
			id += "-" + packs[i]
		}
		if !passedAfter(t, d...) {
			hold(id, "HOLD_OPEN", "hf")
		}
	}
}

// walkMonths steps through the days after from. A month has passed on each day of the same number, or on the last day of a
// month that has no such day. A stamped limit goes on to the last day of the month it falls in.
func walkMonths(from ymd, months int, stamped bool) ymd {
	d, passed := from, 0
	for passed < months {
		d = tomorrow(d)
		if d.d == from.d || tomorrow(d).d == 1 && d.d < from.d {
			passed++
		}
	}
	for stamped && tomorrow(d).d != 1 {
		d = tomorrow(d)
	}
	return d
}

// tomorrow turns a page of the calendar.
func tomorrow(d ymd) ymd {
	if d.d++; d.d > pages(d.y, d.m) {
		d.d = 1
		if d.m++; d.m > 12 {
			d.m = 1
			d.y++
		}
	}
	return d
}

// pages says how many days a month has, in the words of the rhyme.
func pages(y, m int) int {
	switch m {
	case 4, 6, 9, 11:
		return 30
	case 2:
		if y%400 == 0 || y%4 == 0 && y%100 != 0 {
			return 29
		}
		return 28
	}
	return 31
}

func first(d ymd) ymd {
	if d.d == 0 {
		d.d = 1
	}
	return d
}

func before(a, b ymd) bool {
	a, b = first(a), first(b)
	if a.y != b.y {
		return a.y < b.y
	}
	if a.m != b.m {
		return a.m < b.m
	}
	return a.d < b.d
}
