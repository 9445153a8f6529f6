package compliancerpc

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/promise"
)

const (
	daysAround  = 14 // how far before and after the window others are looked for
	mostWindows = 4  // how many other windows are told
)

// alternatives says what else could be done where a shop does not have everything for a window.
func (q *outfitSearch) alternatives(ctx context.Context, shop string, w promise.Window) ([]*compliancepb.Alternative, error) {
	type ranked struct {
		*compliancepb.Alternative
		away time.Duration // from the window, or on the way
	}
	var out []ranked
	windows, err := q.otherWindows(ctx, shop, w)
	if err != nil {
		return nil, err
	}
	for _, m := range windows {
		away := time.Duration(max(m.Days, -m.Days)) * 24 * time.Hour
		out = append(out, ranked{q.otherWindow(shop, m), away})
	}
	ways, err := q.otherShops(ctx, shop, w)
	if err != nil {
		return nil, err
	}
	for _, way := range ways {
		a := &compliancepb.Alternative{Shop: resname.ShopName(q.org, way.From), StartTime: instantPB(w.Start), EndTime: instantPB(w.End)}
		from, to := shopCalled(q.shops[way.From]), shopCalled(q.shops[shop])
		if way.Takes > 0 {
			a.TransferTime = durationpb.New(way.Takes)
			a.Sentence = fmt.Sprintf("%s has all of it for the window; the way to %s takes %s.", from, to, durationText(way.Takes))
			out = append(out, ranked{a, way.Takes})
		} else {
			a.Sentence = fmt.Sprintf("%s has all of it for the window; nobody has said how long the way to %s takes.", from, to)
			out = append(out, ranked{a, math.MaxInt64})
		}
	}
	slices.SortStableFunc(out, func(a, b ranked) int {
		switch {
		case a.away < b.away:
			return -1
		case a.away > b.away:
			return 1
		}
		return 0
	})
	all := make([]*compliancepb.Alternative, len(out))
	for i := range out {
		all[i] = out[i].Alternative
	}
	return all, nil
}

// otherWindows returns the nearest windows for which a shop has everything.
func (q *outfitSearch) otherWindows(ctx context.Context, shop string, w promise.Window) ([]promise.Moved, error) {
	near := promise.Nearby(w, daysAround, compliancepg.ZoneOf(q.shops[shop]), q.now)
	if len(near) == 0 {
		return nil, nil
	}
	first := near[0].Start
	for _, m := range near {
		if m.Start.Before(first) {
			first = m.Start
		}
	}
	units, err := q.r.PromiseUnits(ctx, compliance.PromiseQuery{Kinds: q.kinds, Shop: shop, At: first, Now: q.now})
	if err != nil {
		return nil, err
	}
	var out []promise.Moved
	for _, m := range near {
		st, err := q.stock(ctx, units, m.Window, q.expected(shop, m.Window))
		if err != nil {
			return nil, err
		}
		if st.choices == nil {
			continue
		}
		if out = append(out, m); len(out) == mostWindows {
			break
		}
	}
	return out, nil
}

func (q *outfitSearch) otherWindow(shop string, m promise.Moved) *compliancepb.Alternative {
	s := q.shops[shop]
	loc := compliancepg.ZoneOf(s)
	days, way := m.Days, "later"
	if days < 0 {
		days, way = -days, "earlier"
	}
	plural := "s"
	if days == 1 {
		plural = ""
	}
	const layout = "2006-01-02 15:04"
	return &compliancepb.Alternative{
		Shop: resname.ShopName(q.org, shop), StartTime: instantPB(m.Start), EndTime: instantPB(m.End),
		Sentence: fmt.Sprintf("%s has all of it %d day%s %s, from %s to %s by its clock.", shopCalled(s), days, plural, way, m.Start.In(loc).Format(layout), m.End.In(loc).Format(layout)),
	}
}

// otherShops returns the shops that have everything for the window and from which it can still arrive before it begins, as far as anybody has said
// how long the way takes. Then the units must also be free while they are on the way.
func (q *outfitSearch) otherShops(ctx context.Context, shop string, w promise.Window) ([]compliance.TransferTime, error) {
	takes, err := q.r.TransfersTo(ctx, shop)
	if err != nil {
		return nil, err
	}
	units, err := q.r.PromiseUnits(ctx, compliance.PromiseQuery{Kinds: q.kinds, At: q.now, Now: q.now})
	if err != nil {
		return nil, err
	}
	byShop := map[string][]*promise.Unit{}
	for _, u := range units {
		byShop[u.Shop] = append(byShop[u.Shop], u)
	}
	var out []compliance.TransferTime
	for _, from := range q.asked("") {
		way := compliance.TransferTime{From: from, To: shop, Takes: takes[compliance.TransferKey{From: from, To: shop}]}
		ahead := w.Ahead(way.Takes)
		if from == shop || ahead.Start.Before(q.now) {
			continue
		}
		st, err := q.stock(ctx, byShop[from], ahead, q.expected(shop, w))
		if err != nil {
			return nil, err
		}
		if st.choices != nil {
			out = append(out, way)
		}
	}
	return out, nil
}

// shopCalled returns what people call a shop.
func shopCalled(s compliance.Shop) string {
	if s.Name != "" {
		return s.Name
	}
	return s.ID
}

// durationText tells a time of seconds in words, for example "1 day 2 hours 30 minutes".
func durationText(d time.Duration) string {
	var parts []string
	part := func(unit time.Duration, one, more string) {
		if n := d / unit; n > 0 {
			word := more
			if n == 1 {
				word = one
			}
			parts = append(parts, fmt.Sprintf("%d %s", n, word))
			d -= n * unit
		}
	}
	part(24*time.Hour, "day", "days")
	part(time.Hour, "hour", "hours")
	part(time.Minute, "minute", "minutes")
	part(time.Second, "second", "seconds")
	return strings.Join(parts, " ")
}
