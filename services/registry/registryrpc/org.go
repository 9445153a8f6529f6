package registryrpc

import (
	"context"
	"time"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry"
)

// CreateOrg creates an org. The caller is an operator, whose token has no org.
func (s *Server) CreateOrg(ctx context.Context, req *registrypb.CreateOrgRequest) (*registrypb.CreateOrgResponse, error) {
	org, ok := tenant.New(req.GetOrgId())
	if !ok {
		return nil, errs.Field("org_id", req.GetOrgId(), "want 1 to 40 lower-case letters, digits and hyphens, no hyphen at either end")
	}
	return mutate(ctx, s, org, "CreateOrg", false, req, func(ctx context.Context, now time.Time) (*registrypb.CreateOrgResponse, error) {
		o, at, err := s.cases.CreateOrg(ctx, org, now, registry.Org{DisplayName: req.GetOrg().GetDisplayName()})
		if err != nil {
			return nil, err
		}
		return &registrypb.CreateOrgResponse{Org: orgProto(o), Position: position(false, at)}, nil
	})
}

// GetOrg reads the org of the token.
func (s *Server) GetOrg(ctx context.Context, req *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
	org, err := parent(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	o, err := s.store.Org(ctx, org)
	if err != nil {
		return nil, err
	}
	return &registrypb.GetOrgResponse{Org: orgProto(o)}, nil
}

// ListOrgs lists all orgs, by id.
func (s *Server) ListOrgs(ctx context.Context, req *registrypb.ListOrgsRequest) (*registrypb.ListOrgsResponse, error) {
	var after string
	p, err := s.paging("orgs", req.GetPageSize(), req.GetPageToken(), &after)
	if err != nil {
		return nil, err
	}
	rows, err := s.store.Orgs(ctx, after, p.limit())
	if err != nil {
		return nil, err
	}
	rows, next, err := cut(p, rows, func(o registry.Org) any { return o.ID })
	if err != nil {
		return nil, err
	}
	resp := &registrypb.ListOrgsResponse{NextPageToken: next}
	for _, o := range rows {
		resp.Orgs = append(resp.Orgs, orgProto(o))
	}
	return resp, nil
}
