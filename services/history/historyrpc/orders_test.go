package historyrpc_test

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// said writes the entries that are no order's events in a few words each, by sequence.
func said(es []*historypb.Entry) (out []string) {
	for _, e := range es {
		switch d := e.GetDetail().(type) {
		case *historypb.Entry_Test:
			out = append(out, fmt.Sprintf("test %s %s %s", d.Test.GetActivity(), short(d.Test.GetOutcome()), d.Test.GetProvider()))
		case *historypb.Entry_Service:
			out = append(out, fmt.Sprintf("service %s %s", strings.Join(d.Service.GetActivities(), " "), short(d.Service.GetOutcome())))
		case *historypb.Entry_Condition:
			out = append(out, fmt.Sprintf("condition %s cleared by %s", d.Condition.GetCondition(), strings.Join(d.Condition.GetClearedBy(), " ")))
		}
	}
	for i := range out {
		out[i] = strings.TrimSpace(out[i])
	}
	return out
}

func short(o historypb.Outcome) string {
	return strings.ToLower(strings.TrimPrefix(o.String(), "OUTCOME_"))
}

func wantSaid(t *testing.T, es []*historypb.Entry, want ...string) {
	t.Helper()
	if got := said(es); !slices.Equal(got, want) {
		t.Fatalf("entries:\n got %q\nwant %q", got, want)
	}
}

// keptBy returns what keeps an order from being signed: reasons and what they are about.
func keptBy(t *testing.T, err error) (out []string) {
	t.Helper()
	st := wantError(t, err, codes.FailedPrecondition, "ORDER_NOT_READY")
	for _, d := range st.Details() {
		if f, ok := d.(*errdetails.PreconditionFailure); ok {
			for _, v := range f.GetViolations() {
				out = append(out, v.GetType()+" "+v.GetSubject())
			}
		}
	}
	return out
}

var shelf = &datepb.Date{Year: 2027, Month: 6}

