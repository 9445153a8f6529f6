package compliancerpc

import (
	"context"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// dueCursor is where a page of a due list ended, and the instant the first page was made for: the list does not move under
// its reader while time passes.
type dueCursor struct {
	At       time.Time  `json:"at"`
	On       civil.Date `json:"on"`
	Unit     uuid.UUID  `json:"unit"`
	Pack     string     `json:"pack"`
	Rule     string     `json:"rule"`
	Revision int64      `json:"revision"`
}

// ListDue lists clocks that are due or will be, soonest first.
func (s *Server) ListDue(ctx context.Context, req *compliancepb.ListDueRequest) (*compliancepb.ListDueResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	q := compliance.DueQuery{
		Kind: req.GetKind(), ByUsage: req.GetLimitKind() == compliancepb.LimitKind_LIMIT_KIND_USAGE, Horizon: int(req.GetHorizonDays()),
		Limit: page.Size(req.GetPageSize()),
	}
	if req.GetShop() != "" {
		if q.Shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
			return nil, err
		}
	}
	if q.At, err = asked("instant", req.GetInstant(), s.clock.Now()); err != nil {
		return nil, err
	}
	if q.Known, err = asked("known_time", req.GetKnownTime(), time.Time{}); err != nil {
		return nil, err
	}
	bound := binding("ListDue", org, req)
	if req.GetPageToken() != "" {
		var c dueCursor
		if err := s.pages.Decode(bound, req.GetPageToken(), &c); err != nil {
			return nil, err
		}
		q.At, q.After = c.At, &compliance.DueKey{On: c.On, Unit: c.Unit, Pack: c.Pack, Rule: c.Rule, Revision: c.Revision}
	}
	resp := &compliancepb.ListDueResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		rows, more, err := r.Due(ctx, q)
		if err != nil {
			return err
		}
		n := orgNaming(org, nil)
		for i := range rows {
			row := &rows[i]
			item := &compliancepb.DueItem{
				Unit: n.unit(row.Clock.Unit), AssetTag: row.Tag, Kind: row.Kind, Shop: n.shop(row.Shop), HostTag: row.HostTag,
				Clock: clockPB(&row.Clock, row.On, n, false),
			}
			if row.Host != uuid.Nil {
				item.Host = n.unit(row.Host)
			}
			resp.Items = append(resp.Items, item)
		}
		if more {
			k := rows[len(rows)-1].Key
			resp.NextPageToken, err = s.pages.Encode(bound, dueCursor{q.At, k.On, k.Unit, k.Pack, k.Rule, k.Revision})
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}
