package historyrpc

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/history"
)

// asker is what is asked of the registry.
type asker interface {
	BatchGetUnits(ctx context.Context, in *registrypb.BatchGetUnitsRequest, opts ...grpc.CallOption) (*registrypb.BatchGetUnitsResponse, error)
	ListShops(ctx context.Context, in *registrypb.ListShopsRequest, opts ...grpc.CallOption) (*registrypb.ListShopsResponse, error)
	GetShop(ctx context.Context, in *registrypb.GetShopRequest, opts ...grpc.CallOption) (*registrypb.GetShopResponse, error)
	GetTechnician(ctx context.Context, in *registrypb.GetTechnicianRequest, opts ...grpc.CallOption) (*registrypb.GetTechnicianResponse, error)
}

// registry is history.Registry over gRPC.
type registry struct{ client asker }

var _ history.Registry = registry{}

// Units asks once if all the units exist. If not, it halves the question until it knows which do not.
func (r registry) Units(ctx context.Context, org tenant.Org, ids []uuid.UUID) (map[uuid.UUID]history.Unit, error) {
	out := make(map[uuid.UUID]history.Unit, len(ids))
	return out, r.collect(ctx, org, ids, out)
}

func (r registry) collect(ctx context.Context, org tenant.Org, ids []uuid.UUID, out map[uuid.UUID]history.Unit) error {
	req := &registrypb.BatchGetUnitsRequest{Parent: org.Name(), Names: make([]string, len(ids))}
	prefix := org.Name() + "/units/"
	for i, id := range ids {
		req.Names[i] = prefix + id.String()
	}
	resp, err := r.client.BatchGetUnits(ctx, req)
	switch {
	case status.Code(err) == codes.NotFound && len(ids) == 1:
		return nil
	case status.Code(err) == codes.NotFound:
		half := len(ids) / 2
		if err := r.collect(ctx, org, ids[:half], out); err != nil {
			return err
		}
		return r.collect(ctx, org, ids[half:], out)
	case err != nil:
		return unavailable(ctx, err)
	}
	if len(resp.GetUnits()) != len(ids) {
		return garbled(fmt.Errorf("%d units in answer to %d", len(resp.GetUnits()), len(ids)))
	}
	shops := map[string]string{}        // names repeat; so does what is cut from them
	for i, u := range resp.GetUnits() { // in the order asked
		if u.GetName() != req.Names[i] {
			return garbled(fmt.Errorf("%s in answer to %s", u.GetName(), req.Names[i]))
		}
		if out[ids[i]], err = unitOf(org, u, shops); err != nil {
			return garbled(err)
		}
	}
	return nil
}

func unitOf(org tenant.Org, p *registrypb.Unit, shops map[string]string) (u history.Unit, err error) {
	if d := p.GetCommissionDate(); d != nil {
		if u.Commissioned, err = civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay())); err != nil {
			return u, err
		}
	}
	if p.GetState() == registrypb.Unit_STATE_RETIRED {
		if p.GetRetireTime() == nil {
			return u, fmt.Errorf("%s is retired at no time", p.GetName())
		}
		u.Retired = p.GetRetireTime().AsTime()
	}
	u.Kind = p.GetKind()
	if p.GetModel() != "" {
		if u.Model, err = resname.Part(org, "model", p.GetModel(), "models"); err != nil {
			return u, err
		}
	}
	shop := func(name string) (string, error) {
		if s, ok := shops[name]; ok {
			return s, nil
		}
		s, err := resname.Part(org, "shop", name, "shops")
		shops[name] = s
		return s, err
	}
	for _, place := range p.GetPlacements() {
		s, err := shop(place.GetShop())
		if err != nil {
			return u, err
		}
		u.Shops = append(u.Shops, s)
	}
	present, err := shop(p.GetShop())
	if err != nil {
		return u, err
	}
	if len(u.Shops) == 0 || u.Shops[len(u.Shops)-1] != present {
		u.Shops = append(u.Shops, present)
	}
	return u, nil
}

// Shops reads the org's shops until it has seen all that are asked for.
func (r registry) Shops(ctx context.Context, org tenant.Org, ids []string) (map[string]*time.Location, error) {
	out := make(map[string]*time.Location, len(ids))
	for token := ""; ; {
		resp, err := r.client.ListShops(ctx, &registrypb.ListShopsRequest{Parent: org.Name(), PageSize: 1000, PageToken: token})
		if err != nil {
			return nil, unavailable(ctx, err)
		}
		for _, p := range resp.GetShops() {
			id, err := resname.Part(org, "shops", p.GetName(), "shops")
			if err != nil {
				return nil, garbled(err)
			}
			if !slices.Contains(ids, id) {
				continue
			}
			zone, err := time.LoadLocation(p.GetTimeZone())
			if err != nil {
				return nil, garbled(err)
			}
			out[id] = zone
		}
		token = resp.GetNextPageToken()
		if token == "" || len(out) == len(ids) {
			return out, nil
		}
	}
}

// unavailable is the answer when the registry cannot be asked, whatever the reason: nothing is written then.
func unavailable(ctx context.Context, err error) error {
	switch ctx.Err() {
	case context.DeadlineExceeded:
		return errs.New(errs.Deadline, "DEADLINE_EXCEEDED", "the deadline passed before the registry had answered").Because(err)
	case context.Canceled:
		return errs.New(errs.Canceled, "CANCELLED", "the caller went away").Because(err)
	}
	return errs.New(errs.Unavailable, "UNAVAILABLE", "the registry cannot be asked, so nothing was written; try again").Because(err)
}

// garbled is the answer when the registry's makes no sense.
func garbled(err error) error {
	return errs.New(errs.Unavailable, "UNAVAILABLE", "the registry's answer makes no sense, so nothing was written").Because(err)
}