// An overhaul from intake to signature, with a test that fails at first.
func TestOrderFromIntakeToSignature(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	unit := w.unit("second-stage")
	opened := w.open(unit, "second-stage-overhaul", start)
	order := opened.GetOrder().GetName()
	w.stock(opened.GetProcedure(), shelf)
	w.clock.Advance(time.Hour)

	j := &job{w: w, at: start}
	j.test("as-found", "cracking-effort", false)
	out := w.record(order, j.events...)
	made := out.GetOrder().GetEvents()[0].GetTestMade()
	if v := made.GetJudgement().GetVerdict(); v != historypb.Verdict_VERDICT_FAIL {
		t.Fatalf("verdict %v", v)
	}
	// NIST SP 811, appendix B.8: conventional inch of water 249.0889 Pa; psi 6894.757 Pa.
	for i, want := range []string{"523.08", "930792"} {
		if got := made.GetSi()[i].GetQuantities()[0]; !strings.HasPrefix(got.GetValue(), want) || got.GetUnit() != "Pa" {
			t.Errorf("reading %d in the SI is %v, want %s… Pa", i, got, want)
		}
	}
	wantSaid(t, w.entries(unit), "test function-test fail")
	_, err := w.orders.SignOrder(t.Context(), w.signing(order, start.Add(time.Minute)))
	if kept := keptBy(t, err); !slices.Contains(kept, "CRITICAL_STEP_OPEN steps/identify") {
		t.Fatalf("kept by %q", kept)
	}

	work := &job{w: w, at: start.Add(time.Minute)}
	work.whole(opened.GetProcedure(), "second-stage")
	w.record(order, work.events...)
	// The as-found test is made once more by whole, and passes; all tests of the activity pass from then on.
	wantSaid(t, w.entries(unit), "test function-test fail", "test function-test pass", "test function-test pass", "test leak-test pass")
	if ps := w.get(order).GetProblems(); len(ps) > 0 {
		t.Fatalf("problems: %v", ps)
	}
	req := w.signing(order, start.Add(10*time.Minute))
	signed, err := w.orders.SignOrder(t.Context(), req)
	if err != nil {
		t.Fatal(err)
	}
	if s := signed.GetOrder(); s.GetState() != historypb.OrderState_ORDER_STATE_SIGNED || s.GetSigner() != w.ines {
		t.Fatalf("signed: %v", s)
	}
	wantSaid(t, w.entries(unit), "test function-test fail", "test function-test pass", "test function-test pass", "test leak-test pass", "service function-test inspection leak-test overhaul pass")
	before := w.count()

	// Everything once more: the same answers, and nothing written.
	again, err := w.orders.SignOrder(t.Context(), req)
	if err != nil || !proto.Equal(again.GetReceipt(), signed.GetReceipt()) {
		t.Fatalf("signed again: %v, %v", again, err)
	}
	if d := cmp.Diff(out.GetReceipts(), w.record(order, j.events...).GetReceipts(), protocmp.Transform()); d != "" {
		t.Errorf("recorded again (-first +second)\n%s", d)
	}
	if n := w.count(); n != before {
		t.Fatalf("%d entries became %d", before, n)
	}

	// Work on a signed order is refused; a test that failed before the signature and arrives only now holds the unit.
	late := &job{w: w, at: start.Add(9 * time.Minute)}
	late.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Found{Found: &historypb.Found{Finding: "a crack"}}})
	_, err = w.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: order, Events: late.events})
	wantError(t, err, codes.FailedPrecondition, "ORDER_NOT_OPEN")
	late.events = nil
	late.test("as-found", "cracking-effort", false)
	w.record(order, late.events...)
	if got := said(w.entries(unit)); !slices.Equal(got[len(got)-2:], []string{"test function-test fail", "condition test-not-passed cleared by function-test"}) {
		t.Fatalf("after a late test that failed: %q", got)
	}
	last := w.entries(unit)[len(w.entries(unit))-1]
	if !last.GetOccurredTime().AsTime().Equal(start.Add(10 * time.Minute)) {
		t.Errorf("the condition is of %v, not of the signature: what was signed would lift it", last.GetOccurredTime().AsTime())
	}

	closed, err := w.orders.CloseOrder(t.Context(), &historypb.CloseOrderRequest{Name: order, EventId: uuid.NewString(), OccurredTime: timestamppb.New(start.Add(20 * time.Minute)), Technician: w.bo})
	if err != nil || closed.GetOrder().GetState() != historypb.OrderState_ORDER_STATE_CLOSED {
		t.Fatalf("%v, %v", closed, err)
	}
	if _, err := w.as(w.server, orgA, "auditor").VerifyLedger(t.Context(), &historypb.VerifyLedgerRequest{Name: "orgs/" + orgA}); err != nil {
		t.Fatal(err)
	}
	uses, err := w.lots.ListPartUses(t.Context(), &historypb.ListPartUsesRequest{Parent: unit})
	if err != nil || len(uses.GetUses()) != 5 {
		t.Fatalf("parts in the unit: %v, %v", uses, err)
	}
}

