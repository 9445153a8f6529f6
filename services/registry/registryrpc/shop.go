package registryrpc

import (
	"context"
	"time"

	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry"
)

var shopFields = settable{
	fields:  []string{"display_name", "time_zone", "jurisdiction"},
	ignored: []string{"name", "etag", "create_time", "update_time"},
}

// CreateShop creates a shop.
func (s *Server) CreateShop(ctx context.Context, req *registrypb.CreateShopRequest) (*registrypb.CreateShopResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	return mutate(ctx, s, org, "CreateShop", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.CreateShopResponse, error) {
		shop, at, err := s.cases.CreateShop(ctx, org, now, shopOf(req.GetShopId(), req.GetShop()))
		if err != nil {
			return nil, err
		}
		return &registrypb.CreateShopResponse{Shop: shopProto(org, shop), Position: position(req.GetValidateOnly(), at)}, nil
	})
}

// GetShop reads one shop.
func (s *Server) GetShop(ctx context.Context, req *registrypb.GetShopRequest) (*registrypb.GetShopResponse, error) {
	org, id, err := child(ctx, "name", req.GetName(), "shops")
	if err != nil {
		return nil, err
	}
	shop, err := s.store.Shop(ctx, org, id)
	if err != nil {
		return nil, err
	}
	return &registrypb.GetShopResponse{Shop: shopProto(org, shop)}, nil
}

// ListShops lists shops, by id.
func (s *Server) ListShops(ctx context.Context, req *registrypb.ListShopsRequest) (*registrypb.ListShopsResponse, error) {
	org, err := parent(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var after string
	p, err := s.paging("shops", req.GetPageSize(), req.GetPageToken(), &after, org.ID)
	if err != nil {
		return nil, err
	}
	rows, err := s.store.ListShops(ctx, org, after, p.limit())
	if err != nil {
		return nil, err
	}
	rows, next, err := cut(p, rows, func(x registry.Shop) any { return x.ID })
	if err != nil {
		return nil, err
	}
	resp := &registrypb.ListShopsResponse{NextPageToken: next}
	for _, x := range rows {
		resp.Shops = append(resp.Shops, shopProto(org, x))
	}
	return resp, nil
}

// UpdateShop changes the fields of the mask.
func (s *Server) UpdateShop(ctx context.Context, req *registrypb.UpdateShopRequest) (*registrypb.UpdateShopResponse, error) {
	org, id, err := child(ctx, "shop.name", req.GetShop().GetName(), "shops")
	if err != nil {
		return nil, err
	}
	e, err := shopFields.read(req.GetUpdateMask())
	if err != nil {
		return nil, err
	}
	give := shopOf(id, req.GetShop())
	return mutate(ctx, s, org, "UpdateShop", req.GetValidateOnly(), req, func(ctx context.Context, now time.Time) (*registrypb.UpdateShopResponse, error) {
		shop, at, err := s.cases.UpdateShop(ctx, org, now, id, req.GetShop().GetEtag(), func(x *registry.Shop) {
			if e.has("display_name") {
				x.DisplayName = give.DisplayName
			}
			if e.has("time_zone") {
				x.TimeZone = give.TimeZone
			}
			if e.has("jurisdiction") {
				x.Jurisdiction = give.Jurisdiction
			}
		})
		if err != nil {
			return nil, err
		}
		return &registrypb.UpdateShopResponse{Shop: shopProto(org, shop), Position: position(req.GetValidateOnly(), at)}, nil
	})
}
