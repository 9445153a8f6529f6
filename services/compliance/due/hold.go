package due

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
)

// maxHoldID is the length of the longest hold id.
const maxHoldID = 100

// usualProof lifts the hold of a condition of which neither its report nor any pack says what does.
var usualProof = []string{"inspection", "overhaul"}

// manualHolds copies the holds that people placed, as they stood at the instant and as known.
func (e *engine) manualHolds(d *Derived) {
	for i := range e.in.Holds {
		m := &e.in.Holds[i]
		if m.Unit != e.in.Unit || !e.happened(m.Placed) || !e.wasKnown(m.Placed) {
			continue
		}
		h := Hold{ID: m.ID, Unit: m.Unit, Cause: CauseManual, Reason: m.Reason, Blocks: m.Blocks, Opened: m.Placed, Placer: m.Placer}
		if !m.Lifted.IsZero() && e.happened(m.Lifted) && e.wasKnown(m.Lifted) {
			h.Lifted, h.Lifter, h.LiftReason = m.Lifted, m.Lifter, m.LiftReason
		}
		d.Holds = append(d.Holds, h)
	}
}

// entryHolds opens a hold for every failed or inconclusive activity and every condition that pulls, and lifts each with the
// first pass, strictly later, that proves it: of what the entry itself says lifts it, otherwise of what the packs say. It walks the events backwards, an instant at a time, so that the next pass of
// every activity is at hand.
func (e *engine) entryHolds(d *Derived) {
	clear(e.later)
	for end := len(e.events); end > 0; {
		start := end - 1
		for start > 0 && e.events[start-1].at.Equal(e.events[end-1].at) {
			start--
		}
		for i := start; i < end; i++ {
			e.openHolds(d, &e.events[i])
		}
		for i := end - 1; i >= start; i-- { // of the passes of one instant, the smallest id is the proof
			ev := &e.events[i]
			if ev.unit != e.in.Unit || ev.entry.Kind != Work || ev.entry.Outcome != Pass {
				continue
			}
			for _, a := range ev.entry.Activities {
				e.later[a] = ev
			}
		}
		end = start
	}
}

func (e *engine) openHolds(d *Derived, ev *event) {
	if ev.unit != e.in.Unit {
		return
	}
	switch said := ev.entry; {
	case said.Kind == Work && (said.Outcome == Fail || said.Outcome == Inconclusive):
		for i, a := range said.Activities {
			if slices.Contains(said.Activities[:i], a) {
				continue
			}
			h := Hold{ID: "test-" + ev.id.String(), Cause: CauseFailed, Reason: fmt.Sprintf("The %s of %s failed.", a, e.day(ev.at))}
			if len(said.Activities) > 1 {
				h.ID = holdID(h.ID + "-" + a)
			}
			if said.Outcome == Inconclusive {
				h.Cause, h.Reason = CauseInconclusive, fmt.Sprintf("The %s of %s reached no verdict.", a, e.day(ev.at))
			}
			d.Holds = append(d.Holds, e.held(h, ev, said.Activities[i:i+1]))
		}
	case said.Kind == Condition && said.Pull:
		h := Hold{ID: "condition-" + ev.id.String(), Cause: CauseCondition, Reason: fmt.Sprintf("Reported on %s: %s.", e.day(ev.at), said.Condition)}
		if len(said.Activities) > 0 { // the report says itself what lifts it, and nothing else does
			d.Holds = append(d.Holds, e.held(h, ev, said.Activities))
			return
		}
		first := len(d.Holds)
		on := dateAt(e.facts.Stays, ev.at)
		for i := range e.revisions {
			r := &e.revisions[i]
			proof := r.pack.proof(said.Condition)
			if proof == nil || !r.inForce(on) || !r.pack.covers(e.facts, stayAt(e.facts.Stays, ev.at)) {
				continue
			}
			asked := slices.ContainsFunc(d.Holds[first:], func(h Hold) bool { return sameSet(h.ClearedBy, proof.ClearedBy) })
			if asked {
				continue
			}
			next := h
			if len(d.Holds) > first {
				next.ID = holdID(h.ID + "-" + r.pack.ID)
			}
			d.Holds = append(d.Holds, e.held(next, ev, proof.ClearedBy))
		}
		if len(d.Holds) == first {
			d.Holds = append(d.Holds, e.held(h, ev, usualProof))
		}
	}
}

// held completes the hold of an entry and lifts it with the first proof there is.
func (e *engine) held(h Hold, ev *event, clearedBy []string) Hold {
	h.Unit, h.Entry, h.Opened, h.Blocks, h.ClearedBy = ev.unit, ev.id, ev.at, HandOut|Fill, clearedBy
	var first *event
	for _, a := range clearedBy {
		if p := e.later[a]; p != nil && (first == nil || compareEvents(p, first) < 0) {
			first = p
		}
	}
	if first != nil {
		h.Lifted, h.Proof = first.at, first.id
	}
	return h
}

func (e *engine) day(t time.Time) string { return dateAt(e.facts.Stays, t).String() }

// proof returns what the pack asks for after a condition, or nil if it says nothing about it.
func (p *Pack) proof(condition string) *Proof {
	var others *Proof
	for i := range p.Proofs {
		if len(p.Proofs[i].Conditions) == 0 {
			others = cmp.Or(others, &p.Proofs[i])
		} else if slices.Contains(p.Proofs[i].Conditions, condition) {
			return &p.Proofs[i]
		}
	}
	return others
}

