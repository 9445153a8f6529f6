package historyrpc_test

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// said writes entries in a word each.
func said(es []*historypb.Entry) (out []string) {
	for _, e := range es {
		switch d := e.GetDetail().(type) {
		case *historypb.Entry_Test:
			out = append(out, fmt.Sprintf("test %s %s", d.Test.GetActivity(), d.Test.GetOutcome()))
		case *historypb.Entry_Service:
			out = append(out, fmt.Sprintf("service %s %s", d.Service.GetActivities(), d.Service.GetOutcome()))
		case *historypb.Entry_Condition:
			out = append(out, fmt.Sprintf("condition %s cleared by %s", d.Condition.GetCondition(), d.Condition.GetClearedBy()))
		}
	}
	return out
}

// An overhaul from intake to signature, with a test that fails first.
func TestOrderFromIntakeToSignature(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	unit := w.unit("second-stage")
	opened := w.open(unit, "second-stage-overhaul", start)
	order := opened.GetOrder().GetName()
	j := &job{w: w, at: start}
	j.test("as-found", "cracking-effort", false)
	out := w.record(order, j.events...)
	if v := out.GetOrder().GetEvents()[0].GetTestMade().GetJudgement().GetVerdict(); v != historypb.Verdict_VERDICT_FAIL {
		t.Fatalf("verdict %v", v)
	}
	t.Log(said(w.entries(unit)))
	w.clock.Advance(time.Hour)
	j = &job{w: w, at: start.Add(time.Minute)}
	j.whole(opened.GetProcedure(), "second-stage")
	w.record(order, j.events...)
	for _, p := range w.get(order).GetProblems() {
		t.Log(p)
	}
	req := w.signing(order, start.Add(10*time.Minute))
	_, err := w.orders.SignOrder(t.Context(), req)
	wantError(t, err, codes.FailedPrecondition, "ORDER_NOT_READY")
	t.Log(err)
	t.Log(said(w.entries(unit)))
}
