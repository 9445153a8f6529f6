package compliancerpc

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// candidate is a unit an availability question is about, and its answer.
type candidate struct {
	*promise.Unit
	available bool
}

// availabilityCursor is the last unit of a page.
type availabilityCursor struct {
	Unavailable bool      `json:"no"`
	Tag         string    `json:"tag"`
	Unit        uuid.UUID `json:"unit"`
}

func (c *candidate) cursor() availabilityCursor {
	return availabilityCursor{!c.available, c.Tag, c.ID}
}

// compare orders those available first, each group by tag.
func (c availabilityCursor) compare(o availabilityCursor) int {
	if c.Unavailable != o.Unavailable {
		if o.Unavailable {
			return -1
		}
		return 1
	}
	return cmp.Or(strings.Compare(c.Tag, o.Tag), bytes.Compare(c.Unit[:], o.Unit[:]))
}

// SearchAvailability says which units may be promised for a window, and why the others may not.
func (s *Server) SearchAvailability(ctx context.Context, req *compliancepb.SearchAvailabilityRequest) (*compliancepb.SearchAvailabilityResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var shop string
	if req.GetShop() != "" {
		if shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
			return nil, err
		}
	}
	start, err := asked("start_time", req.GetStartTime(), time.Time{})
	if err != nil {
		return nil, err
	}
	end, err := asked("end_time", req.GetEndTime(), time.Time{})
	if err != nil {
		return nil, err
	}
	if !end.After(start) {
		return nil, errs.Field("end_time", end.Format(time.RFC3339), "must be after start_time, "+start.Format(time.RFC3339))
	}
	w := promise.Window{Start: start, End: end}
	expected := due.Amount{Dives: req.GetExpectedDives(), Hours: req.GetExpectedRunningTime().AsDuration(), Fills: req.GetExpectedFills()}
	bound := func() string { return binding("SearchAvailability", org, req) }
	var after *availabilityCursor
	if req.GetPageToken() != "" {
		after = &availabilityCursor{}
		if err := s.pages.Decode(bound(), req.GetPageToken(), after); err != nil {
			return nil, err
		}
	}
	q := compliance.PromiseQuery{Shop: shop, At: w.Start, Now: s.clock.Now()}
	if req.GetKind() != "" {
		q.Kinds = []string{req.GetKind()}
	}
	if req.GetSize() != "" {
		q.Sizes = []string{req.GetSize()}
	}
	var resp *compliancepb.SearchAvailabilityResponse
	position, err := s.search(ctx, org, req.GetAtLeast(), q, func(ctx context.Context, f *compliancepg.Found) error {
		resp = &compliancepb.SearchAvailabilityResponse{}
		units := f.Units
		available, err := f.Judge(ctx, w, expected)
		if err != nil {
			return err
		}
		all := make([]candidate, 0, len(units)) // those available first, each group by tag
		for _, which := range []bool{true, false} {
			for i, u := range units {
				if available[i] == which {
					all = append(all, candidate{u, which})
				}
			}
			if which {
				resp.AvailableCount = int64(len(all))
			}
		}
		resp.UnavailableCount = int64(len(all)) - resp.AvailableCount
		if req.GetExplain() {
			if resp.Gains, err = gains(ctx, f, org, all[resp.AvailableCount:], w, expected, q.Now); err != nil {
				return err
			}
		}
		if after != nil {
			all = all[upTo(all, *after):]
		}
		if size := page.Size(req.GetPageSize()); len(all) > size {
			all = all[:size]
			if resp.NextPageToken, err = s.pages.Encode(bound(), all[size-1].cursor()); err != nil {
				return err
			}
		}
		resp.Units, err = availabilityPB(ctx, f, org, all, w, expected)
		return err
	})
	if err != nil {
		return nil, err
	}
	if shop != "" && resp.GetAvailableCount()+resp.GetUnavailableCount() == 0 {
		if err := s.wantShop(ctx, org, shop); err != nil {
			return nil, err
		}
	}
	resp.Position = position
	return resp, nil
}

