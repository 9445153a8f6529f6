package main

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// mostApart is how many shops are asked one by one at most; of more, a day is taken for noon UTC, and a time needs its zone.
const mostApart = 50

// shopsApart returns the shops that have to be asked one by one, because the same words mean another window at each: all of the org, if no shop is given, they
// are in different time zones, and a time has none. Otherwise it is the shop that was given, or none.
func (c *clients) shopsApart(ctx context.Context, shop string, times ...string) ([]string, error) {
	local := slices.ContainsFunc(times, func(text string) bool {
		_, err := time.Parse(time.RFC3339Nano, strings.ToUpper(strings.TrimSpace(text)))
		return err != nil
	})
	if shop != "" || !local {
		return []string{shop}, nil
	}
	zone, err := c.zone(ctx, "")
	if err != nil || zone != nil {
		return []string{""}, err
	}
	all, err := c.shops(ctx)
	if err != nil || len(all) == 0 || len(all) > mostApart {
		return []string{""}, err
	}
	out := make([]string, len(all))
	for i, s := range all {
		out[i] = s.GetName()
	}
	return out, nil
}

// rank puts what is available first.
func rank(available bool) int {
	if available {
		return 0
	}
	return 1
}

// availableAt reads searches of several shops as if they were one. The answer has no position but that of the last.
func (c *clients) availableAt(ctx context.Context, reqs []*compliancepb.SearchAvailabilityRequest) ([]*compliancepb.UnitAvailability, *compliancepb.SearchAvailabilityResponse, error) {
	if len(reqs) == 1 {
		return c.available(ctx, reqs[0])
	}
	var units []*compliancepb.UnitAvailability
	sum := &compliancepb.SearchAvailabilityResponse{}
	gains := map[string]*compliancepb.Gain{}
	for _, req := range reqs {
		found, last, err := c.available(ctx, req)
		if err != nil {
			return nil, nil, err
		}
		units = append(units, found...)
		sum.AvailableCount += last.GetAvailableCount()
		sum.UnavailableCount += last.GetUnavailableCount()
		sum.Position = last.GetPosition()
		for _, g := range last.GetGains() {
			if had := gains[g.GetCleared()]; had != nil {
				had.Count += g.GetCount()
				had.Units, had.AssetTags = append(had.Units, g.GetUnits()...), append(had.AssetTags, g.GetAssetTags()...)
				continue
			}
			gains[g.GetCleared()] = g
			sum.Gains = append(sum.Gains, g)
		}
	}
	slices.SortStableFunc(units, func(a, b *compliancepb.UnitAvailability) int {
		return cmp.Or(rank(a.GetAvailable())-rank(b.GetAvailable()), strings.Compare(a.GetAssetTag(), b.GetAssetTag()))
	})
	slices.SortStableFunc(sum.Gains, func(a, b *compliancepb.Gain) int { return cmp.Compare(b.GetCount(), a.GetCount()) })
	return units, sum, nil
}