// Facts of the trade (common practice, no source): a cover's tab travels 1 mm at the most, an orifice is free after seven turns at the least, and every seal that is taken out is
// accounted for.
func TestOrderThatCannotBeSigned(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	done := func(j *job, step string) *historypb.StepDone {
		for _, e := range j.events {
			if s := e.GetStepDone(); s.GetStep() == step {
				return s
			}
		}
		t.Fatalf("no step %s", step)
		return nil
	}
	drop := func(j *job, is func(*historypb.OrderEvent) bool) {
		n := len(j.events)
		if j.events = slices.DeleteFunc(j.events, is); len(j.events) == n {
			t.Fatal("nothing was dropped")
		}
	}
	stocked := false
	for name, c := range map[string]struct {
		change func(j *job)
		sign   func(r *historypb.SignOrderRequest)
		want   []string
	}{
		"nothing": {},
		"tab travels 1.2 mm": {
			change: func(j *job) { done(j, "open-cover").Measured[0].Quantity = quantity(t, "1.2 mm") },
			want:   []string{"OUT_OF_BOUNDS steps/open-cover/bounds/tab-travel"},
		},
		"orifice six turns out": {
			change: func(j *job) { done(j, "orifice-out").Measured[0].Quantity = quantity(t, "6 turns") },
			want:   []string{"OUT_OF_BOUNDS steps/orifice-out/bounds/orifice-turns"},
		},
		"a seal not discarded": {
			change: func(j *job) {
				drop(j, func(e *historypb.OrderEvent) bool {
					return e.GetPartMoved().GetPart() == "seat" && e.GetPartMoved().GetMove() == historypb.PartMove_PART_MOVE_DISCARDED
				})
			},
			want: []string{"PARTS_DO_NOT_ADD_UP parts/seat"},
		},
		"a critical step open": {
			change: func(j *job) {
				drop(j, func(e *historypb.OrderEvent) bool { return e.GetStepDone().GetStep() == "clean" })
			},
			want: []string{"CRITICAL_STEP_OPEN steps/clean"},
		},
		"nobody else looked": {
			change: func(j *job) { done(j, "look-at-orifice").Checker = "" },
			want:   []string{"SECOND_PERSON_MISSING steps/look-at-orifice"},
		},
		"looked twice oneself": {
			change: func(j *job) { done(j, "look-at-orifice").Checker = w.ines },
			want:   []string{"SECOND_PERSON_SAME steps/look-at-orifice"},
		},
		"not qualified": {
			sign: func(r *historypb.SignOrderRequest) { r.Technician = w.bo },
			want: []string{"QUALIFICATION_MISSING order"},
		},
		"nothing speaks against it": {
			sign: func(r *historypb.SignOrderRequest) {
				r.Outcome = historypb.SignatureOutcome_SIGNATURE_OUTCOME_CONDEMNED
			},
			want: []string{"NOTHING_SPEAKS_AGAINST_IT order"},
		},
	} {
		unit := w.unit("second-stage")
		opened := w.open(unit, "second-stage-overhaul", start)
		if !stocked {
			w.stock(opened.GetProcedure(), shelf)
			w.clock.Advance(time.Hour)
			stocked = true
		}
		j := &job{w: w, at: start}
		j.whole(opened.GetProcedure(), "second-stage")
		if c.change != nil {
			c.change(j)
		}
		req := w.signing(opened.GetOrder().GetName(), start.Add(30*time.Minute))
		if c.sign != nil {
			c.sign(req)
		}
		req.Events = j.events // worked without a connection, and sent with the signature
		_, err := w.orders.SignOrder(t.Context(), req)
		if c.want == nil {
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if got := keptBy(t, err); !slices.Equal(got, c.want) {
			t.Errorf("%s: kept by %q, want %q", name, got, c.want)
		}
		if got := w.entries(unit); len(got) != 1 {
			t.Errorf("%s: a refused signature wrote %d entries", name, len(got)-1)
		}
	}
}

// A lot past its shelf life on the day, and a qualification that lapsed the day before.
func TestSignedOnTheDay(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	opened := w.open(w.unit("second-stage"), "second-stage-overhaul", start)
	w.stock(opened.GetProcedure(), &datepb.Date{Year: 2026, Month: 2})
	w.registry.change(func() {
		for _, q := range w.registry.people[w.ines].Qualifications {
			q.ValidThroughDate = &datepb.Date{Year: 2026, Month: 2, Day: 28}
		}
	})
	w.clock.Advance(time.Hour)
	j := &job{w: w, at: start}
	j.whole(opened.GetProcedure(), "second-stage")
	req := w.signing(opened.GetOrder().GetName(), start.Add(30*time.Minute))
	req.Events = j.events
	_, err := w.orders.SignOrder(t.Context(), req)
	want := []string{"QUALIFICATION_LAPSED order", "LOT_EXPIRED parts/adjuster-seal", "LOT_EXPIRED parts/inlet-seal", "LOT_EXPIRED parts/mouthpiece-tie", "LOT_EXPIRED parts/orifice-seal", "LOT_EXPIRED parts/seat"}
	if got := keptBy(t, err); !slices.Equal(got, want) {
		t.Errorf("kept by %q", got)
	}
}

// What an approved station did is the station's, never the shop's (49 CFR 180.205(b)).
func TestStationsWorkIsTheirs(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.clock.Advance(time.Hour)
	for _, passed := range []bool{true, false} {
		unit := w.unit("cylinder")
		opened := w.open(unit, "cylinder-hydrostatic-record", start)
		j := &job{w: w, at: start}
		j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_StationWork{StationWork: &historypb.StationWork{Activity: "hydrostatic-test", Provider: "Harbour Test House", Approval: "X123", MarkDate: &datepb.Date{Year: 2026, Month: 2}, Passed: passed}}})
		w.record(opened.GetOrder().GetName(), j.events...)
		if passed {
			wantSaid(t, w.entries(unit))
			continue
		}
		wantSaid(t, w.entries(unit), "test hydrostatic-test fail Harbour Test House (X123)")
		req := w.signing(opened.GetOrder().GetName(), start.Add(time.Minute))
		req.Outcome = historypb.SignatureOutcome_SIGNATURE_OUTCOME_CONDEMNED
		if _, err := w.orders.SignOrder(t.Context(), req); err != nil {
			t.Fatal(err)
		}
		wantSaid(t, w.entries(unit), "test hydrostatic-test fail Harbour Test House (X123)", "test hydrostatic-test condemned Harbour Test House (X123)", "service hydrostatic-record condemned")
	}
}