// wantShop fails if there is no such shop: where it has nothing, it may be misspelt.
func (s *Server) wantShop(ctx context.Context, org tenant.Org, shop string) error {
	return s.store.Read(ctx, org, func(ctx context.Context, r *compliancepg.Reader) error {
		shops, err := r.Shops(ctx)
		if err != nil {
			return err
		}
		if _, ok := shops[shop]; !ok {
			return errs.Missing(resname.ShopName(org, shop))
		}
		return nil
	})
}

// availabilityPB returns the messages of units. Why the others may not be promised is worked out for these alone.
func availabilityPB(ctx context.Context, f *compliancepg.Found, org tenant.Org, all []candidate, w promise.Window, expected due.Amount) ([]*compliancepb.UnitAvailability, error) {
	var refused []*promise.Unit
	for _, c := range all {
		if !c.available {
			refused = append(refused, c.Unit)
		}
	}
	_, reasons, err := f.Against(ctx, refused, w, expected)
	if err != nil {
		return nil, err
	}
	n, err := namingFor(ctx, f, org, reasons)
	if err != nil {
		return nil, err
	}
	out := make([]*compliancepb.UnitAvailability, len(all))
	next := 0
	for i, c := range all {
		u := &compliancepb.UnitAvailability{Unit: n.unit(c.ID), AssetTag: c.Tag, Kind: c.Kind, Size: c.Size, Shop: n.shop(c.Shop), Available: c.available}
		if !c.available {
			for k := range reasons[next] {
				u.Reasons = append(u.Reasons, reasonPB(&reasons[next][k], n))
			}
			next++
		}
		out[i] = u
	}
	return out, nil
}

// namingFor names an org's resources, with the tags that the sentences of reasons need.
func namingFor(ctx context.Context, f *compliancepg.Found, org tenant.Org, reasons [][]due.Reason) (naming, error) {
	var ids []uuid.UUID
	for _, all := range reasons {
		for i := range all {
			if all[i].Host != uuid.Nil {
				ids = append(ids, all[i].Host)
			}
		}
	}
	tags, err := f.Tags(ctx, ids)
	return orgNaming(org, func(u uuid.UUID) string {
		if tag, ok := tags[u]; ok {
			return tag
		}
		return resname.UnitName(org, u)
	}), err
}

// gains works out what would be gained where one thing is cleared. Units that are promised to others are left out: clearing frees none of them.
func gains(ctx context.Context, f *compliancepg.Found, org tenant.Org, refused []candidate, w promise.Window, expected due.Amount, now time.Time) ([]*compliancepb.Gain, error) {
	var units []*promise.Unit
	for _, c := range refused {
		if _, taken := c.Taken(w, now, uuid.Nil); !taken {
			units = append(units, c.Unit)
		}
	}
	sets, reasons, err := f.Against(ctx, units, w, expected)
	if err != nil {
		return nil, err
	}
	g := compliance.Gains{At: now, Window: w, Expected: expected}
	for i, u := range units {
		g.Add(u, sets[i], reasons[i])
	}
	var out []*compliancepb.Gain
	for _, gain := range g.List() {
		pb := &compliancepb.Gain{Title: gain.Title, Count: gain.Count, AssetTags: gain.Tags}
		switch {
		case gain.Rule != "":
			pb.Cleared = resname.RuleName(org, gain.Pack, gain.Rule)
		case gain.Recall != "":
			pb.Cleared = resname.RecallName(org, gain.Recall)
		default:
			pb.Cleared = resname.HoldName(org, gain.Held, gain.Hold)
		}
		for _, id := range gain.Units {
			pb.Units = append(pb.Units, resname.UnitName(org, id))
		}
		out = append(out, pb)
	}
	return out, nil
}

// upTo returns how many of the sorted candidates come up to a cursor and at it.
func upTo(all []candidate, after availabilityCursor) int {
	n, found := slices.BinarySearchFunc(all, after, func(c candidate, k availabilityCursor) int { return c.cursor().compare(k) })
	if found {
		n++
	}
	return n
}
