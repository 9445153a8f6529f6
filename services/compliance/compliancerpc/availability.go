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
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// candidate is a unit an availability question is about, and its answer. What is promised or handed out already will be
// further reasons, once there are allocations.
type candidate struct {
	set     *compliance.Set
	reasons []due.Reason
}

// availabilityCursor is the last unit of a page.
type availabilityCursor struct {
	Unavailable bool      `json:"no"`
	Tag         string    `json:"tag"`
	Unit        uuid.UUID `json:"unit"`
}

func (c *candidate) cursor() availabilityCursor {
	return availabilityCursor{len(c.reasons) > 0, c.set.Tag, c.set.Unit}
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
	expected := due.Amount{Dives: req.GetExpectedDives(), Hours: req.GetExpectedRunningTime().AsDuration(), Fills: req.GetExpectedFills()}
	bound := binding("SearchAvailability", org, req)
	var after *availabilityCursor
	if req.GetPageToken() != "" {
		after = &availabilityCursor{}
		if err := s.pages.Decode(bound, req.GetPageToken(), after); err != nil {
			return nil, err
		}
	}
	resp := &compliancepb.SearchAvailabilityResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		ids, err := r.Candidates(ctx, req.GetKind(), req.GetSize(), shop, start)
		if err != nil {
			return err
		}
		sets, err := r.Sets(ctx, ids, start)
		if err != nil {
			return err
		}
		all := make([]candidate, len(sets))
		for i, set := range sets {
			all[i] = candidate{set, set.Window(start, end, expected)}
			if len(all[i].reasons) == 0 {
				resp.AvailableCount++
			} else {
				resp.UnavailableCount++
			}
		}
		slices.SortFunc(all, func(a, b candidate) int { return a.cursor().compare(b.cursor()) })
		if after != nil {
			all = all[upTo(all, *after):]
		}
		more := len(all) > page.Size(req.GetPageSize())
		if more {
			all = all[:page.Size(req.GetPageSize())]
			if resp.NextPageToken, err = s.pages.Encode(bound, all[len(all)-1].cursor()); err != nil {
				return err
			}
		}
		shown := make([]*compliance.Set, len(all))
		for i := range all {
			shown[i] = all[i].set
		}
		n, err := namingOf(ctx, r, org, time.Time{}, shown...)
		if err != nil {
			return err
		}
		for _, c := range all {
			u := &compliancepb.UnitAvailability{
				Unit: n.unit(c.set.Unit), AssetTag: c.set.Tag, Kind: c.set.Kind, Size: c.set.Size, Shop: n.shop(c.set.Self.Stay.Shop), Available: len(c.reasons) == 0,
			}
			for i := range c.reasons {
				u.Reasons = append(u.Reasons, reasonPB(&c.reasons[i], n))
			}
			resp.Units = append(resp.Units, u)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// upTo returns how many of the sorted candidates come up to a cursor and at it.
func upTo(all []candidate, after availabilityCursor) int {
	n, found := slices.BinarySearchFunc(all, after, func(c candidate, k availabilityCursor) int { return c.cursor().compare(k) })
	if found {
		n++
	}
	return n
}