// covers says whether one of the pack's rules is for the unit. What a pack says about conditions is said of those units.
func (p *Pack) covers(f *Facts, at *Stay) bool {
	return slices.ContainsFunc(p.Rules, func(r Rule) bool { return r.Scope.covers(f, at) })
}

// condemnation is the hold that nothing lifts.
func condemnation(ev *event) Hold {
	return Hold{
		ID: "condemned-" + ev.id.String(), Unit: ev.unit, Cause: CauseCondemned, Reason: "Condemned. This is final.",
		Blocks: HandOut | Fill, Opened: ev.at, Entry: ev.id,
	}
}

// contradiction is the hold of a meter that went back, on the unit and on what was fitted to it then. Only a correction of the entries takes it away: a replacement of the
// meter that was not recorded, or a reading that was wrong.
func contradiction(unit uuid.UUID, before *meter, ev *event, stays []Stay) Hold {
	m := ev.entry.Meter
	h := Hold{
		ID: "reading-" + ev.id.String(), Unit: unit, Cause: CauseMissingHistory, Blocks: HandOut | Fill, Opened: ev.at,
		Reason: fmt.Sprintf("The meter went back from %s (entry %s of %s) to %s (entry %s of %s) and no replacement was recorded.",
			m.text(before.value), before.entry, dateAt(stays, before.at), m.text(ev.entry.Amount.of(m)), ev.id, dateAt(stays, ev.at)),
	}
	if unit == ev.unit {
		h.Entry = ev.id
	}
	return h
}

// missing opens a hold for every rule that has nothing to count from, for as long as a revision that says so is in force.
func (e *engine) missing(d *Derived) {
	first := len(d.Holds)
	for i := range d.Clocks {
		c := &d.Clocks[i]
		if !c.AnchorDate.IsZero() {
			continue
		}
		h := Hold{
			Unit: d.Unit, Cause: CauseMissingHistory, Blocks: c.Rule.Blocks, Pack: c.Pack.ID, Rule: c.Rule.ID,
			Opened: c.InForceFrom.Start(d.Stay.zone()), Reason: missingReason(c), ClearedBy: c.Rule.clearedBy(),
		}
		if !c.InForceUntil.IsZero() {
			h.Lifted = c.InForceUntil.First().Start(d.Stay.zone())
		}
		if !d.Commissioned.IsZero() {
			if in := d.Commissioned.First().Start(d.Stay.zone()); in.After(h.Opened) {
				h.Opened = in
			}
		}
		if !c.PhaseIn.IsZero() {
			if after := (c.PhaseIn.First() + 1).Start(d.Stay.zone()); after.After(h.Opened) {
				h.Opened = after
			}
		}
		if !h.Lifted.IsZero() && !h.Opened.Before(h.Lifted) {
			continue
		}
		h.ID = holdID("missing-" + h.Pack + "-" + h.Rule)
		if last := lastOf(d.Holds[first:], h.Pack, h.Rule); last != nil {
			if last.Lifted.Equal(h.Opened) {
				// The next revision says the same: one hold, told as the later revision has it.
				last.Lifted, last.Reason, last.Blocks, last.ClearedBy = h.Lifted, h.Reason, last.Blocks|h.Blocks, h.ClearedBy
				continue
			}
			h.ID = holdID(fmt.Sprintf("missing-%s-%s-%s", h.Pack, h.Rule, c.InForceFrom))
		}
		d.Holds = append(d.Holds, h)
	}
}

func lastOf(holds []Hold, pack, rule string) *Hold {
	for i := len(holds) - 1; i >= 0; i-- {
		if holds[i].Pack == pack && holds[i].Rule == rule {
			return &holds[i]
		}
	}
	return nil
}

// clearedBy returns the activities that would give the rule something to count from.
func (r *Rule) clearedBy() []string {
	if r.EndOfLife || r.Activity == "" {
		return nil
	}
	if len(r.SatisfiedBy) == 0 {
		return []string{r.Activity}
	}
	return append([]string{r.Activity}, r.SatisfiedBy...)
}

func missingReason(c *Clock) string {
	if c.Rule.EndOfLife || c.Rule.Activity == "" {
		return fmt.Sprintf("Nothing says from when to count %q.", c.Rule.Title)
	}
	return fmt.Sprintf("No %s on record and nothing else to count %q from.", c.Rule.Activity, c.Rule.Title)
}

// holdID returns id, shortened to what a hold id may be: the end of a long one is replaced by a hash of the whole.
func holdID(id string) string {
	if len(id) <= maxHoldID {
		return id
	}
	h := fnv.New64a()
	h.Write([]byte(id))
	return fmt.Sprintf("%s-%016x", strings.TrimRight(id[:maxHoldID-17], "-"), h.Sum64())
}

func sortHolds(holds []Hold) {
	slices.SortFunc(holds, func(a, b Hold) int { return cmp.Or(a.Opened.Compare(b.Opened), strings.Compare(a.ID, b.ID)) })
}

func sameSet(a, b []string) bool {
	return !slices.ContainsFunc(a, func(s string) bool { return !slices.Contains(b, s) }) &&
		!slices.ContainsFunc(b, func(s string) bool { return !slices.Contains(a, s) })
}
