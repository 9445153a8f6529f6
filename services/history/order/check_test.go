package order

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/procedure"
)

// TestCheckTakesGoodWork: nothing is wrong with the events of an order that is worked as its procedure says.
func TestCheckTakesGoodWork(t *testing.T) {
	t.Parallel()
	ids, err := procedure.Shipped.IDs()
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range ids {
		p := shipped(t, id)
		j := worked(t, p, p.Kinds[0])
		for i := range j.events {
			if vs := j.events[i].Check(p); len(vs) > 0 {
				t.Errorf("%s: %s: %+v", id, j.events[i].content(), vs)
			}
		}
	}
}

// TestCheck: what cannot belong to an order is told with its field, and with what to do.
func TestCheck(t *testing.T) {
	t.Parallel()
	p := shipped(t, "second-stage-overhaul")
	opened := Opened{Kind: "second-stage", Procedure: p.ID, Revision: p.Revision, Purpose: p.Purpose}
	other := func(change func(o *Opened)) Detail {
		o := opened
		change(&o)
		return Detail{Opened: &o}
	}
	moved := func(change func(m *Moved)) Detail {
		m := Moved{Step: "seat-in", Part: "seat", Move: Fitted, Count: 1, Lot: "l"}
		change(&m)
		return Detail{Moved: &m}
	}
	for _, tt := range []struct {
		name string
		give Detail
		want string // field and words, of the only fault; empty for none
	}{
		{"nothing", Detail{}, "detail: want exactly one"},
		{"two things", Detail{TakenUp: &TakenUp{}, Resumed: &Resumed{}}, "detail: want exactly one"},
		{"opened", Detail{Opened: &opened}, ""},
		{"another revision", other(func(o *Opened) { o.Revision = 7 }), "opened.procedure: want second-stage-overhaul revision 1"},
		{"another purpose", other(func(o *Opened) { o.Purpose = "repair" }), "opened.purpose: want the procedure's own purpose, overhaul"},
		{"another kind", other(func(o *Opened) { o.Kind = "bcd" }), "opened.unit: second-stage-overhaul is not for a bcd"},
		{"waiting for nothing", Detail{Waiting: &Waiting{}}, "waiting.for: want which"},
		{"an unknown step", Detail{Step: &StepDone{Step: "polish"}}, "step.step: second-stage-overhaul revision 1 has no such step"},
		{"an unknown bound", Detail{Step: &StepDone{Step: "open-cover", Measured: []Measured{{"torque", quantity(t, "1 N·m")}}}}, "step.measured[0].bound: the step measures nothing of this id"},
		{"another dimension", Detail{Step: &StepDone{Step: "open-cover", Measured: []Measured{{"tab-travel", quantity(t, "1 turn")}}}}, "step.measured[0].quantity: "},
		{"beyond its bound", Detail{Step: &StepDone{Step: "open-cover", Measured: []Measured{{"tab-travel", quantity(t, "1.2 mm")}}}}, ""},
		{"an unknown step checked", Detail{Checked: &StepChecked{"polish"}}, "checked.step: "},
		{"an unknown part", moved(func(m *Moved) { m.Part = "spring" }), "moved.part: "},
		{"no move", moved(func(m *Moved) { m.Move = 0; m.Lot = "" }), "moved.move: want what became of them"},
		{"none", moved(func(m *Moved) { m.Count = 0 }), "moved.count: want 1 to 100"},
		{"less than none", moved(func(m *Moved) { m.Count = -1 }), "moved.count: want 1 to 100"},
		{"too many", moved(func(m *Moved) { m.Count = 101 }), "moved.count: want 1 to 100"},
		{"no lot", moved(func(m *Moved) { m.Lot = "" }), "moved.lot: want the lot"},
		{"a lot of what came out again", moved(func(m *Moved) { m.Move = Removed }), ""},
		{"a lot of what was thrown away", moved(func(m *Moved) { m.Move = Discarded }), "moved.lot: a lot is named where"},
		{"in an unknown step", moved(func(m *Moved) { m.Step = "polish" }), "moved.step: "},
		{"in no step", moved(func(m *Moved) { m.Step = "" }), ""},
		{"a test of another step", Detail{Tested: &Tested{Step: "close", Test: "tightness", Verdict: bench.Pass}}, "tested.test: the step runs no such test"},
		{"no verdict", Detail{Tested: &Tested{Step: "last-test", Test: "tightness"}}, "tested.verdict: want pass"},
		{"nothing found", Detail{Found: &Found{}}, "found.finding: want what was found"},
		{"nobody's work", Detail{Station: &StationWork{Activity: "overhaul", Approval: "A1"}}, "station.provider: want who"},
		{"a station without an approval", Detail{Station: &StationWork{Activity: "overhaul", Provider: "harbour"}}, "station.approval: want the number"},
		{"a station's other work", Detail{Station: &StationWork{Activity: "painting", Provider: "harbour", Approval: "A1"}}, "station.activity: "},
		{"withdrawing nothing", Detail{Withdrawn: &Withdrawn{Reason: "a mistake"}}, "withdrawn.event: "},
		{"withdrawing itself", Detail{Withdrawn: &Withdrawn{idOf(1), "a mistake"}}, "withdrawn.event: "},
		{"withdrawing for no reason", Detail{Withdrawn: &Withdrawn{Event: idOf(2)}}, "withdrawn.reason: want why"},
		{"signed for nothing", Detail{Signed: &Signed{}}, "signed.outcome: want pass, fail or condemned"},
		{"closed", Detail{Closed: &Closed{}}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			e := Event{ID: idOf(1), Occurred: morning, By: "ines", Detail: tt.give}
			got := ""
			for _, v := range e.Check(p) {
				got += fmt.Sprintf("%s: %s\n", v.Field, v.Description)
			}
			if !strings.HasPrefix(got, tt.want) || (got == "") != (tt.want == "") || strings.Count(got, "\n") > 1 {
				t.Errorf("told\n%swant\n%s", got, tt.want)
			}
		})
	}
	e := Event{ID: uuid.Nil, Occurred: time.Time{}, Detail: Detail{TakenUp: &TakenUp{}}}
	if vs := e.Check(p); len(vs) != 3 || vs[0].Field != "id" || vs[1].Field != "occurred_time" || vs[2].Field != "technician" {
		t.Errorf("of nobody, never and without an id: %+v", vs)
	}
}
