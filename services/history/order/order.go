// Package order decides what a service order has come to: a fold over what happened to it, and whether it can be signed.
//
// An order is the set of its events. The same set gives the same order, in whatever order its events arrived and however often each of them did: benches work
// offline and send later. Two events with one id that say different things are a conflict, which is told and blocks the signature.
//
// The package is pure: no clock, no I/O. Who may send which event, and when, is the service's to say.
package order

import (
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/history/bench"
)

// State is where an order stands.
type State uint8

// The states.
const (
	Unknown       State = iota // its opening has not arrived
	Open                       // opened; nobody has begun
	OnTheBench                 // being worked on
	AwaitingParts              // put aside until parts are there
	SignedOff                  // signed
	ClosedOff                  // closed, signed or not
)

// String returns the state in words.
func (s State) String() string {
	if int(s) < len(states) {
		return states[s]
	}
	return states[0]
}

var states = [...]string{"not opened yet", "opened", "on the bench", "awaiting parts", "signed", "closed"}

// Order is what the events of an order come to.
type Order struct {
	State    State
	Opening  *Opened // nil while its opening has not arrived
	OpenedAt time.Time
	OpenedBy string
	Worked   time.Time // the last of the work; zero if there is none

	WaitingFor string               // while it awaits parts
	Steps      map[string]Doing     // by step: the last time that it was done
	Parts      map[string]Tally     // by part
	Trials     map[TrialOf]Trial    // by step and test: the last time that it was made
	Stations   map[string]StationOf // by activity: the last that is told
	Findings   []Finding            // by when they were found

	Signature *Signature // nil unless signed
	Closing   *Closing   // nil unless closed

	Withdrawn []uuid.UUID // events that were withdrawn, sorted
	Conflicts []uuid.UUID // ids with which two events say different things, sorted
	Strays    []Stray     // events that change nothing, by when they happened
}

// Doing is how a step was done.
type Doing struct {
	At        time.Time
	By        string
	Checked   string // who checked it; empty for nobody
	Measured  []Measured
	Removed   map[string]int // parts taken out in the step, or absent, over all times that it was done
	Installed map[string]int // parts put in in it
	Times     int            // how often it was done; 0 if it was not, and only parts were moved in it
}

// Tally counts a part over the whole order.
type Tally struct {
	Removed, Absent, Discarded, Fitted, Refitted int
	Lots                                         map[string]FromLot // by lot
	Unnamed                                      int                // fitted and not said from which lot
}

// FromLot is what was fitted from a lot.
type FromLot struct {
	Last     time.Time // when last
	Fitted   int
	TakenOut int // of those, came out again
}

// TrialOf names a test in a step.
type TrialOf struct{ Step, Test string }

// Trial is how a test ended.
type Trial struct {
	At      time.Time
	By      string
	Verdict bench.Verdict
	Why     string
}

// StationOf is what a station did.
type StationOf struct {
	At time.Time // when it was told
	StationWork
}

// Finding is a finding, and when it was made.
type Finding struct {
	At time.Time
	By string
	Found
}

// Signature is who signed, when, and what for.
type Signature struct {
	Event   uuid.UUID
	At      time.Time
	By      string
	Outcome Outcome
}

// Closing is how an order ended.
type Closing struct {
	At     time.Time
	By     string
	Reason string
}

// Stray is an event that changes nothing, and why.
type Stray struct {
	Event    uuid.UUID
	Why      string
	Blocking bool // it may be work that somebody believes in: the order is not signed over it
}

// Fold returns the order that events make. It does not keep or change them.
func Fold(events []Event) Order {
	o := Order{Steps: map[string]Doing{}, Parts: map[string]Tally{}, Trials: map[TrialOf]Trial{}, Stations: map[string]StationOf{}}
	sorted := o.distinct(events)
	opening, ending := bounds(sorted)
	gone := withdrawn(sorted, ending)
	for i, e := range sorted {
		switch {
		case opening < 0:
			o.stray(e, "its order has not been opened yet", true)
		case i < opening:
			o.stray(e, "it happened before its order was opened: correct its instant", true)
		case gone[e.ID] && withdrawable(e):
			o.Withdrawn = append(o.Withdrawn, e.ID)
		case o.State == ClosedOff:
			o.stray(e, "its order was closed before it", false)
		case o.State == SignedOff && e.Closed == nil:
			o.stray(e, "its order was signed before it", false)
		default:
			o.apply(e)
		}
	}
	slices.SortFunc(o.Withdrawn, byID)
	return o
}

func byID(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) }

// distinct returns the events, each once, in the order in which they happened. Of several that say different things under one id the first is
// taken.
func (o *Order) distinct(events []Event) (out []*Event) {
	out = make([]*Event, len(events))
	for i := range events {
		out[i] = &events[i]
	}
	slices.SortFunc(out, compare)
	seen := make(map[uuid.UUID]*Event, len(out))
	conflicts := map[uuid.UUID]bool{}
	out = slices.DeleteFunc(out, func(e *Event) bool {
		first, again := seen[e.ID]
		if !again {
			seen[e.ID] = e
		} else if first.content() != e.content() {
			conflicts[e.ID] = true
		}
		return again
	})
	o.Conflicts = slices.SortedFunc(maps.Keys(conflicts), byID)
	return out
}

