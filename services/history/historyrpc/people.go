package historyrpc

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/history/order"
	"strandline.example/strandline/services/history/work"
)

var _ work.Registry = registry{}

// Place asks for a shop.
func (r registry) Place(ctx context.Context, org tenant.Org, shop string) (out work.Place, err error) {
	name := resname.ShopName(org, shop)
	resp, err := r.client.GetShop(ctx, &registrypb.GetShopRequest{Name: name})
	if status.Code(err) == codes.NotFound {
		return out, errs.Missing(name)
	}
	if err != nil {
		return out, unavailable(ctx, err)
	}
	p := resp.GetShop()
	if p.GetName() != name {
		return out, garbled(fmt.Errorf("%s in answer to %s", p.GetName(), name))
	}
	out.Jurisdiction = p.GetJurisdiction()
	if out.Zone, err = time.LoadLocation(p.GetTimeZone()); err != nil {
		return out, garbled(err)
	}
	return out, nil
}

// Technician asks for a technician.
func (r registry) Technician(ctx context.Context, org tenant.Org, id string) (out work.Technician, err error) {
	name := resname.TechnicianName(org, id)
	resp, err := r.client.GetTechnician(ctx, &registrypb.GetTechnicianRequest{Name: name})
	if status.Code(err) == codes.NotFound {
		return out, errs.Missing(name)
	}
	if err != nil {
		return out, unavailable(ctx, err)
	}
	t := resp.GetTechnician()
	if t.GetName() != name {
		return out, garbled(fmt.Errorf("%s in answer to %s", t.GetName(), name))
	}
	out.Name = t.GetDisplayName()
	for _, q := range t.GetQualifications() {
		one := work.Qualification{
			Qualification: order.Qualification{Activity: q.GetActivity(), Kind: q.GetKind()},
			Message:       &historypb.SignerQualification{Activity: q.GetActivity(), Kind: q.GetKind(), Issuer: q.GetIssuer(), ValidFromDate: q.GetValidFromDate(), ValidThroughDate: q.GetValidThroughDate()},
		}
		if one.From, err = markOf(q.GetValidFromDate()); err == nil {
			one.Through, err = markOf(q.GetValidThroughDate())
		}
		if err != nil {
			return out, garbled(err)
		}
		out.Qualifications = append(out.Qualifications, one)
	}
	return out, nil
}

func markOf(d *date.Date) (civil.Mark, error) {
	if d == nil {
		return civil.Mark{}, nil
	}
	return civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
}
