package compliancerpc

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// ConfirmAllocations makes held allocations firm.
func (s *Server) ConfirmAllocations(ctx context.Context, req *compliancepb.ConfirmAllocationsRequest) (*compliancepb.ConfirmAllocationsResponse, error) {
	org, choice, err := chosen(ctx, req.GetParent(), req.GetAllocations())
	if err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.AvailabilityService_ConfirmAllocations_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.ConfirmAllocationsResponse, error) {
			all, p, err := s.store.Confirm(ctx, org, choice, ownChange(ctx, now, compliance.AllocationsFirm, org, choice))
			return &compliancepb.ConfirmAllocationsResponse{Allocations: allocationsPB(org, all), Position: positionPB(p)}, err
		})
	return told(s, org, resp, err)
}

// ExtendAllocations moves the end of allocations.
func (s *Server) ExtendAllocations(ctx context.Context, req *compliancepb.ExtendAllocationsRequest) (*compliancepb.ExtendAllocationsResponse, error) {
	org, choice, err := chosen(ctx, req.GetParent(), req.GetAllocations())
	if err != nil {
		return nil, err
	}
	e := compliancepg.Extension{Dives: req.ExpectedDives}
	if e.End, err = asked("end_time", req.GetEndTime(), time.Time{}); err != nil {
		return nil, err
	}
	now := s.clock.Now()
	switch {
	case !e.End.After(now):
		return nil, errs.Field("end_time", e.End.Format(time.RFC3339), "lies in the past: it is "+now.Format(time.RFC3339)+" now")
	case e.End.Sub(now) > 2*maxWindow:
		return nil, errs.Field("end_time", e.End.Format(time.RFC3339), "must be within 732 days from now")
	}
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.AvailabilityService_ExtendAllocations_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.ExtendAllocationsResponse, error) {
			all, p, err := s.store.Extend(ctx, org, choice, e, ownChange(ctx, now, compliance.AllocationsExtended, org, choice))
			return &compliancepb.ExtendAllocationsResponse{Allocations: allocationsPB(org, all), Position: positionPB(p)}, err
		})
	return told(s, org, resp, err)
}

// SwapAllocation gives an allocation another unit.
func (s *Server) SwapAllocation(ctx context.Context, req *compliancepb.SwapAllocationRequest) (*compliancepb.SwapAllocationResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	id, err := resname.Allocation(org, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	var unit uuid.UUID
	if req.GetUnit() != "" {
		if unit, err = resname.Unit(org, "unit", req.GetUnit()); err != nil {
			return nil, err
		}
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.AvailabilityService_SwapAllocation_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.SwapAllocationResponse, error) {
			a, p, err := s.store.Swap(ctx, org, id, unit, req.GetReason(), compliance.OwnChange{At: now, Kind: compliance.AllocationSwapped, Subject: req.GetName(), Actor: subject(ctx)})
			if err != nil {
				return nil, err
			}
			return &compliancepb.SwapAllocationResponse{Allocation: allocationPB(org, a), Position: positionPB(p)}, nil
		})
	return told(s, org, resp, err)
}

// ReleaseAllocations gives allocations up.
func (s *Server) ReleaseAllocations(ctx context.Context, req *compliancepb.ReleaseAllocationsRequest) (*compliancepb.ReleaseAllocationsResponse, error) {
	org, choice, err := chosen(ctx, req.GetParent(), req.GetAllocations())
	if err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.AvailabilityService_ReleaseAllocations_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.ReleaseAllocationsResponse, error) {
			all, p, err := s.store.Release(ctx, org, choice, req.GetReason(), ownChange(ctx, now, compliance.AllocationsReleased, org, choice))
			return &compliancepb.ReleaseAllocationsResponse{Allocations: allocationsPB(org, all), Position: positionPB(p)}, err
		})
	return told(s, org, resp, err)
}

// chosen reads which allocations a request is about: names or a group, one of the two.
func chosen(ctx context.Context, parent string, set *compliancepb.AllocationSet) (org tenant.Org, c compliance.AllocationChoice, err error) {
	if org, err = resname.Org(ctx, "parent", parent); err != nil {
		return org, c, err
	}
	switch {
	case set.GetGroup() != "" && len(set.GetNames()) > 0:
		return org, c, errs.Field("allocations.group", set.GetGroup(), "is given beside names; give one of the two")
	case set.GetGroup() != "":
		c.Group = uuid.MustParse(set.GetGroup()) // a UUID: checked on the way in
		return org, c, nil
	case len(set.GetNames()) == 0:
		return org, c, errs.Field("allocations", "", "name the allocations, or give their group")
	}
	c.IDs = make([]uuid.UUID, len(set.GetNames()))
	for i, name := range set.GetNames() {
		if c.IDs[i], err = resname.Allocation(org, fmt.Sprintf("allocations.names[%d]", i), name); err != nil {
			return org, c, err
		}
	}
	return org, c, nil
}

// ownChange is the line of compliance's log for a change of chosen allocations.
func ownChange(ctx context.Context, now time.Time, kind string, org tenant.Org, c compliance.AllocationChoice) compliance.OwnChange {
	id := "-"
	if len(c.IDs) == 1 {
		id = c.IDs[0].String()
	}
	return compliance.OwnChange{At: now, Kind: kind, Subject: org.Name() + "/allocations/" + id, Actor: subject(ctx)}
}

// affected reviews the promises of an org and returns those that a change of units made at an instant concerns: what has another unit since, and what is in conflict.
// The change is made by now: of a review that fails it says that they are unknown; it is logged, and made again later.
func (s *Server) affected(ctx context.Context, org tenant.Org, at time.Time, units func(context.Context) ([]uuid.UUID, error)) (affected []*compliancepb.Allocation, unknown bool) {
	_, err := s.reviewer.Look(ctx, org)
	var all []*compliance.Allocation
	if err == nil {
		var ids []uuid.UUID
		if ids, err = units(ctx); err == nil {
			all, err = s.store.Affected(ctx, org, ids, at, s.clock.Now())
		}
	}
	if err != nil {
		s.logger.ErrorContext(ctx, "promises cannot be reviewed at once", slog.String("org", org.ID), slog.Any("error", err))
		s.reviewer.Wake(org)
		return nil, true
	}
	return allocationsPB(org, all), false
}
