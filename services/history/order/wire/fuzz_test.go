package wire_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/order"
	"strandline.example/strandline/services/history/order/wire"
	"strandline.example/strandline/services/history/procedure"
)

// Whatever bytes stand for an event, reading, checking, folding and telling it ends, and what is not wrong folds to the same order twice.
func FuzzEvent(f *testing.F) {
	docs, _, err := procedure.Shipped.Procedure("second-stage-overhaul")
	if err != nil {
		f.Fatal(err)
	}
	p := &docs[0].Procedure
	for _, e := range []*historypb.OrderEvent{
		{Detail: &historypb.OrderEvent_Opened{Opened: &historypb.OrderOpened{Procedure: p.ID, Revision: 1, Purpose: p.Purpose, Kind: "second-stage"}}},
		{Detail: &historypb.OrderEvent_StepDone{StepDone: &historypb.StepDone{Step: "open-cover", Checker: "orgs/reef/technicians/bo", Measured: []*historypb.MeasuredBound{{Bound: "tab-travel", Quantity: &historypb.Quantity{Value: "1.2", Unit: "mm"}}}}}},
		{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{Part: "seat", Move: historypb.PartMove_PART_MOVE_FITTED, Count: 1, Lot: "orgs/reef/lots/x"}}},
		{Detail: &historypb.OrderEvent_Withdrawn{Withdrawn: &historypb.Withdrawn{Event: uuid.NewString(), Reason: "no"}}},
		{Detail: &historypb.OrderEvent_TestMade{TestMade: &historypb.TestMade{Step: "as-found", Test: "cracking-effort"}}},
		{Detail: &historypb.OrderEvent_Signed{Signed: &historypb.OrderSigned{Outcome: 2}}},
	} {
		b, err := proto.Marshal(e)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	org := tenant.Must("reef")
	f.Fuzz(func(t *testing.T, raw []byte) {
		m := &historypb.OrderEvent{}
		if proto.Unmarshal(raw, m) != nil {
			return
		}
		at := time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)
		e, bad := wire.Event(org, wire.Said{ID: uuid.New(), Occurred: at.Add(time.Minute), By: "ines"}, m)
		bad = append(bad, e.Check(p)...)
		opened := order.Event{ID: uuid.New(), Occurred: at, By: "ines", Detail: order.Detail{Opened: &order.Opened{Kind: "second-stage", Procedure: p.ID, Revision: p.Revision, Purpose: p.Purpose}}}
		o := order.Fold([]order.Event{opened, e})
		again := order.Fold([]order.Event{e, opened, e})
		ps := order.Ready(&o, p, order.Facts{Signer: "ines", At: at.Add(time.Hour), Outcome: order.Pass})
		first, second := wire.OrderPB(org, opened.ID, &o), wire.OrderPB(org, opened.ID, &again)
		wire.ProblemsPB(ps)
		if len(bad) == 0 && !proto.Equal(first, second) {
			t.Fatalf("%v is not %v", first, second)
		}
	})
}
