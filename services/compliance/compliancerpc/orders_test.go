package compliancerpc

import (
	"testing"
	"time"

	"buf.build/go/protoyaml"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/compliance/due"
)

const (
	orderUUID  = "01890000-0000-7000-8000-0000000000aa"
	orderUnit  = "orgs/reef/units/01890000-0000-7000-8000-00000000000a"
	orderEntry = orderUnit + "/entries/01890000-0000-7000-8000-00000000000b"
)

// TestOrderEventsOfEntries reads every kind of event there is, and refuses what it does not know: that could be work.
func TestOrderEventsOfEntries(t *testing.T) {
	t.Parallel()
	org := tenant.Must("reef")
	read := func(t *testing.T, give string) (*due.Entry, error) {
		t.Helper()
		e := &historypb.OrderEvent{}
		if give != "" {
			if err := protoyaml.Unmarshal([]byte(give), e); err != nil {
				t.Fatal(err)
			}
		}
		e.Order = "orgs/reef/orders/" + orderUUID
		at := timestamppb.New(now)
		return entryOf(org, &historypb.Entry{Name: orderEntry, OccurredTime: at, RecordedTime: at, Detail: &historypb.Entry_OrderEvent{OrderEvent: e}})
	}
	seen := map[string]bool{}
	for _, c := range []struct {
		give string
		want due.Entry // its Activities and Order
	}{
		{`{opened: {procedure: p, activities: [overhaul, inspection]}}`, due.Entry{Activities: []string{"overhaul", "inspection"}, Order: &due.OrderEvent{What: due.OrderOpened}}},
		{`{takenUp: {}}`, due.Entry{Order: &due.OrderEvent{What: due.OrderOther}}},
		{`{waiting: {for: seats}}`, due.Entry{Order: &due.OrderEvent{What: due.OrderOther}}},
		{`{resumed: {}}`, due.Entry{Order: &due.OrderEvent{What: due.OrderOther}}},
		{`{found: {finding: wear}}`, due.Entry{Order: &due.OrderEvent{What: due.OrderOther}}},
		{`{stepDone: {step: s}}`, due.Entry{Order: &due.OrderEvent{What: due.Worked}}},
		{`{stepChecked: {step: s}}`, due.Entry{Order: &due.OrderEvent{What: due.Worked}}},
		{`{testMade: {step: s, test: t}}`, due.Entry{Order: &due.OrderEvent{What: due.Worked}}},
		{`{stationWork: {activity: a, provider: p, approval: "1"}}`, due.Entry{Order: &due.OrderEvent{What: due.Worked}}},
		{`{partMoved: {part: seat, move: PART_MOVE_FITTED, count: 2, lot: orgs/reef/lots/seats-1}}`, due.Entry{Order: &due.OrderEvent{What: due.Fitted, Lot: "seats-1", Part: "seat", Count: 2}}},
		{`{partMoved: {part: seat, move: PART_MOVE_REMOVED, count: 1, lot: orgs/reef/lots/seats-1}}`, due.Entry{Order: &due.OrderEvent{What: due.TakenOut, Lot: "seats-1", Part: "seat", Count: 1}}},
		{`{partMoved: {part: seat, move: PART_MOVE_FITTED, count: 2}}`, due.Entry{Order: &due.OrderEvent{What: due.Worked}}},
		{`{partMoved: {part: seat, move: PART_MOVE_REMOVED, count: 2}}`, due.Entry{Order: &due.OrderEvent{What: due.Worked}}},
		{`{partMoved: {part: seat, move: PART_MOVE_ABSENT, count: 2}}`, due.Entry{Order: &due.OrderEvent{What: due.Worked}}},
		{`{partMoved: {part: seat, move: PART_MOVE_DISCARDED, count: 2}}`, due.Entry{Order: &due.OrderEvent{What: due.Worked}}},
		{`{partMoved: {part: seat, move: PART_MOVE_REFITTED, count: 2}}`, due.Entry{Order: &due.OrderEvent{What: due.Worked}}},
		{`{withdrawn: {event: 01890000-0000-7000-8000-0000000000cc, reason: typed}}`, due.Entry{Order: &due.OrderEvent{What: due.Withdrew, Withdraws: uuid.MustParse("01890000-0000-7000-8000-0000000000cc")}}},
		{`{signed: {outcome: SIGNATURE_OUTCOME_PASS}}`, due.Entry{Order: &due.OrderEvent{What: due.SignedPass}}},
		{`{signed: {outcome: SIGNATURE_OUTCOME_FAIL}}`, due.Entry{Order: &due.OrderEvent{What: due.SignedOther}}},
		{`{signed: {outcome: SIGNATURE_OUTCOME_CONDEMNED}}`, due.Entry{Order: &due.OrderEvent{What: due.SignedOther}}},
		{`{closed: {reason: sold}}`, due.Entry{Order: &due.OrderEvent{What: due.OrderClosed}}},
	} {
		got, err := read(t, c.give)
		if err != nil {
			t.Errorf("%s: %v", c.give, err)
			continue
		}
		want := c.want
		want.Kind, want.ID, want.Unit, want.Occurred, want.Recorded = due.OrderEntry, got.ID, got.Unit, now, now
		want.Order.Order = uuid.MustParse(orderUUID)
		if diff := cmp.Diff(&want, got, cmpopts.EquateEmpty(), cmp.Comparer(func(a, b civil.Mark) bool { return a == b })); diff != "" {
			t.Errorf("%s (-want +got)\n%s", c.give, diff)
		}
		e := &historypb.OrderEvent{}
		if err := protoyaml.Unmarshal([]byte(c.give), e); err != nil {
			t.Fatal(err)
		}
		m := e.ProtoReflect()
		seen[string(m.WhichOneof(m.Descriptor().Oneofs().ByName("detail")).Name())] = true
	}
	details := (&historypb.OrderEvent{}).ProtoReflect().Descriptor().Oneofs().ByName("detail").Fields()
	for i := range details.Len() {
		if name := string(details.Get(i).Name()); !seen[name] {
			t.Errorf("%s is not read", name)
		}
	}
	for _, bad := range []string{
		``, `{signed: {}}`, `{partMoved: {part: seat, count: 1}}`, `{withdrawn: {event: x}}`, `{partMoved: {part: seat, move: PART_MOVE_FITTED, count: 2, lot: orgs/lagoon/lots/seats-1}}`,
	} {
		if got, err := read(t, bad); err == nil {
			t.Errorf("%s was read as %+v", bad, got)
		}
	}
	if _, err := entryOf(org, &historypb.Entry{Name: orderEntry, Detail: &historypb.Entry_OrderEvent{OrderEvent: &historypb.OrderEvent{Order: "orgs/reef/orders/seven", Detail: &historypb.OrderEvent_Closed{}}}}); err == nil {
		t.Error("an order without a UUID was read")
	}
}

