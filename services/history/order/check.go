package order

import (
	"fmt"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/procedure"
)

// MaxCount bounds the parts that one event moves.
const MaxCount = 100

// Check returns everything for which an event cannot belong to an order that is worked by a procedure, before it is kept: names that the procedure does not have,
// quantities that cannot be compared with their bounds, counts and lots that cannot be. A quantity beyond a bound is no fault of the event: it happened, and Ready
// says what it means. Fields are named within the event: `step.measured[0].quantity`.
func (e *Event) Check(p *procedure.Procedure) []errs.Violation {
	c := checker{p: p}
	if e.ID == uuid.Nil {
		c.bad("id", e.ID.String(), "want a UUID of the client's choosing, the same whenever the event is sent again")
	}
	if e.Occurred.IsZero() {
		c.bad("occurred_time", "", "want when it happened")
	}
	if e.By == "" {
		c.bad("technician", "", "want who did it")
	}
	if n := e.details(); n != 1 {
		c.bad("detail", fmt.Sprint(n), "want exactly one thing that happened")
		return c.found
	}
	switch {
	case e.Opened != nil:
		c.opened(e.Opened)
	case e.Waiting != nil && e.Waiting.For == "":
		c.bad("waiting.for", "", "want which parts it waits for")
	case e.Step != nil:
		c.stepDone(e.Step)
	case e.Checked != nil:
		c.step("checked.step", e.Checked.Step)
	case e.Moved != nil:
		c.moved(e.Moved)
	case e.Tested != nil:
		c.tested(e.Tested)
	case e.Found != nil:
		c.in("found.step", e.Found.Step)
		if e.Found.Finding == "" {
			c.bad("found.finding", "", "want what was found")
		}
	case e.Station != nil:
		c.station(e.Station)
	case e.Withdrawn != nil:
		if e.Withdrawn.Event == uuid.Nil || e.Withdrawn.Event == e.ID {
			c.bad("withdrawn.event", e.Withdrawn.Event.String(), "want the id of the event that never happened")
		}
		if e.Withdrawn.Reason == "" {
			c.bad("withdrawn.reason", "", "want why it is withdrawn")
		}
	case e.Signed != nil && (e.Signed.Outcome < Pass || e.Signed.Outcome > Condemned):
		c.bad("signed.outcome", fmt.Sprint(e.Signed.Outcome), "want pass, fail or condemned")
	}
	return c.found
}

// details counts what an event says that happened.
func (e *Event) details() (n int) {
	for _, is := range []bool{
		e.Opened != nil, e.TakenUp != nil, e.Waiting != nil, e.Resumed != nil, e.Step != nil, e.Checked != nil, e.Moved != nil,
		e.Tested != nil, e.Found != nil, e.Station != nil, e.Withdrawn != nil, e.Signed != nil, e.Closed != nil,
	} {
		if is {
			n++
		}
	}
	return n
}

// checker collects what is wrong with an event.
type checker struct {
	p     *procedure.Procedure
	found []errs.Violation
}

func (c *checker) bad(field, value, text string) {
	c.found = append(c.found, errs.Violation{Field: field, Value: value, Description: text})
}

// step returns a step; nil, and told, if the procedure has none of that id.
func (c *checker) step(field, id string) *procedure.Step {
	s := c.p.Step(id)
	if s == nil {
		c.bad(field, id, fmt.Sprintf("%s revision %d has no such step: state the id of one of its steps", c.p.ID, c.p.Revision))
	}
	return s
}

// in is step where it may be left out.
func (c *checker) in(field, id string) {
	if id != "" {
		c.step(field, id)
	}
}

func (c *checker) opened(o *Opened) {
	if o.Procedure != c.p.ID || o.Revision != c.p.Revision {
		c.bad("opened.procedure", fmt.Sprintf("%s revision %d", o.Procedure, o.Revision), fmt.Sprintf("want %s revision %d", c.p.ID, c.p.Revision))
	}
	if o.Purpose != c.p.Purpose {
		c.bad("opened.purpose", o.Purpose, "want the procedure's own purpose, "+c.p.Purpose)
	}
	if !c.p.Covers(o.Kind, o.Model) {
		c.bad("opened.unit", o.Kind, fmt.Sprintf("%s is not for a %s of this model: choose a procedure that is", c.p.ID, o.Kind))
	}
}

func (c *checker) stepDone(d *StepDone) {
	s := c.step("step.step", d.Step)
	if s == nil {
		return
	}
	for i, m := range d.Measured {
		at := fmt.Sprintf("step.measured[%d]", i)
		b := s.Bound(m.Bound)
		if b == nil {
			c.bad(at+".bound", m.Bound, "the step measures nothing of this id: state the id of one of its bounds")
			continue
		}
		if _, err := b.Judge(m.Quantity); err != nil {
			c.bad(at+".quantity", m.Quantity.String(), err.Error()+": state it as the bounds are")
		}
	}
}

func (c *checker) moved(m *Moved) {
	c.in("moved.step", m.Step)
	if c.p.Part(m.Part) == nil {
		c.bad("moved.part", m.Part, fmt.Sprintf("%s revision %d has no such part: state the id of one of its parts, or record a finding", c.p.ID, c.p.Revision))
	}
	if m.Move < Removed || m.Move > Refitted {
		c.bad("moved.move", fmt.Sprint(m.Move), "want what became of them: removed, absent, discarded, fitted or refitted")
	}
	if m.Count < 1 || m.Count > MaxCount {
		c.bad("moved.count", fmt.Sprint(m.Count), fmt.Sprintf("want 1 to %d of them", MaxCount))
	}
	switch {
	case m.Move == Fitted && m.Lot == "":
		c.bad("moved.lot", "", "want the lot that they are from")
	case m.Move != Fitted && m.Move != Removed && m.Lot != "":
		c.bad("moved.lot", m.Lot, "a lot is named where a part of it goes in or comes out: leave it out")
	}
}

func (c *checker) tested(t *Tested) {
	if s := c.step("tested.step", t.Step); s != nil && s.Test(t.Test) == nil {
		c.bad("tested.test", t.Test, "the step runs no such test: state the id of one of its tests")
	}
	if t.Verdict < bench.Pass || t.Verdict > bench.Fail {
		c.bad("tested.verdict", t.Verdict.String(), "want pass, fail or inconclusive")
	}
}

func (c *checker) station(w *StationWork) {
	if w.Provider == "" {
		c.bad("station.provider", "", "want who did it")
	}
	if w.Approval == "" {
		c.bad("station.approval", "", "want the number under which the station is approved, from its papers")
	}
	for _, a := range c.p.Activities {
		if a == w.Activity {
			return
		}
	}
	c.bad("station.activity", w.Activity, "the procedure performs no such activity: state one of its activities")
}
