package registryrpc

import (
	"context"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry"
	"strandline.example/strandline/services/registry/registrypg"
)

// newUnit reads one request for a unit; at is the path of the request.
func newUnit(org tenant.Org, f *faults, at string, req *registrypb.CreateUnitRequest) (registry.NewUnit, error) {
	out := registry.NewUnit{At: at}
	id, err := chosen(at+"unit_id", req.GetUnitId())
	if err := f.keep(err); err != nil {
		return out, err
	}
	if out.Unit, err = unitOf(org, f, at+"unit.", req.GetUnit(), edits{all: true}); err != nil {
		return out, err
	}
	out.ID = id
	return out, nil
}

// CreateUnit creates a unit.
func (s *Server) CreateUnit(ctx context.Context, req *registrypb.CreateUnitRequest) (*registrypb.CreateUnitResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var f faults
	give, err := newUnit(org, &f, "", req)
	if err != nil {
		return nil, err
	}
	if err := f.err(); err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "CreateUnit", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.CreateUnitResponse, error) {
		units, at, err := s.cases.CreateUnits(ctx, org, now, []registry.NewUnit{give})
		if err != nil {
			return nil, err
		}
		return &registrypb.CreateUnitResponse{Unit: unitProto(org, units[0]), Position: position(req.GetValidateOnly(), at)}, nil
	})
}

// BatchCreateUnits creates units, all or none.
func (s *Server) BatchCreateUnits(ctx context.Context, req *registrypb.BatchCreateUnitsRequest) (*registrypb.BatchCreateUnitsResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var f faults
	give := make([]registry.NewUnit, len(req.GetRequests()))
	for i, r := range req.GetRequests() {
		at := index("requests", i) + "."
		if r.GetParent() != req.GetParent() {
			f.add(at+"parent", r.GetParent(), "want the batch's parent, "+req.GetParent())
		}
		if r.GetValidateOnly() {
			f.add(at+"validate_only", "true", "cannot be set inside a batch: a batch is written whole or not at all")
		}
		if give[i], err = newUnit(org, &f, at, r); err != nil {
			return nil, err
		}
	}
	if err := f.err(); err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "BatchCreateUnits", false, req, func(ctx context.Context, now time.Time) (*registrypb.BatchCreateUnitsResponse, error) {
		units, at, err := s.cases.CreateUnits(ctx, org, now, give)
		if err != nil {
			return nil, err
		}
		return &registrypb.BatchCreateUnitsResponse{Units: unitProtos(org, units), Position: position(false, at)}, nil
	})
}

func unitProtos(org tenant.Org, units []registry.Unit) []*registrypb.Unit {
	out := make([]*registrypb.Unit, len(units))
	for i, u := range units {
		out[i] = unitProto(org, u)
	}
	return out
}