// bounds returns where the order is opened, -1 for nowhere, and where its work ends: at the signature or the closing after it.
func bounds(sorted []*Event) (opening, ending int) {
	opening = slices.IndexFunc(sorted, func(e *Event) bool { return e.Opened != nil })
	ending = len(sorted)
	for i, e := range sorted {
		if opening >= 0 && i > opening && (e.Signed != nil || e.Closed != nil) {
			return opening, i
		}
	}
	return opening, ending
}

// withdrawn returns the ids that were withdrawn while the order was worked on.
func withdrawn(sorted []*Event, ending int) map[uuid.UUID]bool {
	gone := map[uuid.UUID]bool{}
	for _, e := range sorted[:ending] {
		if e.Withdrawn != nil {
			gone[e.Withdrawn.Event] = true
		}
	}
	return gone
}

// withdrawable says whether an event can be withdrawn. A test cannot: one that failed is not made undone, it is made again.
func withdrawable(e *Event) bool {
	return e.Tested == nil && e.Opened == nil && e.Withdrawn == nil && e.Signed == nil && e.Closed == nil
}

func (o *Order) stray(e *Event, why string, blocking bool) {
	o.Strays = append(o.Strays, Stray{e.ID, why, blocking})
}

// apply adds an event to an order that is open.
func (o *Order) apply(e *Event) {
	work := true
	switch {
	case e.Opened != nil:
		if o.Opening != nil {
			o.stray(e, "its order is open already", true)
			return
		}
		opened := *e.Opened
		o.State, o.Opening, o.OpenedAt, o.OpenedBy = Open, &opened, e.Occurred, e.By
		return
	case e.Signed != nil:
		o.State, o.Signature, o.WaitingFor = SignedOff, &Signature{e.ID, e.Occurred, e.By, e.Signed.Outcome}, ""
		return
	case e.Closed != nil:
		o.State, o.Closing, o.WaitingFor = ClosedOff, &Closing{e.Occurred, e.By, e.Closed.Reason}, ""
		return
	case e.Withdrawn != nil:
		return
	case e.Waiting != nil:
		o.State, o.WaitingFor = AwaitingParts, e.Waiting.For
		return
	case e.Found != nil:
		o.Findings = append(o.Findings, Finding{e.Occurred, e.By, *e.Found})
		work = false
	case e.Station != nil:
		o.Stations[e.Station.Activity] = StationOf{e.Occurred, *e.Station}
		work = false
	case e.TakenUp != nil, e.Resumed != nil:
	case e.Step != nil:
		d := o.Steps[e.Step.Step]
		d.At, d.By, d.Checked, d.Measured = e.Occurred, e.By, e.Step.Checked, slices.Clone(e.Step.Measured)
		d.Times++
		o.Steps[e.Step.Step] = d
	case e.Checked != nil:
		d := o.Steps[e.Checked.Step]
		if d.Times == 0 {
			o.stray(e, "the step that it checks was not done before it", true)
			return
		}
		if d.Checked == "" || d.Checked == d.By { // whoever did it does not take away what another checked
			d.Checked = e.By
			o.Steps[e.Checked.Step] = d
		}
	case e.Moved != nil:
		o.move(e)
	case e.Tested != nil:
		o.Trials[TrialOf{e.Tested.Step, e.Tested.Test}] = Trial{e.Occurred, e.By, e.Tested.Verdict, e.Tested.Why}
	default:
		o.stray(e, "it says nothing", true)
		return
	}
	o.Worked = e.Occurred
	if work {
		o.State, o.WaitingFor = OnTheBench, ""
	}
}

// move counts parts.
func (o *Order) move(e *Event) {
	m := e.Moved
	t := o.Parts[m.Part]
	d := o.Steps[m.Step]
	add := func(counts *map[string]int) {
		if *counts == nil {
			*counts = map[string]int{}
		}
		(*counts)[m.Part] += m.Count
	}
	switch m.Move {
	case Removed:
		t.Removed += m.Count
		add(&d.Removed)
		if m.Lot != "" {
			t.lot(m.Lot, func(l *FromLot) { l.TakenOut += m.Count })
		}
	case Absent:
		t.Absent += m.Count
		add(&d.Removed)
	case Discarded:
		t.Discarded += m.Count
	case Refitted:
		t.Refitted += m.Count
		add(&d.Installed)
	case Fitted:
		t.Fitted += m.Count
		add(&d.Installed)
		if m.Lot == "" {
			t.Unnamed += m.Count
		} else {
			t.lot(m.Lot, func(l *FromLot) { l.Fitted, l.Last = l.Fitted+m.Count, e.Occurred })
		}
	}
	o.Parts[m.Part] = t
	if m.Step != "" && (d.Removed != nil || d.Installed != nil) {
		o.Steps[m.Step] = d
	}
}

// lot changes what is told of a lot.
func (t *Tally) lot(id string, change func(*FromLot)) {
	if t.Lots == nil {
		t.Lots = map[string]FromLot{}
	}
	l := t.Lots[id]
	change(&l)
	t.Lots[id] = l
}