func TestOneOpenOrderPerPurpose(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	unit := w.unit("second-stage")
	var wg sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		wg.Go(func() {
			_, errs[i] = w.orders.OpenOrder(t.Context(), &historypb.OpenOrderRequest{Parent: "orgs/" + orgA, OrderId: uuid.NewString(), Unit: unit, Procedure: "second-stage-overhaul", OccurredTime: timestamppb.New(start), Technician: w.ines})
		})
	}
	wg.Wait()
	won := 0
	for _, err := range errs {
		if err == nil {
			won++
			continue
		}
		wantError(t, err, codes.FailedPrecondition, "ORDER_ALREADY_OPEN")
	}
	if won != 1 {
		t.Fatalf("%d orders were opened", won)
	}
	list, err := w.orders.ListOrders(t.Context(), &historypb.ListOrdersRequest{Parent: "orgs/" + orgA, Unit: unit, Open: true})
	if err != nil || len(list.GetOrders()) != 1 {
		t.Fatalf("%v, %v", list, err)
	}
	name := list.GetOrders()[0].GetName()
	if _, err := w.orders.CloseOrder(t.Context(), &historypb.CloseOrderRequest{Name: name, EventId: uuid.NewString(), OccurredTime: timestamppb.New(start), Technician: w.ines}); status.Code(err) != codes.InvalidArgument {
		t.Fatalf("closed unsigned without a reason: %v", err)
	}
	if _, err := w.orders.CloseOrder(t.Context(), &historypb.CloseOrderRequest{Name: name, EventId: uuid.NewString(), OccurredTime: timestamppb.New(start), Technician: w.ines, Reason: "opened for the wrong unit"}); err != nil {
		t.Fatal(err)
	}
	w.open(unit, "second-stage-overhaul", start)
	if list, err = w.orders.ListOrders(t.Context(), &historypb.ListOrdersRequest{Parent: "orgs/" + orgA, Unit: unit}); err != nil || len(list.GetOrders()) != 2 {
		t.Fatalf("%v, %v", list, err)
	}
}

// A pass of one test does not answer for another of the same activity that failed.
func TestEveryTestOfAnActivity(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.clock.Advance(time.Hour)
	unit := w.unit("second-stage")
	order := w.open(unit, "second-stage-overhaul", start).GetOrder().GetName()
	j := &job{w: w, at: start}
	j.test("as-found", "cracking-effort", false)
	other := j.test("as-found", "cracking-effort", true).GetTestMade()
	other.Step, other.Test = "as-found-alternate", "cracking-effort-alternate"
	w.record(order, j.events...)
	wantSaid(t, w.entries(unit), "test function-test fail")
	j.events = nil
	j.test("as-found", "cracking-effort", true)
	w.record(order, j.events...)
	wantSaid(t, w.entries(unit), "test function-test fail", "test function-test pass")
}
