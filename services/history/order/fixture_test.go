package order

import (
	"encoding/binary"
	"math/big"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/measure"
	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/procedure"
)

// shipped returns a shipped procedure in its last revision.
func shipped(t testing.TB, id string) *procedure.Procedure {
	t.Helper()
	docs, _, err := procedure.Shipped.Procedure(id)
	if err != nil {
		t.Fatal(err)
	}
	return &docs[len(docs)-1].Procedure
}

// morning is when the orders of the tests are opened, each step a minute later.
var morning = time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)

// job writes the events of an order.
type job struct {
	t      testing.TB
	p      *procedure.Procedure
	events []Event
	at     time.Time
}

// event adds an event a second after the one before.
func (j *job) event(by string, d Detail) *Event {
	var id uuid.UUID
	binary.BigEndian.PutUint64(id[8:], uint64(len(j.events)+1))
	j.at = j.at.Add(time.Second)
	j.events = append(j.events, Event{ID: id, Occurred: j.at, By: by, Detail: d})
	return &j.events[len(j.events)-1]
}

// begin opens an order of a procedure for a unit of a kind.
func begin(t testing.TB, p *procedure.Procedure, kind string) *job {
	j := &job{t: t, p: p, at: morning}
	j.event("ines", Detail{Opened: &Opened{Kind: kind, Model: strings.Join(p.Models, ""), Procedure: p.ID, Revision: p.Revision, Purpose: p.Purpose, Shop: "cove", Intake: "salt, no damage"}})
	j.event("ines", Detail{TakenUp: &TakenUp{}})
	return j
}

// worked is an order of a procedure that was worked as it should be: every step, whether it is always done or not.
func worked(t testing.TB, p *procedure.Procedure, kind string) *job {
	j := begin(t, p, kind)
	for i := range p.Steps {
		if p.Steps[i].For(kind) {
			j.step(&p.Steps[i])
		}
	}
	for _, s := range p.Stations {
		j.event("ines", Detail{Station: &StationWork{Activity: s.Activity, Provider: "test station at the harbour", Approval: "X123", Mark: civil.Month(2026, 3), Passed: true}})
	}
	return j
}

// step does a step with everything that belongs to it.
func (j *job) step(s *procedure.Step) {
	for _, c := range s.Removes {
		j.move(s.ID, c.Part, Removed, c.Count)
		if j.p.Part(c.Part).Policy == procedure.Replace {
			j.move("", c.Part, Discarded, c.Count)
		}
	}
	for _, c := range s.Fits {
		if j.p.Part(c.Part).Policy == procedure.Replace {
			j.move(s.ID, c.Part, Fitted, c.Count)
		} else {
			j.move(s.ID, c.Part, Refitted, c.Count)
		}
	}
	for _, st := range s.Tests {
		j.event("ines", Detail{Tested: &Tested{Step: s.ID, Test: st.Test, Verdict: bench.Pass, Why: "within its limits"}})
	}
	done := &StepDone{Step: s.ID}
	for _, b := range s.Bounds {
		q := b.Most
		if q == nil {
			q = b.Least
		}
		done.Measured = append(done.Measured, Measured{b.ID, *q}) // at the bound, which is within it
	}
	if s.SecondPerson {
		done.Checked = "bo"
	}
	j.event("ines", Detail{Step: done})
}

func (j *job) move(step, part string, m Move, n int) *Event {
	lot := ""
	if m == Fitted {
		lot = "lot-" + part
	}
	return j.event("ines", Detail{Moved: &Moved{Step: step, Part: part, Move: m, Count: n, Lot: lot}})
}

// find returns the first event that fits.
func (j *job) find(fits func(e *Event) bool) *Event {
	j.t.Helper()
	i := slices.IndexFunc(j.events, func(e Event) bool { return fits(&e) })
	if i < 0 {
		j.t.Fatal("there is no such event")
	}
	return &j.events[i]
}

// stepDone returns the event of a step.
func (j *job) stepDone(id string) *StepDone {
	j.t.Helper()
	return j.find(func(e *Event) bool { return e.Step != nil && e.Step.Step == id }).Step
}

// moved returns the event of a part.
func (j *job) moved(part string, m Move) *Moved {
	j.t.Helper()
	return j.find(func(e *Event) bool { return e.Moved != nil && e.Moved.Part == part && e.Moved.Move == m }).Moved
}

// drop leaves out the events that fit.
func (j *job) drop(fits func(e *Event) bool) {
	j.t.Helper()
	n := len(j.events)
	j.events = slices.DeleteFunc(j.events, func(e Event) bool { return fits(&e) })
	if len(j.events) == n {
		j.t.Fatal("nothing was left out")
	}
}

// facts is a world in which the job can be signed for a minute after its last event.
func (j *job) facts() Facts {
	f := Facts{
		Signer: "ines", At: j.at.Add(time.Minute), Zone: time.UTC, Jurisdiction: "PT", Outcome: Pass, Lots: map[string]Lot{},
		Qualifications: []Qualification{{Activity: j.p.Qualification, From: civil.Day(civil.New(2025, 3, 10)), Through: civil.Day(civil.New(2026, 3, 9))}},
	}
	for _, p := range j.p.Parts {
		f.Lots["lot-"+p.ID] = Lot{Part: p.ID, Expires: civil.Month(2026, 3)}
	}
	return f
}

// ready folds and asks.
func (j *job) ready(f Facts) []Problem {
	o := Fold(j.events)
	return Ready(&o, j.p, f)
}

// measureOf returns another number in the unit and reference of a quantity.
func measureOf(number *big.Rat, like measure.Quantity) (measure.Quantity, error) {
	return measure.Of(number, like.Unit(), like.Reference())
}

func quantity(t interface {
	Helper()
	Fatal(args ...any)
}, text string) measure.Quantity {
	t.Helper()
	q, err := measure.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return q
}
