package registryrpc

import (
	"context"
	"strings"
	"time"

	"strandline.example/strandline/internal/resname"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry"
	"strandline.example/strandline/services/registry/registrypg"
)

// FitUnit fits a unit to a host.
func (s *Server) FitUnit(ctx context.Context, req *registrypb.FitUnitRequest) (*registrypb.FitUnitResponse, error) {
	org, id, err := unit(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	give := registry.Fitting{Part: id, Place: req.GetFitting().GetPlace()}
	var f faults
	if give.Host, err = resname.Unit(org, "fitting.host", req.GetFitting().GetHost()); f.keep(err) != nil {
		return nil, err
	}
	if give.ID, err = chosen("fitting_id", req.GetFittingId()); f.keep(err) != nil {
		return nil, err
	}
	if req.GetFitting().GetFitTime() == nil {
		f.add("fitting.fit_time", "", "must be set")
	}
	give.From = f.instant("fitting.fit_time", req.GetFitting().GetFitTime())
	give.To = f.instant("fitting.unfit_time", req.GetFitting().GetUnfitTime())
	if err := f.err(); err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "FitUnit", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.FitUnitResponse, error) {
		x, at, err := s.cases.FitUnit(ctx, org, now, give)
		if err != nil {
			return nil, err
		}
		return &registrypb.FitUnitResponse{Fitting: fittingProto(org, x), Position: position(req.GetValidateOnly(), at)}, nil
	})
}

// UnfitUnit ends the unit's present fitting.
func (s *Server) UnfitUnit(ctx context.Context, req *registrypb.UnfitUnitRequest) (*registrypb.UnfitUnitResponse, error) {
	org, id, err := unit(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	var f faults
	when := f.instant("unfit_time", req.GetUnfitTime())
	if err := f.err(); err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "UnfitUnit", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.UnfitUnitResponse, error) {
		x, at, err := s.cases.UnfitUnit(ctx, org, now, id, when)
		if err != nil {
			return nil, err
		}
		return &registrypb.UnfitUnitResponse{Fitting: fittingProto(org, x), Position: position(req.GetValidateOnly(), at)}, nil
	})
}

// fittingFilter is what ListFittings can be filtered by.
var fittingFilter = filterFields{"host": unitName}

// ListFittings lists fittings by the part, `-` for every part.
func (s *Server) ListFittings(ctx context.Context, req *registrypb.ListFittingsRequest) (*registrypb.ListFittingsResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var q registrypg.FittingList
	if !strings.HasSuffix(req.GetParent(), "/units/-") {
		if q.Part, err = resname.Unit(org, "parent", req.GetParent()); err != nil {
			return nil, err
		}
	}
	if q.Filter, err = fittingFilter.parse(org, req.GetFilter()); err != nil {
		return nil, err
	}
	var f faults
	q.AsOf = f.instant("as_of_time", req.GetAsOfTime())
	if err := f.err(); err != nil {
		return nil, err
	}
	p, err := s.paging("fittings", req.GetPageSize(), req.GetPageToken(), &q.After, req.GetParent(), req.GetFilter(), q.AsOf.Format(time.RFC3339Nano))
	if err != nil {
		return nil, err
	}
	q.Limit = p.limit()
	rows, err := s.store.ListFittings(ctx, org, q)
	if err != nil {
		return nil, err
	}
	rows, next, err := cut(p, rows, func(x registry.Fitting) any { return registrypg.FittingCursor{From: x.From, ID: x.ID} })
	if err != nil {
		return nil, err
	}
	resp := &registrypb.ListFittingsResponse{NextPageToken: next}
	for _, x := range rows {
		resp.Fittings = append(resp.Fittings, fittingProto(org, x))
	}
	return resp, nil
}