// step records an event of an order.
func (r *rig) step(unit, order string, at time.Time, e *historypb.OrderEvent) string {
	return r.record(unit, at, func(to *historypb.Entry) {
		if order == "" { // it opens one
			_, order, _ = cutLast(to.GetName())
		}
		e.Order = r.org + "/orders/" + order
		to.Detail = &historypb.Entry_OrderEvent{OrderEvent: e}
	})
}

func cutLast(name string) (before, last string, ok bool) {
	for i := len(name) - 1; i >= 0; i-- {
		if name[i] == '/' {
			return name[:i], name[i+1:], true
		}
	}
	return name, "", false
}

// TestOrdersHoldUnits takes an order through the API: its unit and the set that it is fitted to are pulled until it is signed; nobody lifts that by
// hand; and one that was closed over work names what does.
func TestOrdersHoldUnits(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage")
	set, stage := r.unit("regulator-set", "SET-1", "north"), r.unit("first-stage", "A-1", "north")
	r.fit(stage, set)
	day := func(n int) time.Time { return now.AddDate(0, 0, n) }
	if s := r.standingAt(set, day(0), time.Time{}); !s.GetMayHandOut() {
		t.Fatalf("%v", s.GetReasons())
	}
	opening := r.step(stage, "", day(-20), &historypb.OrderEvent{Detail: &historypb.OrderEvent_Opened{Opened: &historypb.OrderOpened{Procedure: "first-stage-overhaul", Activities: []string{"overhaul"}}}})
	_, order, _ := cutLast(opening)
	hold := stage + "/holds/order-" + order
	for _, unit := range []string{stage, set} {
		s := r.standingAt(unit, now, time.Time{})
		if s.GetMayHandOut() || s.GetMayFill() || len(s.GetHolds()) != 1 || s.GetHolds()[0].GetName() != hold || s.GetHolds()[0].GetCause() != compliancepb.Hold_CAUSE_ORDER {
			t.Errorf("%v", s)
		}
	}
	if h := r.standingAt(stage, now, time.Time{}).GetHolds()[0]; h.GetEntry() != opening || h.GetReason() != "On the bench: overhaul, since 2026-05-12." {
		t.Errorf("%v", h)
	}
	lift := func() error {
		_, err := r.compliance.LiftHold(t.Context(), &compliancepb.LiftHoldRequest{Name: hold, Reason: "x", RequestId: uuid.NewString()})
		return err
	}
	if by := wantReason(t, lift(), codes.FailedPrecondition, "HOLD_NEEDS_PROOF")["clearedBy"]; by != "" {
		t.Errorf("lifted by %s", by)
	}
	r.step(stage, order, day(-19), &historypb.OrderEvent{Detail: &historypb.OrderEvent_StepDone{StepDone: &historypb.StepDone{Step: "strip"}}})
	r.step(stage, order, day(-18), &historypb.OrderEvent{Detail: &historypb.OrderEvent_Closed{Closed: &historypb.OrderClosed{Reason: "no seats"}}})
	if h := r.standingAt(stage, now, time.Time{}).GetHolds(); len(h) != 1 || !cmp.Equal(h[0].GetClearedBy(), []string{"overhaul"}) {
		t.Errorf("%v", h)
	}
	if by := wantReason(t, lift(), codes.FailedPrecondition, "HOLD_NEEDS_PROOF")["clearedBy"]; by != "overhaul" {
		t.Errorf("lifted by %s", by)
	}
	// Another order, signed: its overhaul proves the unit, and its signature ends it.
	again := r.step(stage, "", day(-10), &historypb.OrderEvent{Detail: &historypb.OrderEvent_Opened{Opened: &historypb.OrderOpened{Procedure: "first-stage-overhaul", Activities: []string{"overhaul"}}}})
	_, order, _ = cutLast(again)
	signed := r.step(stage, order, day(-9), &historypb.OrderEvent{Detail: &historypb.OrderEvent_Signed{Signed: &historypb.OrderSigned{Outcome: historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS}}})
	proof := r.record(stage, day(-9), func(e *historypb.Entry) {
		e.Detail = &historypb.Entry_Service{Service: &historypb.Service{Activities: []string{"overhaul"}, Outcome: historypb.Outcome_OUTCOME_PASS, Order: r.org + "/orders/" + order}}
	})
	if s := r.standingAt(set, now, time.Time{}); !s.GetMayHandOut() {
		t.Errorf("%v", s.GetReasons())
	}
	list, err := r.compliance.ListHolds(t.Context(), &compliancepb.ListHoldsRequest{Parent: stage, IncludeLifted: true, AtLeast: r.position})
	if err != nil {
		t.Fatal(err)
	}
	lifters := map[string]string{}
	for _, h := range list.GetHolds() {
		lifters[h.GetHold().GetEntry()] = h.GetHold().GetLifter()
	}
	if d := cmp.Diff(map[string]string{opening: proof, again: signed}, lifters); d != "" {
		t.Error(d)
	}
	if s := r.standingAt(stage, day(-10), time.Time{}); s.GetMayHandOut() || len(s.GetHolds()) != 2 {
		t.Errorf("between the orders: %v", s.GetHolds())
	}
}
