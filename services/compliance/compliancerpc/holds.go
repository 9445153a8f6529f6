package compliancerpc

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// PlaceHold pulls a unit by hand. A unit that compliance has not seen yet is looked for in the registry's feed first.
func (s *Server) PlaceHold(ctx context.Context, req *compliancepb.PlaceHoldRequest) (*compliancepb.PlaceHoldResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	unit, err := resname.Unit(org, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	id := req.GetHoldId()
	if id == "" {
		id = uuid.NewString()
	}
	run := func() (*compliancepb.PlaceHoldResponse, error) {
		now := s.clock.Now()
		return idem.Run(ctx, s.db, org, now, compliancepb.ComplianceService_PlaceHold_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
			func(ctx context.Context) (*compliancepb.PlaceHoldResponse, error) {
				h := due.ManualHold{
					ID: strings.ToLower(id), Unit: unit, Reason: req.GetHold().GetReason(), Blocks: usesOf(req.GetHold().GetBlocks()), Placed: now, Placer: subject(ctx),
				}
				p, err := s.store.PlaceHold(ctx, org, h, compliance.OwnChange{
					At: now, Kind: compliance.HoldPlaced, Subject: resname.HoldName(org, unit, h.ID), Actor: h.Placer,
				})
				if err != nil {
					return nil, err
				}
				return &compliancepb.PlaceHoldResponse{Hold: manualPB(h, orgNaming(org, nil)), Position: positionPB(p)}, nil
			})
	}
	resp, err := run()
	if errs.Is(err, "NOT_FOUND") {
		if _, perr := s.applier.Pull(ctx, org); perr != nil {
			return nil, perr
		}
		resp, err = run()
	}
	if err == nil && !req.GetValidateOnly() {
		resp.AffectedAllocations, resp.AffectedUnknown = s.affected(ctx, org, instantOf(resp.GetHold().GetOpenTime()), func(context.Context) ([]uuid.UUID, error) { return []uuid.UUID{unit}, nil })
	}
	return resp, err
}

// LiftHold lifts a hold that a person placed. One that comes from an entry or a rule lifts by its proof alone.
func (s *Server) LiftHold(ctx context.Context, req *compliancepb.LiftHoldRequest) (*compliancepb.LiftHoldResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	unit, id, err := resname.UnitChild(org, "name", req.GetName(), "holds")
	if err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.ComplianceService_LiftHold_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.LiftHoldResponse, error) {
			if err := s.refuseDerived(ctx, org, unit, id); err != nil {
				return nil, err
			}
			h, p, err := s.store.LiftHold(ctx, org, unit, id, req.GetReason(), compliance.OwnChange{
				At: now, Kind: compliance.HoldLifted, Subject: resname.HoldName(org, unit, id), Actor: subject(ctx),
			})
			if err != nil {
				return nil, err
			}
			return &compliancepb.LiftHoldResponse{Hold: manualPB(h, orgNaming(org, nil)), Position: positionPB(p)}, nil
		})
	return told(s, org, resp, err)
}

// GetHold reads one hold.
func (s *Server) GetHold(ctx context.Context, req *compliancepb.GetHoldRequest) (*compliancepb.GetHoldResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	unit, id, err := resname.UnitChild(org, "name", req.GetName(), "holds")
	if err != nil {
		return nil, err
	}
	resp := &compliancepb.GetHoldResponse{}
	_, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		h, err := r.Hold(ctx, unit, id)
		resp.Hold = holdPB(&h, orgNaming(org, nil))
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// holdCursor is the last hold of a page, and the instant the first page was made for.
type holdCursor struct {
	At     time.Time `json:"at"`
	Opened time.Time `json:"opened"`
	Unit   uuid.UUID `json:"unit"`
	ID     string    `json:"id"`
}

// ListHolds lists holds, newest first, as they are or as they were at an instant and as known at one.
func (s *Server) ListHolds(ctx context.Context, req *compliancepb.ListHoldsRequest) (*compliancepb.ListHoldsResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	q := compliance.HoldQuery{Lifted: req.GetIncludeLifted(), At: s.clock.Now(), Limit: page.Size(req.GetPageSize())}
	if req.GetParent() != org.Name()+"/units/-" {
		if q.Unit, err = resname.Unit(org, "parent", req.GetParent()); err != nil {
			return nil, err
		}
	}
	if req.GetShop() != "" {
		if q.Shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
			return nil, err
		}
	}
	if req.GetInstant() != nil || req.GetKnownTime() != nil {
		q.Past = true
		if q.At, err = asked("instant", req.GetInstant(), q.At); err != nil {
			return nil, err
		}
		if q.Known, err = asked("known_time", req.GetKnownTime(), time.Time{}); err != nil {
			return nil, err
		}
	}
	bound := binding("ListHolds", org, req)
	if req.GetPageToken() != "" {
		var c holdCursor
		if err := s.pages.Decode(bound, req.GetPageToken(), &c); err != nil {
			return nil, err
		}
		q.At, q.After = c.At, &compliance.HoldKey{Opened: c.Opened, Unit: c.Unit, ID: c.ID}
	}
	resp := &compliancepb.ListHoldsResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		if q.Unit != uuid.Nil {
			if err := r.Exists(ctx, q.Unit); err != nil {
				return err
			}
		}
		rows, more, err := r.Holds(ctx, q)
		if err != nil {
			return err
		}
		n := orgNaming(org, nil)
		for i := range rows {
			row := &rows[i]
			resp.Holds = append(resp.Holds, &compliancepb.HeldUnit{Hold: holdPB(&row.Hold, n), AssetTag: row.Tag, Kind: row.Kind, Shop: n.shop(row.Shop), HostTag: row.HostTag})
		}
		if more {
			h := rows[len(rows)-1].Hold
			resp.NextPageToken, err = s.pages.Encode(bound, holdCursor{q.At, h.Opened, h.Unit, h.ID})
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}