// GetUnit reads one unit.
func (s *Server) GetUnit(ctx context.Context, req *registrypb.GetUnitRequest) (*registrypb.GetUnitResponse, error) {
	org, id, err := unit(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	u, err := s.store.Unit(ctx, org, id)
	if err != nil {
		return nil, err
	}
	return &registrypb.GetUnitResponse{Unit: unitProto(org, u)}, nil
}

// BatchGetUnits reads units in the order asked, with one query.
func (s *Server) BatchGetUnits(ctx context.Context, req *registrypb.BatchGetUnitsRequest) (*registrypb.BatchGetUnitsResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	ids := make([]uuid.UUID, len(req.GetNames()))
	for i, name := range req.GetNames() {
		if ids[i], err = resname.Unit(org, index("names", i), name); err != nil {
			return nil, err
		}
	}
	units, err := s.store.Units(ctx, org, ids)
	if err != nil {
		return nil, err
	}
	byID := make(map[uuid.UUID]*registrypb.Unit, len(units))
	for _, u := range units {
		byID[u.ID] = unitProto(org, u)
	}
	resp := &registrypb.BatchGetUnitsResponse{Units: make([]*registrypb.Unit, len(ids))}
	for i, id := range ids {
		u, ok := byID[id]
		if !ok {
			return nil, errs.Missing(req.GetNames()[i]).With("field", index("names", i))
		}
		resp.Units[i] = u
	}
	return resp, nil
}

// unitFilter is what ListUnits can be filtered by.
var unitFilter = filterFields{
	"asset_tag": plain, "serial_number": plain, "kind": plain, "model": named("models"), "shop": named("shops"), "size": plain, "state": stateName,
}

// ListUnits lists units, by asset tag.
func (s *Server) ListUnits(ctx context.Context, req *registrypb.ListUnitsRequest) (*registrypb.ListUnitsResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	filter, err := unitFilter.parse(org, req.GetFilter())
	if err != nil {
		return nil, err
	}
	var after registrypg.UnitCursor
	p, err := s.paging("units", req.GetPageSize(), req.GetPageToken(), &after, org.ID, req.GetFilter())
	if err != nil {
		return nil, err
	}
	rows, err := s.store.ListUnits(ctx, org, filter, after, p.limit())
	if err != nil {
		return nil, err
	}
	rows, next, err := cut(p, rows, func(u registry.Unit) any { return registrypg.UnitCursor{Tag: u.Tag, ID: u.ID} })
	if err != nil {
		return nil, err
	}
	return &registrypb.ListUnitsResponse{Units: unitProtos(org, rows), NextPageToken: next}, nil
}

var unitFields = settable{
	fields: []string{"asset_tag", "serial_number", "model", "manufacture_date", "commission_date", "size", "attributes"},
	maps:   []string{"attributes"},
	fixed: map[string]string{
		"shop": "TransferUnit", "placements": "TransferUnit", "state": "RetireUnit", "retire_time": "RetireUnit", "retire_reason": "RetireUnit",
	},
	ignored: []string{"name", "kind", "etag", "create_time", "update_time"},
}

// UpdateUnit changes the fields of the mask.
func (s *Server) UpdateUnit(ctx context.Context, req *registrypb.UpdateUnitRequest) (*registrypb.UpdateUnitResponse, error) {
	org, id, err := unit(ctx, "unit.name", req.GetUnit().GetName())
	if err != nil {
		return nil, err
	}
	e, err := unitFields.read(req.GetUpdateMask())
	if err != nil {
		return nil, err
	}
	var f faults
	give, err := unitOf(org, &f, "unit.", req.GetUnit(), e)
	if err != nil {
		return nil, err
	}
	if err := f.err(); err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "UpdateUnit", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.UpdateUnitResponse, error) {
		u, at, err := s.cases.UpdateUnit(ctx, org, now, id, req.GetUnit().GetEtag(), func(u *registry.Unit) error {
			if e.all && give.Shop != u.Shop {
				return errs.Field("unit.shop", req.GetUnit().GetShop(), "the unit is at "+resname.ShopName(org, u.Shop)+"; TransferUnit moves it")
			}
			e.unit(u, give)
			return nil
		})
		if err != nil {
			return nil, err
		}
		return &registrypb.UpdateUnitResponse{Unit: unitProto(org, u), Position: position(req.GetValidateOnly(), at)}, nil
	})
}

// unit sets what the mask names.
func (e edits) unit(u *registry.Unit, give registry.Unit) {
	if e.has("asset_tag") {
		u.Tag = give.Tag
	}
	if e.has("serial_number") {
		u.Serial = give.Serial
	}
	if e.has("model") {
		u.Model = give.Model
	}
	if e.has("manufacture_date") {
		u.Manufactured = give.Manufactured
	}
	if e.has("commission_date") {
		u.Commissioned = give.Commissioned
	}
	if e.has("size") {
		u.Size = give.Size
	}
	e.apply("attributes", &u.Attributes, give.Attributes)
}

// TransferUnit moves a unit, with what is fitted to it, to another shop.
func (s *Server) TransferUnit(ctx context.Context, req *registrypb.TransferUnitRequest) (*registrypb.TransferUnitResponse, error) {
	org, id, err := unit(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	shop, err := part(org, "destination_shop", req.GetDestinationShop(), "shops")
	if err != nil {
		return nil, err
	}
	var f faults
	when := f.instant("transfer_time", req.GetTransferTime())
	if err := f.err(); err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "TransferUnit", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.TransferUnitResponse, error) {
		u, at, err := s.cases.TransferUnit(ctx, org, now, id, req.GetEtag(), shop, when)
		if err != nil {
			return nil, err
		}
		return &registrypb.TransferUnitResponse{Unit: unitProto(org, u), Position: position(req.GetValidateOnly(), at)}, nil
	})
}

// RetireUnit takes a unit out of the fleet for good.
func (s *Server) RetireUnit(ctx context.Context, req *registrypb.RetireUnitRequest) (*registrypb.RetireUnitResponse, error) {
	org, id, err := unit(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	var f faults
	when := f.instant("retire_time", req.GetRetireTime())
	if err := f.err(); err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "RetireUnit", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.RetireUnitResponse, error) {
		u, at, err := s.cases.RetireUnit(ctx, org, now, id, req.GetEtag(), req.GetReason(), when)
		if err != nil {
			return nil, err
		}
		return &registrypb.RetireUnitResponse{Unit: unitProto(org, u), Position: position(req.GetValidateOnly(), at)}, nil
	})
}
