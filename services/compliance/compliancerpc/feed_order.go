package compliancerpc

import (
	"fmt"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/compliance/due"
)

// orderEventInto reads what happened to a service order. What this version does not know is refused, as with entries: it could be work.
func orderEventInto(org tenant.Org, e *due.Entry, o *historypb.OrderEvent) (err error) {
	e.Kind, e.Order = due.OrderEntry, &due.OrderEvent{}
	if e.Order.Order, err = orderID(org, o.GetOrder()); err != nil {
		return err
	}
	switch d := o.GetDetail().(type) {
	case *historypb.OrderEvent_Opened:
		e.Order.What, e.Activities = due.OrderOpened, d.Opened.GetActivities()
	case *historypb.OrderEvent_StepDone, *historypb.OrderEvent_StepChecked, *historypb.OrderEvent_TestMade, *historypb.OrderEvent_StationWork:
		e.Order.What = due.Worked
	case *historypb.OrderEvent_PartMoved:
		err = partInto(org, e, d.PartMoved)
	case *historypb.OrderEvent_Signed:
		switch d.Signed.GetOutcome() {
		case historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS:
			e.Order.What = due.SignedPass
		case historypb.SignatureOutcome_SIGNATURE_OUTCOME_FAIL, historypb.SignatureOutcome_SIGNATURE_OUTCOME_CONDEMNED:
			e.Order.What = due.SignedOther
		default:
			err = fmt.Errorf("entry %s is signed in a way this version does not know", e.ID)
		}
	case *historypb.OrderEvent_Closed:
		e.Order.What = due.OrderClosed
	case *historypb.OrderEvent_Withdrawn:
		e.Order.What = due.Withdrew
		if e.Order.Withdraws, err = uuid.Parse(d.Withdrawn.GetEvent()); err != nil {
			err = fmt.Errorf("entry %s withdraws %q, which is no UUID", e.ID, d.Withdrawn.GetEvent())
		}
	case *historypb.OrderEvent_TakenUp, *historypb.OrderEvent_Waiting, *historypb.OrderEvent_Resumed, *historypb.OrderEvent_Found:
		e.Order.What = due.OrderOther
	default:
		err = fmt.Errorf("entry %s tells of something in a service order that this version does not know", e.ID)
	}
	return err
}

// partInto reads what became of parts. Parts of no lot are work and no more.
func partInto(org tenant.Org, e *due.Entry, p *historypb.PartMoved) (err error) {
	e.Order.What = due.Worked
	switch p.GetMove() {
	case historypb.PartMove_PART_MOVE_FITTED:
		if p.GetLot() != "" {
			e.Order.What = due.Fitted
		}
	case historypb.PartMove_PART_MOVE_REMOVED:
		if p.GetLot() != "" {
			e.Order.What = due.TakenOut
		}
	case historypb.PartMove_PART_MOVE_ABSENT, historypb.PartMove_PART_MOVE_DISCARDED, historypb.PartMove_PART_MOVE_REFITTED:
	default:
		return fmt.Errorf("entry %s moves parts in a way this version does not know", e.ID)
	}
	if e.Order.What == due.Worked {
		return nil
	}
	e.Order.Part, e.Order.Count = p.GetPart(), p.GetCount()
	e.Order.Lot, err = resname.Part(org, "lot", p.GetLot(), "lots")
	return err
}

func orderID(org tenant.Org, name string) (uuid.UUID, error) {
	id, err := resname.Part(org, "order", name, "orders")
	if err != nil {
		return uuid.UUID{}, err
	}
	return uuid.Parse(id)
}
