package order

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/measure"
	"strandline.example/strandline/services/history/bench"
)

// Event is one thing that happened to an order. Its id is the client's: a repeat is the same event.
type Event struct {
	ID       uuid.UUID
	Occurred time.Time // to the microsecond
	By       string    // id of the technician who did it
	Note     string
	Detail
}

// Detail is what happened: exactly one of the pointers is set.
type Detail struct {
	Opened    *Opened
	TakenUp   *TakenUp
	Waiting   *Waiting
	Resumed   *Resumed
	Step      *StepDone
	Checked   *StepChecked
	Moved     *Moved
	Tested    *Tested
	Found     *Found
	Station   *StationWork
	Withdrawn *Withdrawn
	Signed    *Signed
	Closed    *Closed
}

// Opened begins the order. Every order has one.
type Opened struct {
	Unit      uuid.UUID
	Kind      string // of the unit
	Model     string // id of its model
	Procedure string
	Revision  int // of the procedure, by which all of the order is worked
	Purpose   string
	Shop      string
	Intake    string // how the unit came in
}

// TakenUp puts the unit on the bench.
type TakenUp struct{}

// Waiting puts the unit aside until parts are there.
type Waiting struct{ For string }

// Resumed takes it up again.
type Resumed struct{}

// StepDone says that a step was done. Done again, the last time counts.
type StepDone struct {
	Step     string
	Checked  string // id of the technician who checked it, where that was at once
	Measured []Measured
}

// Measured is a quantity that a step asks for.
type Measured struct {
	Bound    string
	Quantity measure.Quantity
}

// StepChecked says that somebody else, the event's By, checked a step that was done before.
type StepChecked struct{ Step string }

// Move is what became of parts.
type Move uint8

// The moves.
const (
	Removed   Move = iota + 1 // taken out
	Absent                    // should have been there to take out, and was not
	Discarded                 // thrown away
	Fitted                    // new ones, from a lot, put in
	Refitted                  // the same ones put back in
)

// String returns the move in a word.
func (m Move) String() string {
	if int(m) < len(moves) {
		return moves[m]
	}
	return moves[0]
}

var moves = [...]string{"not stated", "removed", "absent", "discarded", "fitted", "refitted"}

// Moved says what became of parts.
type Moved struct {
	Step  string // in which; empty if in none
	Part  string
	Move  Move
	Count int
	Lot   string // id of the lot they are from: with Fitted; and with Removed, where they were fitted in this order and come out again
}

// Tested says that a test was made in a step. What was read stands in the ledger; here is what it came to. Made again, the last time counts.
type Tested struct {
	Step, Test string
	Verdict    bench.Verdict
	Why        string // one sentence for people
}

// Found is a finding: something about the unit that whoever signs, and the next who works on it, should know.
type Found struct {
	Step    string // in which; empty if in none
	Finding string
}

// StationWork says what an approved station did, after its papers. It is recorded as the station's.
type StationWork struct {
	Activity string
	Provider string     // who
	Approval string     // number under which it is approved
	Mark     civil.Mark // date marked on the unit
	Passed   bool
}

// Withdrawn says that an event of the order never happened. Both stay visible. An opening, a test, a signature, a closing and a withdrawal are not withdrawn.
type Withdrawn struct {
	Event  uuid.UUID
	Reason string
}

// Outcome is what a signature says of the unit.
type Outcome uint8

// The outcomes.
const (
	Pass      Outcome = iota + 1 // the work is done and the unit may go back into use
	Fail                         // it may not
	Condemned                    // it never will
)

// Signed ends the work. By signs.
type Signed struct{ Outcome Outcome }

// Closed ends the order: after its signature, or without one for a reason.
type Closed struct{ Reason string }

// rank says which of events of one instant comes first.
func (e *Event) rank() int {
	switch {
	case e.Opened != nil:
		return 0
	case e.Checked != nil:
		return 2
	case e.Signed != nil:
		return 3
	case e.Closed != nil:
		return 4
	}
	return 1
}

// compare orders events by when they happened, and events of one instant in an order of their own.
func compare(a, b *Event) int {
	if c := cmp.Or(a.Occurred.Compare(b.Occurred), cmp.Compare(a.rank(), b.rank()), slices.Compare(a.ID[:], b.ID[:])); c != 0 || a == b {
		return c
	}
	return cmp.Compare(a.content(), b.content())
}

// content writes all of an event but its id, so that two are the same if and only if they say the same.
func (e *Event) content() string {
	s := fmt.Sprintf("%d %q %q", e.Occurred.UnixMicro(), e.By, e.Note)
	switch {
	case e.Opened != nil:
		return s + fmt.Sprintf(" opened %+q", []string{e.Opened.Unit.String(), e.Opened.Kind, e.Opened.Model, e.Opened.Procedure, fmt.Sprint(e.Opened.Revision), e.Opened.Purpose, e.Opened.Shop, e.Opened.Intake})
	case e.TakenUp != nil:
		return s + " taken up"
	case e.Waiting != nil:
		return s + fmt.Sprintf(" waiting %q", e.Waiting.For)
	case e.Resumed != nil:
		return s + " resumed"
	case e.Step != nil:
		s += fmt.Sprintf(" step %q %q", e.Step.Step, e.Step.Checked)
		for _, m := range e.Step.Measured {
			s += fmt.Sprintf(" %q %q", m.Bound, m.Quantity.String())
		}
		return s
	case e.Checked != nil:
		return s + fmt.Sprintf(" checked %q", e.Checked.Step)
	case e.Moved != nil:
		return s + fmt.Sprintf(" moved %q %q %d %d %q", e.Moved.Step, e.Moved.Part, e.Moved.Move, e.Moved.Count, e.Moved.Lot)
	case e.Tested != nil:
		return s + fmt.Sprintf(" tested %q %q %d %q", e.Tested.Step, e.Tested.Test, e.Tested.Verdict, e.Tested.Why)
	case e.Found != nil:
		return s + fmt.Sprintf(" found %q %q", e.Found.Step, e.Found.Finding)
	case e.Station != nil:
		return s + fmt.Sprintf(" station %q %q %q %q %t", e.Station.Activity, e.Station.Provider, e.Station.Approval, e.Station.Mark.String(), e.Station.Passed)
	case e.Withdrawn != nil:
		return s + fmt.Sprintf(" withdrawn %s %q", e.Withdrawn.Event, e.Withdrawn.Reason)
	case e.Signed != nil:
		return s + fmt.Sprintf(" signed %d", e.Signed.Outcome)
	case e.Closed != nil:
		return s + fmt.Sprintf(" closed %q", e.Closed.Reason)
	}
	return s
}
