package wire

import (
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/order"
)

var states = map[order.State]historypb.OrderState{
	order.Open:          historypb.OrderState_ORDER_STATE_OPENED,
	order.OnTheBench:    historypb.OrderState_ORDER_STATE_ON_THE_BENCH,
	order.AwaitingParts: historypb.OrderState_ORDER_STATE_AWAITING_PARTS,
	order.SignedOff:     historypb.OrderState_ORDER_STATE_SIGNED,
	order.ClosedOff:     historypb.OrderState_ORDER_STATE_CLOSED,
}

// OrderPB writes an order, without its events and problems.
func OrderPB(org tenant.Org, id uuid.UUID, o *order.Order) *historypb.Order {
	out := &historypb.Order{Name: resname.OrderName(org, id), State: states[o.State], WaitingFor: o.WaitingFor}
	if p := o.Opening; p != nil {
		out.Unit, out.Shop = resname.UnitName(org, p.Unit), resname.ShopName(org, p.Shop)
		out.Procedure, out.Revision, out.Purpose, out.Intake = p.Procedure, int32(p.Revision), p.Purpose, p.Intake
		out.OpenTime, out.Opener = instant(o.OpenedAt), resname.TechnicianName(org, o.OpenedBy)
	}
	if s := o.Signature; s != nil {
		out.SignTime, out.Signer, out.Outcome = instant(s.At), resname.TechnicianName(org, s.By), historypb.SignatureOutcome(s.Outcome)
	}
	if c := o.Closing; c != nil {
		out.CloseTime = instant(c.At)
	}
	for _, id := range slices.Sorted(maps.Keys(o.Parts)) {
		t := o.Parts[id]
		p := &historypb.PartTally{Part: id, Removed: int32(t.Removed), Absent: int32(t.Absent), Discarded: int32(t.Discarded), Fitted: int32(t.Fitted), Refitted: int32(t.Refitted)}
		for _, lot := range slices.Sorted(maps.Keys(t.Lots)) {
			if l := t.Lots[lot]; l.Fitted > l.TakenOut {
				p.Lots = append(p.Lots, LotName(org, lot))
			}
		}
		out.Parts = append(out.Parts, p)
	}
	return out
}

func instant(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// ProblemsPB writes problems.
func ProblemsPB(ps []order.Problem) (out []*historypb.OrderProblem) {
	for _, p := range ps {
		out = append(out, &historypb.OrderProblem{Reason: string(p.Reason), Flag: p.Flag, Step: p.Step, Part: p.Part, Test: p.Test, Bound: p.Bound, Value: p.Value, Description: p.Text})
	}
	return out
}

// LotName returns the name of a lot.
func LotName(org tenant.Org, id string) string { return org.Name() + "/lots/" + id }
