package compliancerpc

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/packs"
	"strandline.example/strandline/services/compliance/try"
)

// defaultTryHorizon is how many days ahead a trial looks.
const defaultTryHorizon = 90

// TryRulePack says what a revision of a pack would do to the fleet. It goes through the whole fleet and keeps only sums.
func (s *Server) TryRulePack(ctx context.Context, req *compliancepb.TryRulePackRequest) (*compliancepb.TryRulePackResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	pack, err := packOf(org, req.GetRulePackId(), req.GetRulePack())
	if err != nil {
		return nil, err
	}
	q := compliancepg.TryQuery{Revision: pack}
	q.Pack, q.Effective, q.Horizon = pack.ID, pack.Effective, int(req.GetHorizonDays())
	if q.Horizon == 0 {
		q.Horizon = defaultTryHorizon
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
	resp := &compliancepb.TryRulePackResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		result, err := r.Try(ctx, q)
		if err != nil {
			return err
		}
		before, err := inForce(ctx, r, org, q.Pack, max(q.Effective, civil.In(q.At, time.UTC)), q.Known)
		if err != nil {
			return err
		}
		fillTried(resp, org, &result)
		resp.Rules = triedRules(before, req.GetRulePack(), result.Rules)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// packOf reads a revision that is to be published or tried as the pack of an id.
func packOf(org tenant.Org, id string, p *compliancepb.RulePack) (due.Pack, error) {
	if name := p.GetName(); name != "" && name != resname.PackName(org, id) {
		return due.Pack{}, errs.Field("rule_pack.name", name, "leave it empty, or say "+resname.PackName(org, id))
	}
	pack, violations := packs.Of(id, "rule_pack", p)
	if len(violations) > 0 {
		return due.Pack{}, errs.Fields(violations...)
	}
	return pack, nil
}

// inForce returns the revision of a pack that is in force on a day; an empty one if none is.
func inForce(ctx context.Context, r *compliancepg.Reader, org tenant.Org, id string, on civil.Date, known time.Time) (*compliancepb.RulePack, error) {
	all, err := r.Packs(ctx)
	if err != nil {
		return nil, err
	}
	var best *due.Pack
	for i := range all {
		p := &all[i]
		if p.ID != id || p.Effective > on || !known.IsZero() && p.Published.After(known) {
			continue
		}
		if best == nil || p.Effective > best.Effective || p.Effective == best.Effective && p.Revision > best.Revision {
			best = p
		}
	}
	if best == nil {
		return &compliancepb.RulePack{}, nil
	}
	rev, err := r.Pack(ctx, id, best.Revision)
	if err != nil {
		return nil, err
	}
	return packPB(org, rev)
}

// triedRules returns the rules of a revision in its order, and after them those of the one before that are gone.
func triedRules(before, after *compliancepb.RulePack, counts map[string]try.Rule) (out []*compliancepb.TriedRule) {
	was := map[string]*compliancepb.Rule{}
	for _, r := range before.GetRules() {
		was[r.GetId()] = r
	}
	tell := func(r *compliancepb.Rule, change compliancepb.TriedRule_Change) {
		n := counts[r.GetId()]
		out = append(out, &compliancepb.TriedRule{
			Rule: r.GetId(), Title: r.GetTitle(), Change: change, UnitsBefore: n.UnitsBefore, UnitsAfter: n.UnitsAfter,
			BlockedBefore: n.BlockedBefore, BlockedAfter: n.BlockedAfter, DueBefore: n.DueBefore, DueAfter: n.DueAfter,
		})
	}
	for _, r := range after.GetRules() {
		switch old := was[r.GetId()]; {
		case old == nil:
			tell(r, compliancepb.TriedRule_CHANGE_ADDED)
		case proto.Equal(old, r):
			tell(r, compliancepb.TriedRule_CHANGE_SAME)
		default:
			tell(r, compliancepb.TriedRule_CHANGE_CHANGED)
		}
		delete(was, r.GetId())
	}
	for _, r := range before.GetRules() {
		if was[r.GetId()] != nil {
			tell(r, compliancepb.TriedRule_CHANGE_REMOVED)
		}
	}
	return out
}

func fillTried(resp *compliancepb.TryRulePackResponse, org tenant.Org, r *try.Result) {
	resp.UnitCount, resp.ChangedUnitCount, resp.NewlyBlockedCount, resp.NewlyFreeCount = r.Units, r.Changed, r.BlockedCount, r.FreedCount
	resp.Before, resp.After = triedFleet(r.Before), triedFleet(r.After)
	for _, d := range r.Days {
		resp.Days = append(resp.Days, &compliancepb.TriedDay{
			Date: datePB(civil.Day(d.On)), DueBefore: d.DueBefore, DueAfter: d.DueAfter,
			BenchMinutesBefore: d.MinutesBefore, BenchMinutesAfter: d.MinutesAfter,
		})
	}
	units := func(all []try.Verdict) (out []*compliancepb.TriedUnit) {
		for _, v := range all {
			out = append(out, &compliancepb.TriedUnit{
				Unit: resname.UnitName(org, v.Unit), AssetTag: v.Tag, Kind: v.Kind, Shop: resname.ShopName(org, v.Shop), Sentence: v.Sentence,
			})
		}
		return out
	}
	resp.NewlyBlocked, resp.NewlyFree = units(r.Blocked), units(r.Freed)
}

func triedFleet(f try.Fleet) *compliancepb.TriedFleet {
	return &compliancepb.TriedFleet{UnblockedUnits: f.Unblocked, BlockingClocks: f.Blocking, DueClocks: f.Due, BenchMinutes: f.BenchMinutes}
}
