package due

import (
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"
)

// Derive returns what the facts and entries of in.Unit come to.
//
// With a zero at, everything counts, and the answer is good for every instant from the last event on. Otherwise only what
// had happened by then counts: entries by when they occurred (as corrected), fittings and stays by when they began, holds
// by when they were placed. With a zero known everything that was recorded counts; otherwise only entries, amendments, holds
// and pack revisions recorded by then. An amendment counts from when it was recorded, whatever instant is asked about: it
// says what was true all along.
//
// Clocks are those of every pack revision with a rule that covers the unit where it is at that instant.
//
// The order of the slices in in does not matter. Entries and fittings sorted by instant are read faster.
func Derive(in Input, at, known time.Time) Derived {
	e := engines.Get().(*engine)
	defer engines.Put(e)
	return e.derive(&in, at, known)
}

var engines = sync.Pool{New: func() any {
	return &engine{
		order: order[event]{compare: compareEvents}, used: order[use]{compare: compareUses},
		amended: map[uuid.UUID]*Entry{}, performed: map[string]int{}, later: map[string]*event{},
	}
}}

// engine is one derivation and the memory it needs, which the next one uses again.
type engine struct {
	in        *Input
	at, known time.Time
	facts     *Facts
	stay      Stay // at the instant, or the last

	order      order[event]         // of the events
	events     []event              // the unit's entries, and the usage of what it was fitted to; plain increments are uses at once
	amended    map[uuid.UUID]*Entry // by corrected entry: the amendment that holds
	fittings   fittingIndex         // empty if the unit was never fitted to anything
	residence  residence            // the last answer about them
	meters     []meter              // last readings
	used       order[use]           // of the uses
	uses       []use                // what the unit went through
	totals     []total              // totals[i] is the sum of the uses before i
	estimated  bool                 // some use is an estimate
	passes     []performance        // work that passed, in the order it happened
	performed  map[string]int       // by activity: the last of passes
	candidates []performance
	dailies    []daily
	later      map[string]*event // by activity: while walking backwards, the next pass
	revisions  []revision
}

// event is an entry as it stands after amendments.
type event struct {
	id, unit uuid.UUID
	at       time.Time
	entry    *Entry // the detail: the entry itself or what it was corrected to
}

func (e *engine) derive(in *Input, at, known time.Time) Derived {
	e.in, e.at, e.known = in, at, known
	defer e.forget()
	d := Derived{Unit: in.Unit}
	for i := range in.Units {
		if in.Units[i].Unit == in.Unit {
			e.facts = &in.Units[i]
		}
	}
	e.manualHolds(&d)
	if e.facts == nil {
		sortHolds(d.Holds)
		return d
	}
	end := at
	if end.IsZero() {
		end = forever
	}
	if s := stayAt(e.facts.Stays, end); s != nil {
		d.Stay = *s
	}
	e.stay = d.Stay
	d.Host, _ = HostAt(in.Fittings, in.Unit, end)
	d.Commissioned, d.Retired = e.facts.Commissioned, e.facts.Retired
	e.indexFittings()
	e.collect(&d)
	e.measure(&d)
	e.perform()
	e.revisions = revisions(e.revisions[:0], in.Packs, known)
	e.entryHolds(&d)
	e.orderHolds(&d)
	e.recalls(&d)
	e.clocks(&d)
	e.missing(&d)
	sortHolds(d.Holds)
	return d
}

// forget drops every reference into the input, so that pooled memory does not keep it alive.
func (e *engine) forget() {
	e.in, e.facts, e.stay, e.events = nil, nil, Stay{}, nil
	e.order.forget()
	clear(e.amended)
	clear(e.performed)
	clear(e.passes)
	clear(e.candidates[:cap(e.candidates)])
	clear(e.later)
	clear(e.revisions[:cap(e.revisions)])
}

// happened says whether an instant counts.
func (e *engine) happened(t time.Time) bool { return e.at.IsZero() || !t.After(e.at) }

// wasKnown says whether what was recorded at an instant counts.
func (e *engine) wasKnown(t time.Time) bool { return e.known.IsZero() || !t.After(e.known) }

func (e *engine) indexFittings() {
	e.fittings, e.residence = e.fittings[:0], residence{}
	fitted := false
	for i := range e.in.Fittings {
		f := &e.in.Fittings[i]
		if e.happened(f.From) {
			e.fittings = append(e.fittings, *f)
			fitted = fitted || f.Part == e.in.Unit
		}
	}
	if !fitted {
		e.fittings = e.fittings[:0]
		return
	}
	slices.SortFunc(e.fittings, func(a, b Fitting) int { return compareFittings(&a, &b) })
}

// collect applies the amendments and gathers the events that matter to the unit, in the order they happened; those of one
// instant by id. A condemnation counts even if it was amended away, and so does one that only an amendment told of. Of what the
// unit was never fitted to, or not then, only meter readings matter: later ones are compared with them.
func (e *engine) collect(d *Derived) {
	e.order.reset()
	e.used.reset()
	var condemned event
	e.in.All(func(h *History) { e.amend(h.Entries, &condemned) })
	e.in.All(func(h *History) {
		e.gather(h.Entries, &condemned)
		e.increments(h)
	})
	e.events = e.order.sorted()
	if condemned.entry != nil {
		d.Holds = append(d.Holds, condemnation(&condemned))
	}
}

