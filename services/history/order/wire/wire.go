// Package wire reads the events of orders from their messages, and writes what orders come to.
package wire

import (
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench"
	benchwire "strandline.example/strandline/services/history/bench/wire"
	"strandline.example/strandline/services/history/order"
)

// Said is who says what happened, and when: what an entry tells beside an event.
type Said struct {
	ID       uuid.UUID
	Occurred time.Time
	By       string // id of the technician
	Note     string
	Unit     uuid.UUID
	Shop     string
}

// Event reads what happened to an order from its message, of which only the detail counts. It returns everything that is wrong with it; fields are named within the message.
func Event(org tenant.Org, s Said, p *historypb.OrderEvent) (order.Event, []errs.Violation) {
	r := &reader{org: org}
	e := order.Event{ID: s.ID, Occurred: s.Occurred, By: s.By, Note: s.Note}
	switch d := p.GetDetail().(type) {
	case *historypb.OrderEvent_Opened:
		o := d.Opened
		e.Opened = &order.Opened{
			Unit: s.Unit, Kind: o.GetKind(), Model: o.GetModel(), Procedure: o.GetProcedure(), Revision: int(o.GetRevision()), Purpose: o.GetPurpose(), Shop: s.Shop, Intake: o.GetIntake(),
		}
	case *historypb.OrderEvent_TakenUp:
		e.TakenUp = &order.TakenUp{}
	case *historypb.OrderEvent_Waiting:
		e.Waiting = &order.Waiting{For: d.Waiting.GetFor()}
	case *historypb.OrderEvent_Resumed:
		e.Resumed = &order.Resumed{}
	case *historypb.OrderEvent_StepDone:
		e.Step = &order.StepDone{Step: d.StepDone.GetStep(), Checked: r.child("step_done.checker", d.StepDone.GetChecker(), "technicians")}
		for i, m := range d.StepDone.GetMeasured() {
			q, err := benchwire.Quantity(m.GetQuantity())
			if err != nil {
				r.bad(fmt.Sprintf("step_done.measured[%d].quantity", i), text(m.GetQuantity()), err.Error())
				continue
			}
			e.Step.Measured = append(e.Step.Measured, order.Measured{Bound: m.GetBound(), Quantity: q})
		}
	case *historypb.OrderEvent_StepChecked:
		e.Checked = &order.StepChecked{Step: d.StepChecked.GetStep()}
	case *historypb.OrderEvent_PartMoved:
		m := d.PartMoved
		e.Moved = &order.Moved{Step: m.GetStep(), Part: m.GetPart(), Move: order.Move(m.GetMove()), Count: int(m.GetCount()), Lot: r.child("part_moved.lot", m.GetLot(), "lots")}
	case *historypb.OrderEvent_TestMade:
		t := d.TestMade
		e.Tested = &order.Tested{Step: t.GetStep(), Test: t.GetTest(), Verdict: verdict(t.GetJudgement().GetVerdict()), Why: Why(t.GetJudgement())}
	case *historypb.OrderEvent_Found:
		e.Found = &order.Found{Step: d.Found.GetStep(), Finding: d.Found.GetFinding()}
	case *historypb.OrderEvent_StationWork:
		w := d.StationWork
		e.Station = &order.StationWork{Activity: w.GetActivity(), Provider: w.GetProvider(), Approval: w.GetApproval(), Mark: r.mark("station_work.mark_date", w.GetMarkDate()), Passed: w.GetPassed()}
	case *historypb.OrderEvent_Withdrawn:
		id, err := uuid.Parse(d.Withdrawn.GetEvent())
		if err != nil {
			r.bad("withdrawn.event", d.Withdrawn.GetEvent(), "want the id of an event of this order, a UUID")
		}
		e.Withdrawn = &order.Withdrawn{Event: id, Reason: d.Withdrawn.GetReason()}
	case *historypb.OrderEvent_Signed:
		e.Signed = &order.Signed{Outcome: order.Outcome(d.Signed.GetOutcome())}
	case *historypb.OrderEvent_Closed:
		e.Closed = &order.Closed{Reason: d.Closed.GetReason()}
	}
	return e, r.found
}

// Why says in a sentence why a test came to what it did; empty if it passed.
func Why(j *historypb.Judgement) string {
	if j.GetVerdict() == historypb.Verdict_VERDICT_PASS {
		return ""
	}
	for _, r := range j.GetResults() {
		if r.GetVerdict() == j.GetVerdict() {
			return r.GetSentence()
		}
	}
	if len(j.GetReasons()) > 0 {
		return j.GetReasons()[0]
	}
	return ""
}

func verdict(v historypb.Verdict) bench.Verdict {
	switch v {
	case historypb.Verdict_VERDICT_PASS:
		return bench.Pass
	case historypb.Verdict_VERDICT_FAIL:
		return bench.Fail
	}
	return bench.Inconclusive
}

// reader collects what is wrong.
type reader struct {
	org   tenant.Org
	found []errs.Violation
}

func (r *reader) bad(field, value, text string) {
	r.found = append(r.found, errs.Violation{Field: field, Value: value, Description: text})
}

// child reads the id in the name of something of the org; empty for none.
func (r *reader) child(field, name, collection string) string {
	if name == "" {
		return ""
	}
	id, err := resname.Part(r.org, field, name, collection)
	if err != nil {
		r.bad(field, name, "want "+r.org.Name()+"/"+collection+"/{id}")
	}
	return id
}

// mark reads a date, or a month with day 0.
func (r *reader) mark(field string, d *date.Date) civil.Mark {
	if d == nil {
		return civil.Mark{}
	}
	m, err := civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
	if err != nil {
		r.bad(field, fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay()), err.Error())
	}
	return m
}

// text writes a quantity that may be none.
func text(q *historypb.Quantity) string {
	s := q.GetValue()
	if u := q.GetUnit(); u != "" {
		s += " " + u
	}
	return s
}

// Calibration returns what is wrong with what an instrument is said to be good for.
func Calibration(c *historypb.Calibration) []errs.Violation {
	r := &reader{}
	if m := r.mark("through_date", c.GetThroughDate()); m.IsZero() && len(r.found) == 0 {
		r.bad("through_date", "", "want the last day on which the calibration holds, or the month with day 0")
	}
	for _, q := range []struct {
		field string
		of    *historypb.Quantity
	}{{"full_scale", c.GetFullScale()}, {"uncertainty.quantity", c.GetUncertainty().GetQuantity()}} {
		if q.of == nil {
			continue
		}
		if _, err := benchwire.Quantity(q.of); err != nil {
			r.bad(q.field, text(q.of), err.Error())
		}
	}
	return r.found
}
