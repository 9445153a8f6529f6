package compliancerpc

import (
	"context"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// GetAllocation reads an allocation.
func (s *Server) GetAllocation(ctx context.Context, req *compliancepb.GetAllocationRequest) (*compliancepb.GetAllocationResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	id, err := resname.Allocation(org, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	resp := &compliancepb.GetAllocationResponse{}
	_, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		a, err := r.Allocation(ctx, id, s.clock.Now())
		if err != nil {
			return err
		}
		resp.Allocation = allocationPB(org, a)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// allocationCursor is the last allocation of a page, and the instant the first page was made at.
type allocationCursor struct {
	At    time.Time `json:"at"`
	Start time.Time `json:"start"`
	ID    uuid.UUID `json:"id"`
}

// ListAllocations lists allocations by the start of their windows.
func (s *Server) ListAllocations(ctx context.Context, req *compliancepb.ListAllocationsRequest) (*compliancepb.ListAllocationsResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	q := compliance.AllocationQuery{InConflict: req.GetInConflict(), Now: s.clock.Now(), Limit: page.Size(req.GetPageSize())}
	if req.GetShop() != "" {
		if q.Shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
			return nil, err
		}
	}
	if req.GetUnit() != "" {
		if q.Unit, err = resname.Unit(org, "unit", req.GetUnit()); err != nil {
			return nil, err
		}
	}
	if req.GetGroup() != "" {
		q.Group = uuid.MustParse(req.GetGroup()) // a UUID: checked on the way in
	}
	for _, st := range req.GetStates() {
		q.States = append(q.States, compliance.AllocationState(st))
	}
	if q.From, err = asked("from_time", req.GetFromTime(), time.Time{}); err != nil {
		return nil, err
	}
	if q.Before, err = asked("before_time", req.GetBeforeTime(), time.Time{}); err != nil {
		return nil, err
	}
	if !q.From.IsZero() && !q.Before.IsZero() && !q.Before.After(q.From) {
		return nil, errs.Field("before_time", q.Before.Format(time.RFC3339), "must be after from_time, "+q.From.Format(time.RFC3339))
	}
	bound := binding("ListAllocations", org, req)
	if req.GetPageToken() != "" {
		var c allocationCursor
		if err := s.pages.Decode(bound, req.GetPageToken(), &c); err != nil {
			return nil, err
		}
		q.Now, q.After = c.At, &compliance.AllocationKey{Start: c.Start, ID: c.ID}
	}
	resp := &compliancepb.ListAllocationsResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		all, more, err := r.Allocations(ctx, q)
		if err != nil {
			return err
		}
		resp.Allocations = allocationsPB(org, all)
		if more {
			last := all[len(all)-1]
			resp.NextPageToken, err = s.pages.Encode(bound, allocationCursor{q.Now, last.Start, last.ID})
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}
