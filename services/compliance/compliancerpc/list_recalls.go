package compliancerpc

import (
	"context"
	"sort"

	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// PreviewRecall says what a recall would hold. Every page looks through the units of the kinds, or with parts of the lots, that it is about.
func (s *Server) PreviewRecall(ctx context.Context, req *compliancepb.PreviewRecallRequest) (*compliancepb.PreviewRecallResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	d, err := recallOf(req.GetRecall())
	if err != nil {
		return nil, err
	}
	bound := binding("PreviewRecall", org, req)
	var after *compliance.RecalledKey
	at := s.clock.Now()
	if req.GetPageToken() != "" {
		var c recalledCursor
		if err := s.pages.Decode(bound, req.GetPageToken(), &c); err != nil {
			return nil, err
		}
		at, after = c.At, &compliance.RecalledKey{Shop: c.Shop, Tag: c.Tag, Unit: c.Unit}
	} else if _, err := s.applier.Pull(ctx, org); err != nil {
		return nil, err
	}
	resp := &compliancepb.PreviewRecallResponse{}
	resp.Position, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		all, err := r.Covered(ctx, &d, at)
		if err != nil {
			return err
		}
		resp.UnitCount, resp.Units = int64(len(all)), nil
		first := 0
		if after != nil {
			first = sort.Search(len(all), func(i int) bool { return all[i].Key().Compare(*after) > 0 })
		}
		last := min(len(all), first+page.Size(req.GetPageSize()))
		for i := first; i < last; i++ {
			resp.Units = append(resp.Units, recalledPB(org, &all[i]))
		}
		if last < len(all) {
			k := all[last-1].Key()
			resp.NextPageToken, err = s.pages.Encode(bound, recalledCursor{at, k.Shop, k.Tag, k.Unit})
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// GetRecall reads a recall and how far it has come.
func (s *Server) GetRecall(ctx context.Context, req *compliancepb.GetRecallRequest) (*compliancepb.GetRecallResponse, error) {
	org, id, err := recallName(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	resp := &compliancepb.GetRecallResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		rec, p, err := r.Recall(ctx, id, s.clock.Now())
		if err != nil {
			return err
		}
		resp.Progress = progressPB(p)
		resp.Recall, err = recallPB(org, &rec)
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// ListRecalls lists recalls, the last opened first.
func (s *Server) ListRecalls(ctx context.Context, req *compliancepb.ListRecallsRequest) (*compliancepb.ListRecallsResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	q := compliance.RecallQuery{Ended: req.GetIncludeEnded(), Limit: page.Size(req.GetPageSize())}
	bound := binding("ListRecalls", org, req)
	if req.GetPageToken() != "" {
		var c recallCursor
		if err := s.pages.Decode(bound, req.GetPageToken(), &c); err != nil {
			return nil, err
		}
		q.After = &compliance.RecallKey{Opened: c.Opened, ID: c.ID}
	}
	resp := &compliancepb.ListRecallsResponse{}
	_, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		all, more, err := r.Recalls(ctx, q)
		if err != nil {
			return err
		}
		resp.Recalls = nil
		at := s.clock.Now()
		for i := range all {
			_, p, err := r.Recall(ctx, all[i].ID, at)
			if err != nil {
				return err
			}
			out, err := recallPB(org, &all[i])
			if err != nil {
				return err
			}
			resp.Recalls = append(resp.Recalls, &compliancepb.RecallSummary{Recall: out, Progress: progressPB(p)})
		}
		if more {
			last := &all[len(all)-1]
			resp.NextPageToken, err = s.pages.Encode(bound, recallCursor{last.Opened, last.ID})
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// ListRecalledUnits lists the units that a recall covers.
func (s *Server) ListRecalledUnits(ctx context.Context, req *compliancepb.ListRecalledUnitsRequest) (*compliancepb.ListRecalledUnitsResponse, error) {
	org, id, err := recallName(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	q := compliance.RecalledQuery{Recall: id, Held: req.GetHeld(), At: s.clock.Now(), Limit: page.Size(req.GetPageSize())}
	if req.GetShop() != "" {
		if q.Shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
			return nil, err
		}
	}
	bound := binding("ListRecalledUnits", org, req)
	if req.GetPageToken() != "" {
		var c recalledCursor
		if err := s.pages.Decode(bound, req.GetPageToken(), &c); err != nil {
			return nil, err
		}
		q.At, q.After = c.At, &compliance.RecalledKey{Shop: c.Shop, Tag: c.Tag, Unit: c.Unit}
	}
	resp := &compliancepb.ListRecalledUnitsResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		units, more, err := r.RecalledUnits(ctx, q)
		if err != nil {
			return err
		}
		resp.Units = nil
		for i := range units {
			resp.Units = append(resp.Units, recalledPB(org, &units[i]))
		}
		if more {
			k := units[len(units)-1].Key()
			resp.NextPageToken, err = s.pages.Encode(bound, recalledCursor{q.At, k.Shop, k.Tag, k.Unit})
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}
