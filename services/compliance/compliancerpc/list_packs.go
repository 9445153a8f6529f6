package compliancerpc

import (
	"context"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// ListRulePacks lists packs by id, in their last revision or in the one in force on the day of an instant.
func (s *Server) ListRulePacks(ctx context.Context, req *compliancepb.ListRulePacksRequest) (*compliancepb.ListRulePacksResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	q := compliancepg.PackQuery{}
	at, err := asked("instant", req.GetInstant(), time.Time{})
	if err != nil {
		return nil, err
	}
	if !at.IsZero() {
		q.InForce = new(civil.In(at, time.UTC))
	}
	if q.Known, err = asked("known_time", req.GetKnownTime(), time.Time{}); err != nil {
		return nil, err
	}
	bound := binding("ListRulePacks", org, req)
	if req.GetPageToken() != "" {
		if err := s.pages.Decode(bound, req.GetPageToken(), &q.After); err != nil {
			return nil, err
		}
	}
	size := page.Size(req.GetPageSize())
	q.Limit = size + 1
	resp := &compliancepb.ListRulePacksResponse{}
	_, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		revs, err := r.PackList(ctx, q)
		if err != nil {
			return err
		}
		if len(revs) > size {
			revs = revs[:size]
			if resp.NextPageToken, err = s.pages.Encode(bound, revs[size-1].ID); err != nil {
				return err
			}
		}
		for _, rev := range revs {
			out, err := packPB(org, rev)
			if err != nil {
				return err
			}
			resp.RulePacks = append(resp.RulePacks, out)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}
