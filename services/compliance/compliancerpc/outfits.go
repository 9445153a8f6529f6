package compliancerpc

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// SearchOutfits says how many whole outfits can be had for a window at a shop, or at each, and what else could be done.
func (s *Server) SearchOutfits(ctx context.Context, req *compliancepb.SearchOutfitsRequest) (*compliancepb.SearchOutfitsResponse, error) {
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
	w, err := windowOf(req.GetStartTime(), req.GetEndTime())
	if err != nil {
		return nil, err
	}
	wants, err := wantsOf(org, req.GetOutfits())
	if err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp := &compliancepb.SearchOutfitsResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		resp.Shops, resp.Alternatives = nil, nil
		q := &outfitSearch{r: r, org: org, now: now, wants: wants, perDay: req.GetDivesPerDay()}
		if err := q.prepare(ctx, shop); err != nil {
			return err
		}
		units, err := r.PromiseUnits(ctx, compliance.PromiseQuery{Kinds: q.kinds, Shop: shop, At: w.Start, Now: now})
		if err != nil {
			return err
		}
		byShop := map[string][]*promise.Unit{}
		for _, u := range units {
			byShop[u.Shop] = append(byShop[u.Shop], u)
		}
		for _, id := range q.asked(shop) {
			st, err := q.stock(ctx, byShop[id], w, q.expected(id, w))
			if err != nil {
				return err
			}
			out, err := q.answer(ctx, id, st, req.GetAlternatives())
			if err != nil {
				return err
			}
			resp.Shops = append(resp.Shops, out)
		}
		slices.SortStableFunc(resp.Shops, func(a, b *compliancepb.OutfitAvailability) int {
			switch {
			case a.GetAvailable() == b.GetAvailable():
				return 0
			case a.GetAvailable():
				return -1
			}
			return 1
		})
		if shop != "" && req.GetAlternatives() && !resp.GetShops()[0].GetAvailable() {
			resp.Alternatives, err = q.alternatives(ctx, shop, w)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// outfitSearch is a question for outfits within one snapshot.
type outfitSearch struct {
	r      *compliancepg.Reader
	org    tenant.Org
	now    time.Time
	wants  []promise.Want
	perDay int64 // dives

	kinds []string
	shops map[string]compliance.Shop
	named map[uuid.UUID]*promise.Unit // that are asked for by name, wherever they are
}

// prepare reads the shops, and the units that are asked for by name.
func (q *outfitSearch) prepare(ctx context.Context, shop string) (err error) {
	if q.shops, err = q.r.Shops(ctx); err != nil {
		return err
	}
	if _, ok := q.shops[shop]; shop != "" && !ok {
		return errs.Missing(resname.ShopName(q.org, shop))
	}
	var named []uuid.UUID
	for i := range q.wants {
		if w := &q.wants[i]; w.Unit != uuid.Nil {
			named = append(named, w.Unit)
		}
		if !slices.Contains(q.kinds, q.wants[i].Kind) {
			q.kinds = append(q.kinds, q.wants[i].Kind)
		}
	}
	if q.named = map[uuid.UUID]*promise.Unit{}; len(named) == 0 {
		return nil
	}
	units, err := q.r.PromiseUnits(ctx, compliance.PromiseQuery{Units: named, Now: q.now})
	if err != nil {
		return err
	}
	for _, u := range units {
		q.named[u.ID] = u
	}
	for i := range q.wants {
		w := &q.wants[i]
		if w.Unit == uuid.Nil {
			continue
		}
		switch u := q.named[w.Unit]; {
		case u == nil:
			return errs.Missing(resname.UnitName(q.org, w.Unit))
		case u.Kind != w.Kind || w.Size != "" && u.Size != w.Size:
			return errs.Field("outfits.items.unit", resname.UnitName(q.org, w.Unit),
				fmt.Sprintf("%s is a %s of size %q; ask for it as that, or leave size empty", u.Tag, u.Kind, u.Size))
		}
	}
	return nil
}

// asked returns the shops that the question is about, in order.
func (q *outfitSearch) asked(shop string) []string {
	if shop != "" {
		return []string{shop}
	}
	return slices.Sorted(maps.Keys(q.shops))
}

// expected returns what use of each unit is expected in a window at a shop: so many dives on each day there that the window touches.
func (q *outfitSearch) expected(shop string, w promise.Window) due.Amount {
	first, last := w.Days(compliancepg.ZoneOf(q.shops[shop]))
	return due.Amount{Dives: q.perDay * int64(last-first+1)}
}

// outfitStock is what some units come to for a window.
type outfitStock struct {
	window   promise.Window
	expected due.Amount
	units    []*promise.Unit
	free     []*promise.Unit
	refused  []*promise.Unit
	choices  []promise.Choice // nil if not everything can be had
}

// stock judges units for a window, and chooses among them. As an allocation would, it takes units whose history must be asked only if the
// others do not suffice.
func (q *outfitSearch) stock(ctx context.Context, units []*promise.Unit, w promise.Window, expected due.Amount) (*outfitStock, error) {
	s := &outfitStock{window: w, expected: expected, units: units}
	available, err := q.r.Judge(ctx, units, w, expected, q.now, nil)
	if err != nil {
		return nil, err
	}
	var sure []*promise.Unit
	for i, u := range units {
		switch {
		case !available[i]:
			s.refused = append(s.refused, u)
			continue
		case u.For(w, expected, q.now, uuid.Nil) == promise.Yes:
			sure = append(sure, u)
		}
		s.free = append(s.free, u)
	}
	var lacks []promise.Lack
	if s.choices, lacks = promise.Fit(q.wants, sure, expected, w); lacks != nil && len(sure) < len(s.free) {
		s.choices, _ = promise.Fit(q.wants, s.free, expected, w)
	}
	return s, nil
}

// answer tells what a shop has of what is wanted.
func (q *outfitSearch) answer(ctx context.Context, shop string, st *outfitStock, sizes bool) (*compliancepb.OutfitAvailability, error) {
	out := &compliancepb.OutfitAvailability{Shop: resname.ShopName(q.org, shop), Available: st.choices != nil, ExpectedDives: st.expected.Dives, OutfitCount: int64(promise.Outfits(byOutfit(q.wants), st.free))}
	for _, c := range st.choices {
		out.Units, out.AssetTags = append(out.Units, resname.UnitName(q.org, c.Unit.ID)), append(out.AssetTags, c.Unit.Tag)
	}
	_, reasons, err := q.r.Against(ctx, st.refused, st.window, st.expected, q.now, nil)
	if err != nil {
		return nil, err
	}
	for _, line := range linesOf(q.wants) {
		item := &compliancepb.OutfitAvailability_Item{Kind: line.Kind, Size: line.Size, WantedCount: line.count}
		if line.Unit != uuid.Nil {
			item.Unit = resname.UnitName(q.org, line.Unit)
		}
		would := func(u *promise.Unit) bool {
			return u.Kind == line.Kind && (line.Size == "" || u.Size == line.Size) && (line.Unit == uuid.Nil || u.ID == line.Unit)
		}
		for _, u := range st.free {
			if would(u) {
				item.AvailableCount++
			}
		}
		count := map[string]int64{}
		for i, u := range st.refused {
			if !would(u) {
				continue
			}
			seen := map[due.Code]bool{}
			for k := range reasons[i] {
				if code := reasons[i][k].Code; !seen[code] {
					seen[code] = true
					count[string(code)]++
				}
			}
		}
		switch u := q.named[line.Unit]; {
		case u == nil:
		case u.Shop != shop:
			count["OTHER_SHOP"]++
		case !u.Retired.IsZero() && !u.Retired.After(st.window.Start): // of those that were not asked for by name nothing is told
			count[string(due.Retired)]++
		}
		for code, n := range count {
			item.Reasons = append(item.Reasons, &compliancepb.OutfitAvailability_ReasonCount{Reason: code, Count: n})
		}
		slices.SortFunc(item.Reasons, func(a, b *compliancepb.OutfitAvailability_ReasonCount) int {
			return cmp.Or(cmp.Compare(b.GetCount(), a.GetCount()), strings.Compare(a.GetReason(), b.GetReason()))
		})
		if sizes && line.Size != "" && line.Unit == uuid.Nil && item.GetAvailableCount() < item.GetWantedCount() {
			for _, other := range promise.OtherSizes(st.free, line.Kind, line.Size) {
				item.OtherSizes = append(item.OtherSizes, &compliancepb.OutfitAvailability_SizeCount{Size: other.Size, Count: int64(other.N)})
			}
		}
		out.Items = append(out.Items, item)
	}
	return out, nil
}

// wantLine is wants alike.
type wantLine struct {
	promise.Want
	count int64
}

// linesOf adds up wants alike over all outfits, in the order in which they are first asked for.
func linesOf(wants []promise.Want) []*wantLine {
	var out []*wantLine
	all := map[promise.Want]*wantLine{}
	for _, w := range wants {
		w.Outfit = 0
		if all[w] == nil {
			all[w] = &wantLine{Want: w}
			out = append(out, all[w])
		}
		all[w].count++
	}
	return out
}

// byOutfit parts wants, which come outfit by outfit.
func byOutfit(wants []promise.Want) (out [][]promise.Want) {
	for from := 0; from < len(wants); {
		to := from
		for to < len(wants) && wants[to].Outfit == wants[from].Outfit {
			to++
		}
		out = append(out, wants[from:to])
		from = to
	}
	return out
}