// amend notes the amendments that hold.
func (e *engine) amend(entries []Entry, condemned *event) {
	for i := range entries {
		a := &entries[i]
		if a.Kind != Amendment || !e.wasKnown(a.Recorded) {
			continue
		}
		if other := e.amended[a.Corrects]; other == nil || amendmentHolds(a, other) {
			e.amended[a.Corrects] = a
		}
		if a.Correct != nil && a.Unit == e.in.Unit {
			e.condemn(a.Corrects, a.Correct, condemned)
		}
	}
}

// gather adds the events of entries as they stand after amendments.
func (e *engine) gather(entries []Entry, condemned *event) {
	e.order.next()
	amendments := len(e.amended) > 0
	for i := range entries {
		entry := &entries[i]
		own := entry.Unit == e.in.Unit
		if entry.Kind == Amendment || !own && len(e.fittings) == 0 || !e.wasKnown(entry.Recorded) {
			continue
		}
		if own {
			e.condemn(entry.ID, entry, condemned)
		}
		said := entry
		if amendments && entry.Kind != OrderEntry { // an order has withdrawals of its own
			if a := e.amended[entry.ID]; a != nil && a.Unit == entry.Unit {
				if said = a.Correct; said == nil {
					continue
				}
			}
		}
		e.happens(entry.ID, entry.Unit, said)
	}
}

// happens adds an event, if it happened and matters to the unit.
func (e *engine) happens(id, unit uuid.UUID, said *Entry) {
	if !e.happened(said.Occurred) {
		return
	}
	if unit != e.in.Unit && (said.Kind != UsageEntry || !said.Reading && !e.fitted(unit, InstantOf(said.Occurred))) {
		return
	}
	e.order.add(event{id: id, unit: unit, at: said.Occurred, entry: said})
}

// increments adds the uses of a history's increments; one that was amended is the event that it was corrected to.
func (e *engine) increments(h *History) {
	own := h.Unit == e.in.Unit
	if len(h.Increments) == 0 || !own && len(e.fittings) == 0 {
		return
	}
	e.order.next()
	e.used.next()
	amendments, end, known := len(e.amended) > 0, InstantOf(e.at), InstantOf(e.known)
	for i := range h.Increments {
		inc := &h.Increments[i]
		if !e.known.IsZero() && inc.Recorded.After(known) {
			continue
		}
		if amendments {
			if a := e.amended[inc.ID]; a != nil && a.Unit == h.Unit {
				if a.Correct != nil {
					e.happens(inc.ID, h.Unit, a.Correct)
				}
				continue
			}
		}
		if !e.at.IsZero() && inc.Occurred.After(end) || !own && !e.fitted(h.Unit, inc.Occurred) {
			continue
		}
		e.use(use{at: inc.Occurred, amount: inc.Amount, entry: inc.ID, unit: h.Unit})
	}
}

// condemn notes the first condemnation.
func (e *engine) condemn(id uuid.UUID, said *Entry, first *event) {
	if said.Kind != Work || said.Outcome != Condemned || !e.happened(said.Occurred) {
		return
	}
	ev := event{id: id, unit: e.in.Unit, at: said.Occurred, entry: said}
	if first.entry == nil || compareEvents(&ev, first) < 0 {
		*first = ev
	}
}

// amendmentHolds says whether amendment a supersedes b: it occurred later, or at once with a greater id.
func amendmentHolds(a, b *Entry) bool {
	if c := a.Occurred.Compare(b.Occurred); c != 0 {
		return c > 0
	}
	return compareIDs(a.ID, b.ID) > 0
}

// clocks builds the clocks of every revision's rules that cover the unit.
func (e *engine) clocks(d *Derived) {
	n := 0
	var limited [len(measures)]bool
	for i := range e.revisions {
		for j := range e.revisions[i].pack.Rules {
			rule := &e.revisions[i].pack.Rules[j]
			if !rule.Scope.covers(e.facts, &d.Stay) {
				continue
			}
			n++
			for m, measure := range measures {
				limited[m] = limited[m] || rule.limits(measure)
			}
		}
	}
	if n == 0 {
		return
	}
	d.Clocks = make([]Clock, 0, n)
	rates := e.rates(limited)
	for i := range e.revisions {
		r := &e.revisions[i]
		for j := range r.pack.Rules {
			rule := &r.pack.Rules[j]
			if !rule.Scope.covers(e.facts, &d.Stay) {
				continue
			}
			d.Clocks = d.Clocks[:len(d.Clocks)+1] // of zeroes
			c := &d.Clocks[len(d.Clocks)-1]
			c.Unit, c.Pack, c.Rule, c.InForceFrom, c.InForceUntil = d.Unit, r.pack, rule, r.from, r.until
			e.anchor(c, i)
			e.limit(c)
			c.Used, c.Estimated = e.usedSince(rule, c.AnchorOccurred)
			if !c.AnchorDate.IsZero() {
				c.ExpectedOn = e.expect(c, &rates)
			}
			e.phaseIn(c, i, d.Clocks[:len(d.Clocks)-1])
			e.waive(c)
		}
	}
}
