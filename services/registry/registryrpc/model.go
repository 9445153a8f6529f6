package registryrpc

import (
	"context"
	"time"

	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry"
)

var modelFields = settable{
	fields:  []string{"display_name", "kind", "maker", "size", "attributes"},
	maps:    []string{"attributes"},
	ignored: []string{"name", "etag", "create_time", "update_time"},
}

// CreateModel creates a model.
func (s *Server) CreateModel(ctx context.Context, req *registrypb.CreateModelRequest) (*registrypb.CreateModelResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "CreateModel", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.CreateModelResponse, error) {
		m, at, err := s.cases.CreateModel(ctx, org, now, modelOf(req.GetModelId(), req.GetModel()))
		if err != nil {
			return nil, err
		}
		return &registrypb.CreateModelResponse{Model: modelProto(org, m), Position: position(req.GetValidateOnly(), at)}, nil
	})
}

// GetModel reads one model.
func (s *Server) GetModel(ctx context.Context, req *registrypb.GetModelRequest) (*registrypb.GetModelResponse, error) {
	org, id, err := child(ctx, "name", req.GetName(), "models")
	if err != nil {
		return nil, err
	}
	m, err := s.store.Model(ctx, org, id)
	if err != nil {
		return nil, err
	}
	return &registrypb.GetModelResponse{Model: modelProto(org, m)}, nil
}

// modelFilter is what ListModels can be filtered by.
var modelFilter = filterFields{"kind": plain, "maker": plain, "size": plain}

// ListModels lists models, by id.
func (s *Server) ListModels(ctx context.Context, req *registrypb.ListModelsRequest) (*registrypb.ListModelsResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	filter, err := modelFilter.parse(org, req.GetFilter())
	if err != nil {
		return nil, err
	}
	var after string
	p, err := s.paging("models", req.GetPageSize(), req.GetPageToken(), &after, org.ID, req.GetFilter())
	if err != nil {
		return nil, err
	}
	rows, err := s.store.ListModels(ctx, org, filter, after, p.limit())
	if err != nil {
		return nil, err
	}
	rows, next, err := cut(p, rows, func(m registry.Model) any { return m.ID })
	if err != nil {
		return nil, err
	}
	return &registrypb.ListModelsResponse{Models: modelProtos(org, rows), NextPageToken: next}, nil
}

func modelProtos(org tenant.Org, rows []registry.Model) (out []*registrypb.Model) {
	for _, m := range rows {
		out = append(out, modelProto(org, m))
	}
	return out
}

// UpdateModel changes the fields of the mask.
func (s *Server) UpdateModel(ctx context.Context, req *registrypb.UpdateModelRequest) (*registrypb.UpdateModelResponse, error) {
	org, id, err := child(ctx, "model.name", req.GetModel().GetName(), "models")
	if err != nil {
		return nil, err
	}
	e, err := modelFields.read(req.GetUpdateMask())
	if err != nil {
		return nil, err
	}
	give := modelOf(id, req.GetModel())
	return mutate(ctx, s, org, "UpdateModel", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.UpdateModelResponse, error) {
		m, at, err := s.cases.UpdateModel(ctx, org, now, id, req.GetModel().GetEtag(), func(m *registry.Model) {
			if e.has("display_name") {
				m.DisplayName = give.DisplayName
			}
			if e.has("kind") {
				m.Kind = give.Kind
			}
			if e.has("maker") {
				m.Maker = give.Maker
			}
			if e.has("size") {
				m.Size = give.Size
			}
			e.apply("attributes", &m.Attributes, give.Attributes)
		})
		if err != nil {
			return nil, err
		}
		return &registrypb.UpdateModelResponse{Model: modelProto(org, m), Position: position(req.GetValidateOnly(), at)}, nil
	})
}
