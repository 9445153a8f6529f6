package compliancerpc

import (
	"context"
	"strings"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// refuseDerived refuses to lift a hold that no person placed: it names what does. It passes for a manual hold, and
// answers NOT_FOUND for none.
func (s *Server) refuseDerived(ctx context.Context, org tenant.Org, unit uuid.UUID, id string) error {
	var h due.Hold
	err := s.store.Read(ctx, org, func(ctx context.Context, r *compliancepg.Reader) (err error) {
		h, err = r.Hold(ctx, unit, id)
		return err
	})
	if err != nil || h.Cause == due.CauseManual {
		return err
	}
	name := resname.HoldName(org, unit, id)
	if h.Cause == due.CauseCondemned {
		return errs.New(errs.Precondition, "HOLD_NEEDS_PROOF", "the unit is condemned, and nothing lifts that", "hold", name, "clearedBy", "")
	}
	if !h.Lifted.IsZero() && !h.Lifted.After(s.clock.Now()) {
		return errs.New(errs.Precondition, "HOLD_LIFTED", "the hold was lifted by its proof", "hold", name)
	}
	if h.Cause == due.CauseRecall {
		return errs.New(errs.Precondition, "HOLD_NEEDS_PROOF", "a recall holds the unit; its remedy lifts that, or the unit's release from the recall", "hold", name, "clearedBy", strings.Join(h.ClearedBy, ","))
	}
	if h.Cause == due.CauseOrder && len(h.ClearedBy) == 0 {
		return errs.New(errs.Precondition, "HOLD_NEEDS_PROOF", "a service order holds the unit; its signature lifts that, or its closing if nobody worked on the unit", "hold", name, "clearedBy", "")
	}
	proof := strings.Join(h.ClearedBy, " or ")
	if proof == "" {
		return errs.New(errs.Precondition, "HOLD_NEEDS_PROOF", "nobody lifts this hold by hand; a correction of the unit's entries or dates does", "hold", name, "clearedBy", "")
	}
	return errs.New(errs.Precondition, "HOLD_NEEDS_PROOF", "nobody lifts this hold by hand; it lifts when "+proof+" is recorded as passed after it", "hold", name, "clearedBy", strings.Join(h.ClearedBy, ","))
}

// manualPB returns the message of a hold that a person placed.
func manualPB(m due.ManualHold, n naming) *compliancepb.Hold {
	return holdPB(&due.Hold{
		ID: m.ID, Unit: m.Unit, Cause: due.CauseManual, Reason: m.Reason, Blocks: m.Blocks, Opened: m.Placed, Lifted: m.Lifted,
		Placer: m.Placer, Lifter: m.Lifter, LiftReason: m.LiftReason,
	}, n)
}
