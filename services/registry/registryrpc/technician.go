package registryrpc

import (
	"context"
	"time"

	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry"
)

var technicianFields = settable{
	fields:  []string{"display_name", "qualifications"},
	ignored: []string{"name", "etag", "create_time", "update_time"},
}

// CreateTechnician creates a technician.
func (s *Server) CreateTechnician(ctx context.Context, req *registrypb.CreateTechnicianRequest) (*registrypb.CreateTechnicianResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var f faults
	give := technicianOf(&f, req.GetTechnicianId(), "technician.", req.GetTechnician())
	if err := f.err(); err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "CreateTechnician", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.CreateTechnicianResponse, error) {
		t, at, err := s.cases.CreateTechnician(ctx, org, now, give)
		if err != nil {
			return nil, err
		}
		return &registrypb.CreateTechnicianResponse{Technician: technicianProto(org, t), Position: position(req.GetValidateOnly(), at)}, nil
	})
}

// GetTechnician reads one technician.
func (s *Server) GetTechnician(ctx context.Context, req *registrypb.GetTechnicianRequest) (*registrypb.GetTechnicianResponse, error) {
	org, id, err := child(ctx, "name", req.GetName(), "technicians")
	if err != nil {
		return nil, err
	}
	t, err := s.store.Technician(ctx, org, id)
	if err != nil {
		return nil, err
	}
	return &registrypb.GetTechnicianResponse{Technician: technicianProto(org, t)}, nil
}

// ListTechnicians lists technicians, by id.
func (s *Server) ListTechnicians(ctx context.Context, req *registrypb.ListTechniciansRequest) (*registrypb.ListTechniciansResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var after string
	p, err := s.paging("technicians", req.GetPageSize(), req.GetPageToken(), &after, org.ID)
	if err != nil {
		return nil, err
	}
	rows, err := s.store.ListTechnicians(ctx, org, after, p.limit())
	if err != nil {
		return nil, err
	}
	rows, next, err := cut(p, rows, func(t registry.Technician) any { return t.ID })
	if err != nil {
		return nil, err
	}
	resp := &registrypb.ListTechniciansResponse{NextPageToken: next}
	for _, t := range rows {
		resp.Technicians = append(resp.Technicians, technicianProto(org, t))
	}
	return resp, nil
}

// UpdateTechnician changes the fields of the mask.
func (s *Server) UpdateTechnician(ctx context.Context, req *registrypb.UpdateTechnicianRequest) (*registrypb.UpdateTechnicianResponse, error) {
	org, id, err := child(ctx, "technician.name", req.GetTechnician().GetName(), "technicians")
	if err != nil {
		return nil, err
	}
	e, err := technicianFields.read(req.GetUpdateMask())
	if err != nil {
		return nil, err
	}
	var f faults
	give := technicianOf(&f, id, "technician.", req.GetTechnician())
	if err := f.err(); err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "UpdateTechnician", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.UpdateTechnicianResponse, error) {
		t, at, err := s.cases.UpdateTechnician(ctx, org, now, id, req.GetTechnician().GetEtag(), func(t *registry.Technician) {
			if e.has("display_name") {
				t.DisplayName = give.DisplayName
			}
			if e.has("qualifications") {
				t.Qualifications = give.Qualifications
			}
		})
		if err != nil {
			return nil, err
		}
		return &registrypb.UpdateTechnicianResponse{Technician: technicianProto(org, t), Position: position(req.GetValidateOnly(), at)}, nil
	})
}
