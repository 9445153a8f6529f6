package systemtest

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// steps are what may happen, by name.
func (c *chronicle) steps() map[string]func() {
	outcome := func() historypb.Outcome {
		return []historypb.Outcome{historypb.Outcome_OUTCOME_PASS, historypb.Outcome_OUTCOME_PASS, historypb.Outcome_OUTCOME_PASS, historypb.Outcome_OUTCOME_FAIL, historypb.Outcome_OUTCOME_INCONCLUSIVE}[c.rng.IntN(5)]
	}
	activity := func() string {
		return []string{"overhaul", "inspection", "statutory-test", "coating-check"}[c.rng.IntN(4)]
	}
	use := func(at time.Time) *historypb.Entry {
		e := dives(c.any(), at, int64(1+c.rng.IntN(25)))
		if c.rng.IntN(4) == 0 {
			e.GetUsage().GetIncrement().Fills = int64(1 + c.rng.IntN(9))
		}
		return e
	}
	waive := func(n int) {
		for range n {
			unit := c.any()
			var rules []string // of the house that run on it
			for _, k := range c.standing(unit).GetClocks() {
				if k.GetUnit() == unit && k.GetAuthority() == compliancepb.Authority_AUTHORITY_HOUSE {
					rules = append(rules, k.GetRule())
				}
			}
			if len(rules) == 0 {
				continue
			}
			end := c.now().AddDate(0, 0, 1+c.rng.IntN(300))
			r, err := c.compliance.GrantWaiver(c.t.Context(), &compliancepb.GrantWaiverRequest{Parent: unit, RequestId: uuid.NewString(), Waiver: &compliancepb.Waiver{
				Rule: rules[c.rng.IntN(len(rules))], Signer: "A. Keeper", Reason: "parts are on the way",
				EndDate: &date.Date{Year: int32(end.Year()), Month: int32(end.Month()), Day: int32(end.Day())},
			}})
			if c.ok("a waiver is granted", r.GetPosition(), err); err == nil {
				c.waivers = append(c.waivers, r.GetWaiver())
			}
		}
	}
	return map[string]func(){
		"usage":      func() { c.log("usage", use(c.ago(1)), use(c.ago(1)), use(c.ago(1))) },
		"late usage": func() { c.log("late usage", use(c.ago(60)), use(c.ago(90))) },
		"work":       func() { c.log("work", serviced(c.any(), c.ago(1), outcome(), activity())) },
		"late work":  func() { c.log("late work", serviced(c.any(), c.ago(80), outcome(), activity())) },
		"late test":  func() { c.log("late test", tested(c.any(), c.ago(40), activity(), outcome())) },
		"condition": func() {
			e := condition(c.any(), c.ago(5), []string{"free-flow", "flooding"}[c.rng.IntN(2)])
			if c.rng.IntN(2) == 0 {
				e.GetCondition().ClearedBy = []string{activity()}
			}
			c.log("condition", e)
		},
		"a unit arrives": func() {
			c.arrives([]string{"regulator-set", "first-stage", "bcd", "cylinder"}[c.rng.IntN(4)], []string{"north", "south"}[c.rng.IntN(2)])
		},
		"an amendment": c.tries("an amendment", func() {
			var own []*historypb.Entry
			for _, e := range c.entries {
				if e.GetAmendment() == nil {
					own = append(own, e)
				}
			}
			e := own[c.rng.IntN(len(own))]
			var with *historypb.Replacement
			switch {
			case c.rng.IntN(3) == 0:
			case e.GetUsage() != nil:
				with = &historypb.Replacement{OccurredTime: e.GetOccurredTime(), Detail: &historypb.Replacement_Usage{Usage: dives("", c.now(), int64(1+c.rng.IntN(60))).GetUsage()}}
			default:
				with = &historypb.Replacement{OccurredTime: timestamppb.New(c.ago(30)), Detail: &historypb.Replacement_Service{Service: serviced("", c.now(), outcome(), activity()).GetService()}}
			}
			unit, _, _ := strings.Cut(e.GetName(), "/entries/")
			c.log("an amendment", amended(unit, c.ago(1), e, "checked against the log book", with))
		}),
		"a transfer": c.tries("a transfer", func() {
			u, err := c.registry.GetUnit(c.t.Context(), &registrypb.GetUnitRequest{Name: c.any()})
			if err != nil {
				c.t.Fatal(err)
			}
			to := c.org + "/shops/south"
			if u.GetUnit().GetShop() == to {
				to = c.org + "/shops/north"
			}
			r, err := c.registry.TransferUnit(c.t.Context(), &registrypb.TransferUnitRequest{Name: u.GetUnit().GetName(), DestinationShop: to, TransferTime: timestamppb.New(c.ago(25)), RequestId: uuid.NewString()})
			c.ok("a transfer", r.GetPosition(), err)
		}),
		"a fitting": c.tries("a fitting", func() {
			part, host := c.any(), c.any()
			if part == host {
				return
			}
			r, err := c.registry.FitUnit(c.t.Context(), &registrypb.FitUnitRequest{Parent: part, RequestId: uuid.NewString(), Fitting: &registrypb.Fitting{Host: host, FitTime: timestamppb.New(c.ago(40))}})
			if c.ok("a fitting", r.GetPosition(), err); err == nil {
				c.fitted = append(c.fitted, part)
			}
		}),
		"an unfitting": c.tries("an unfitting", func() {
			r, err := c.registry.UnfitUnit(c.t.Context(), &registrypb.UnfitUnitRequest{Name: c.fitted[c.rng.IntN(len(c.fitted))], UnfitTime: timestamppb.New(c.ago(15)), RequestId: uuid.NewString()})
			c.ok("an unfitting", r.GetPosition(), err)
		}),
		"a unit changes": func() {
			r, err := c.registry.UpdateUnit(c.t.Context(), &registrypb.UpdateUnitRequest{RequestId: uuid.NewString(), UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"manufacture_date", "attributes", "serial_number"}}, Unit: &registrypb.Unit{
				Name: c.any(), ManufactureDate: &date.Date{Year: 2023, Month: int32(1 + c.rng.IntN(12))}, Attributes: map[string]string{"coating": []string{"yes", "no"}[c.rng.IntN(2)]}, SerialNumber: uuid.NewString()[:8],
			}})
			c.ok("a unit changes", r.GetPosition(), err)
		},
		"a model changes": func() {
			kind := []string{"regulator-set", "first-stage", "bcd", "cylinder"}[c.rng.IntN(4)]
			r, err := c.registry.UpdateModel(c.t.Context(), &registrypb.UpdateModelRequest{RequestId: uuid.NewString(), UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"attributes"}}, Model: &registrypb.Model{
				Name: c.org + "/models/" + kind, Attributes: map[string]string{"coating": []string{"yes", "no"}[c.rng.IntN(2)]},
			}})
			c.ok("a model changes", r.GetPosition(), err)
		},
		"a retirement": func() {
			i := c.rng.IntN(len(c.units))
			if len(c.units) < 8 {
				return
			}
			r, err := c.registry.RetireUnit(c.t.Context(), &registrypb.RetireUnitRequest{Name: c.units[i], Reason: "worn", RetireTime: timestamppb.New(c.ago(10)), RequestId: uuid.NewString()})
			if c.ok("a retirement", r.GetPosition(), err); err == nil {
				c.units = slices.Delete(c.units, i, i+1)
			}
		},
		"a waiver is granted": func() { waive(3) },
		"a waiver is revoked": func() {
			if len(c.waivers) == 0 {
				return
			}
			i := c.rng.IntN(len(c.waivers))
			r, err := c.compliance.RevokeWaiver(c.t.Context(), &compliancepb.RevokeWaiverRequest{Name: c.waivers[i].GetName(), Reason: "they came", RequestId: uuid.NewString()})
			c.waivers = slices.Delete(c.waivers, i, i+1)
			c.ok("a waiver is revoked", r.GetPosition(), err)
		},
		"a hold is placed": func() {
			r, err := c.compliance.PlaceHold(c.t.Context(), &compliancepb.PlaceHoldRequest{Parent: c.any(), RequestId: uuid.NewString(), Hold: &compliancepb.Hold{Reason: "looked odd", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}})
			if c.ok("a hold is placed", r.GetPosition(), err); err == nil {
				c.holds = append(c.holds, r.GetHold())
			}
		},
		"a hold is lifted": func() {
			if len(c.holds) == 0 {
				return
			}
			h := c.holds[0]
			c.holds = c.holds[1:]
			r, err := c.compliance.LiftHold(c.t.Context(), &compliancepb.LiftHoldRequest{Name: h.GetName(), Reason: "looked at", RequestId: uuid.NewString()})
			c.ok("a hold is lifted", r.GetPosition(), err)
		},
		"a recall is opened": func() {
			what, lots := c.rng.IntN(5), []string(nil)
			if what > 2 {
				lots = []string{c.lot()}
			}
			r, err := c.recall().OpenRecall(c.t.Context(), &compliancepb.OpenRecallRequest{Parent: c.org, RecallId: fmt.Sprintf("notice-%d", len(c.recalls)), RequestId: uuid.NewString(), Recall: &compliancepb.Recall{
				Title: "Seats of a lot", Source: &compliancepb.Source{Document: "a notice of the tests"}, Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}, Releasable: true,
				Scope:      []*compliancepb.Scope{{Kinds: []string{"regulator-set", "first-stage"}}, {Kinds: []string{"bcd", "cylinder"}, Jurisdictions: []string{"AU"}}, {Where: `attr("coating") == "yes"`}, nil, nil}[what],
				RemediedBy: []string{"overhaul", "inspection"}, Lots: lots,
			}})
			if c.ok("a recall is opened", r.GetPosition(), err); err == nil {
				c.recalls = append(c.recalls, r.GetRecall().GetName())
			}
		},
		"a unit is released": c.tries("a unit is released", func() {
			if len(c.recalls) == 0 {
				return
			}
			name := c.recalls[c.rng.IntN(len(c.recalls))]
			held, err := c.recall().ListRecalledUnits(c.t.Context(), &compliancepb.ListRecalledUnitsRequest{Parent: name, Held: true, AtLeast: c.position})
			if err != nil {
				c.t.Fatal(err)
			}
			if len(held.GetUnits()) == 0 {
				return
			}
			r, err := c.recall().ReleaseRecalledUnit(c.t.Context(), &compliancepb.ReleaseRecalledUnitRequest{Name: name, Unit: held.GetUnits()[0].GetUnit(), Reason: "of another lot", RequestId: uuid.NewString()})
			c.ok("a unit is released", r.GetPosition(), err)
		}),
		"a recall is withdrawn": c.tries("a recall is withdrawn", func() {
			if len(c.recalls) == 0 {
				return
			}
			r, err := c.recall().WithdrawRecall(c.t.Context(), &compliancepb.WithdrawRecallRequest{Name: c.recalls[c.rng.IntN(len(c.recalls))], Reason: "taken back", RequestId: uuid.NewString()})
			c.ok("a recall is withdrawn", r.GetPosition(), err)
		}),
		"the house pack is revised, in force later":       func() { c.publish("house", houseRevision("2026-09-10", 8, 70)) },
		"the local pack is revised, in force in the past": func() { c.publish("local", localPack("2026-04-01", 20)) },
	}
}

func (c *chronicle) recall() compliancepb.RecallServiceClient {
	return compliancepb.NewRecallServiceClient(c.conn)
}
