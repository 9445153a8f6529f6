package compliancerpc

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/chainview"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

const (
	defaultDays = 90
	chainPast   = 24 * time.Hour // instants up to so long ago are taken for now: some clocks are behind, and a day has begun
	mostNumbers = 250_000        // rows times days of one answer
)

// SummarizeChain counts the chain by shop and kind for the next days, and says what could be moved where.
func (s *Server) SummarizeChain(ctx context.Context, req *compliancepb.SummarizeChainRequest) (*compliancepb.SummarizeChainResponse, error) {
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
	now := s.clock.Now()
	at, err := asked("instant", req.GetInstant(), now)
	if err != nil {
		return nil, err
	}
	if at.Before(now) {
		if at.Before(now.Add(-chainPast)) {
			return nil, errs.Field("instant", at.Format(time.RFC3339), "lies in the past: promises are known only as they are now, "+now.Format(time.RFC3339)+"; leave it out for now")
		}
		at = now
	}
	days := int(req.GetDays())
	if days == 0 {
		days = defaultDays
	}
	resp := &compliancepb.SummarizeChainResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		resp.Rows, resp.Moves = nil, nil
		shops, err := r.Shops(ctx)
		if err != nil {
			return err
		}
		if _, ok := shops[shop]; shop != "" && !ok {
			return errs.Missing(resname.ShopName(org, shop))
		}
		view := chainview.View{At: at, Days: days, Spare: int(req.GetSpare()), Zones: make(map[string]*time.Location, len(shops))}
		for id, sh := range shops {
			view.Zones[id] = compliancepg.ZoneOf(sh)
		}
		units, promises, err := r.Chain(ctx, compliance.ChainQuery{Kind: req.GetKind(), At: at, Now: now, Days: days}, view.Zones)
		if err != nil {
			return err
		}
		ways, err := r.TransfersTo(ctx, shop)
		if err != nil {
			return err
		}
		counted := view.Count(units, promises)
		for _, row := range counted.Rows {
			if shop != "" && row.Shop != shop {
				continue
			}
			if (len(resp.Rows)+1)*days > mostNumbers {
				return errs.Field("days", fmt.Sprint(days), fmt.Sprintf("comes to more than %d numbers in each list over all rows; ask for fewer days, one shop or one kind", mostNumbers))
			}
			resp.Rows = append(resp.Rows, chainRowPB(org, row, view.Spare))
		}
		takes := make(map[chainview.Way]time.Duration, len(ways))
		for k, d := range ways {
			takes[chainview.Way{From: k.From, To: k.To}] = d
		}
		for _, m := range counted.Moves(shop, takes) {
			resp.Moves = append(resp.Moves, movePB(org, m, &view, shops))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func chainRowPB(org tenant.Org, r *chainview.Row, spare int) *compliancepb.ChainRow {
	return &compliancepb.ChainRow{
		Shop: resname.ShopName(org, r.Shop), Kind: r.Kind, FirstDate: datePB(civil.Day(r.Calendar.First)), Owned: r.Owned,
		Ready: r.Ready, Promised: r.Promised, Out: r.Out, Pulled: r.Pulled, DueSoon: r.Soon, Overdue: r.Overdue, Short: r.Short(spare),
	}
}

func movePB(org tenant.Org, m *chainview.Move, v *chainview.View, shops map[string]compliance.Shop) *compliancepb.Move {
	to := v.Calendar(m.To)
	out := &compliancepb.Move{
		FromShop: resname.ShopName(org, m.From), ToShop: resname.ShopName(org, m.To), Kind: m.Kind, Size: m.Size,
		FirstDate: datePB(civil.Day(to.Date(m.First))), LastDate: datePB(civil.Day(to.Date(m.Last))), Sentence: moveSentence(m, v, shops),
	}
	for _, u := range m.Units {
		out.Units, out.AssetTags = append(out.Units, resname.UnitName(org, u.ID)), append(out.AssetTags, u.Tag)
	}
	for _, id := range m.Promises {
		out.Allocations = append(out.Allocations, resname.AllocationName(org, id))
	}
	if m.Takes > 0 {
		out.TransferTime = durationpb.New(m.Takes)
	}
	return out
}

// tagsTold is how many tags a sentence tells.
const tagsTold = 6

// moveSentence tells a move to people.
func moveSentence(m *chainview.Move, v *chainview.View, shops map[string]compliance.Shop) string {
	var b strings.Builder
	b.WriteString("Take " + due.CountKind(int64(len(m.Units)), m.Kind, m.Size))
	tags := make([]string, 0, tagsTold+1)
	for i, u := range m.Units {
		if i == tagsTold {
			tags = append(tags, fmt.Sprintf("and %d more", len(m.Units)-tagsTold))
			break
		}
		tags = append(tags, u.Tag)
	}
	from, to := v.Calendar(m.From), v.Calendar(m.To)
	fmt.Fprintf(&b, " (%s) from %s to %s", strings.Join(tags, ", "), shopCalled(shops[m.From]), shopCalled(shops[m.To]))
	if first, last := to.Date(m.First), to.Date(m.Last); first == last {
		fmt.Fprintf(&b, " for %s", first)
	} else {
		fmt.Fprintf(&b, " for %s to %s", first, last)
	}
	if len(m.Promises) > 0 {
		b.WriteString(", where promises cannot be kept")
	} else {
		b.WriteString(", where too few are left to spare")
	}
	if m.Takes > 0 {
		fmt.Fprintf(&b, "; the way takes %s, so they leave by %s by the clock of %s.", durationText(m.Takes), m.Leave.In(from.Zone).Format("2006-01-02 15:04"), shopCalled(shops[m.From]))
	} else {
		b.WriteString("; nobody has said how long the way takes.")
	}
	return b.String()
}
