package compliancerpc

import (
	"context"
	"maps"
	"slices"
	"time"

	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// defaultHorizon is how many days ahead a summary counts.
const defaultHorizon = 30

// SummarizeFleet counts the fleet per shop and kind.
func (s *Server) SummarizeFleet(ctx context.Context, req *compliancepb.SummarizeFleetRequest) (*compliancepb.SummarizeFleetResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	at, err := asked("instant", req.GetInstant(), s.clock.Now())
	if err != nil {
		return nil, err
	}
	known, err := asked("known_time", req.GetKnownTime(), time.Time{})
	if err != nil {
		return nil, err
	}
	horizon := int(req.GetHorizonDays())
	if horizon == 0 {
		horizon = defaultHorizon
	}
	resp := &compliancepb.SummarizeFleetResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		counts, shops, err := r.Fleet(ctx, at, known, horizon)
		if err != nil {
			return err
		}
		resp.Org, resp.Shops = summary(counts, func(compliance.CountKey) bool { return true }), nil
		for _, id := range slices.Sorted(maps.Keys(shops)) {
			sum := summary(counts, func(k compliance.CountKey) bool { return k.Shop == id })
			sum.Shop, sum.DisplayName = resname.ShopName(org, id), shops[id].Name
			resp.Shops = append(resp.Shops, sum)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// summary adds up what is in: all kinds together, and each.
func summary(counts map[compliance.CountKey]compliance.Counts, in func(compliance.CountKey) bool) *compliancepb.ShopSummary {
	var all compliance.Counts
	kinds := map[string]compliance.Counts{}
	for k, c := range counts {
		if in(k) {
			all.Add(c)
			sum := kinds[k.Kind]
			sum.Add(c)
			kinds[k.Kind] = sum
		}
	}
	out := &compliancepb.ShopSummary{Counts: countsPB(all)}
	for _, kind := range slices.Sorted(maps.Keys(kinds)) {
		out.Kinds = append(out.Kinds, &compliancepb.ShopSummary_KindCounts{Kind: kind, Counts: countsPB(kinds[kind])})
	}
	return out
}

func countsPB(c compliance.Counts) *compliancepb.FleetCounts {
	return &compliancepb.FleetCounts{
		Units: c.Units, Fitted: c.Fitted, Ready: c.Ready, Pulled: c.Pulled, OverdueByDate: c.OverdueByDate, DueByUsage: c.DueByUsage, DueWithin: c.DueWithin,
	}
}
