package compliancerpc

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// tryPack is a policy of the tests whose figures are common practice, no source; its %s are the months of BCDs and how that rule lands.
const tryPack = `
title: House policy of the tests
effectiveDate: {year: 2026, month: 6, day: 1}
rules:
  - {id: regulator, title: Overhaul every 100 dives or 12 months, activity: overhaul, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [regulator-set, first-stage]}, limit: {months: 12, dives: 100}, lead: {days: 30, dives: 10}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT], benchMinutes: 60}
  - {id: bcd, title: Inspection, activity: inspection, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: %s}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT], benchMinutes: 30, phaseIn: %s}
`

func tryText(months int, phaseIn string) string {
	return fmt.Sprintf(tryPack, fmt.Sprint(months), phaseIn)
}

// since registers a unit commissioned so many days before now.
func (r *rig) since(kind, tag, shop string, days int) string {
	day := now.AddDate(0, 0, -days)
	u := &registrypb.Unit{
		Name: r.org + "/units/" + uuid.NewString(), AssetTag: tag, Model: r.org + "/models/" + kind, Kind: kind, Shop: r.org + "/shops/" + shop,
		CommissionDate: &date.Date{Year: int32(day.Year()), Month: int32(day.Month()), Day: int32(day.Day())}, State: registrypb.Unit_STATE_ACTIVE,
		Placements: []*registrypb.Placement{{Shop: r.org + "/shops/" + shop, StartTime: timestamppb.New(day)}},
	}
	r.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: u}})
	return u.GetName()
}

func (r *rig) try(text string, change ...func(*compliancepb.TryRulePackRequest)) *compliancepb.TryRulePackResponse {
	r.t.Helper()
	req := &compliancepb.TryRulePackRequest{Parent: r.org, RulePackId: "house", RulePack: parsePack(r.t, text), AtLeast: r.position}
	for _, c := range change {
		c(req)
	}
	resp, err := r.compliance.TryRulePack(r.t.Context(), req)
	if err != nil {
		r.t.Fatal(err)
	}
	return resp
}

// aged is a fleet of BCDs that were commissioned one day after another, of which a third of the days is past a year, and some sets with
// a stage each, dived.
func aged(t *testing.T) (*rig, []string) {
	r := newRig(t)
	r.catalogue("bcd", "regulator-set", "first-stage")
	r.publish("house", strings.Replace(tryText(24, "{}"), "2026, month: 6", "2020, month: 1", 1))
	var units []string
	for i := range 60 {
		units = append(units, r.since("bcd", fmt.Sprintf("B-%03d", i), []string{"north", "south"}[i%2], 300+10*i))
	}
	for i := range 6 {
		host, part := r.since("regulator-set", fmt.Sprintf("R-%d", i), "north", 150), r.since("first-stage", fmt.Sprintf("F-%d", i), "north", 400)
		r.fit(part, host)
		r.record(host, now.AddDate(0, -1, 0), dives(int64(40*i)))
		units = append(units, host, part)
	}
	return r, units
}

// TestTryAgreesWithWhatTheFleetThenSays publishes what was tried and asks the fleet: summary, due lists and every unit's standing.
func TestTryAgreesWithWhatTheFleetThenSays(t *testing.T) {
	t.Parallel()
	for _, phaseIn := range []string{"{days: 60}", "{atOnce: true}"} {
		t.Run(phaseIn, func(t *testing.T) {
			t.Parallel()
			r, units := aged(t)
			text := tryText(12, phaseIn)
			got := r.try(text)
			blockedBefore, _ := r.blocked(units)
			r.publish("house", text)
			sum, err := r.compliance.SummarizeFleet(t.Context(), &compliancepb.SummarizeFleetRequest{Parent: r.org, AtLeast: r.position})
			if err != nil {
				t.Fatal(err)
			}
			counts := sum.GetOrg().GetCounts()
			blocked, clocks := r.blocked(units)
			if n := int64(len(units)); got.GetUnitCount() != counts.GetUnits() || got.GetUnitCount() != n {
				t.Errorf("%d units looked at, %d in the fleet, want %d", got.GetUnitCount(), counts.GetUnits(), n)
			}
			// A unit that is fitted to another is not ready by itself; of the sets, each stands with its part.
			if want := got.GetAfter().GetUnblockedUnits(); want != int64(len(units)-len(blocked)) {
				t.Errorf("%d units may be handed out as far as rules go, foretold %d", len(units)-len(blocked), want)
			}
			if alone := counts.GetUnits() - counts.GetFitted() - counts.GetReady(); alone != int64(len(blocked))-fitted(blocked) {
				t.Errorf("the summary has %d blocked, the standings %d", alone, int64(len(blocked))-fitted(blocked))
			}
			if got.GetAfter().GetBlockingClocks() != int64(clocks) {
				t.Errorf("%d clocks block, foretold %d", clocks, got.GetAfter().GetBlockingClocks())
			}
			want := map[string]bool{}
			for tag := range blocked {
				if !blockedBefore[tag] {
					want[tag] = true
				}
			}
			named := map[string]bool{}
			for _, u := range got.GetNewlyBlocked() {
				named[u.GetAssetTag()] = true
			}
			if diff := cmp.Diff(want, named); diff != "" || int64(len(named)) != got.GetNewlyBlockedCount() {
				t.Errorf("newly blocked (-) and foretold (+):\n%s", diff)
			}
			// The due list by date, of the default horizon of 90 days; of what has a usage limit too, the pack test goes through every day.
			days := map[string]int64{}
			list, err := r.compliance.ListDue(t.Context(), &compliancepb.ListDueRequest{Parent: r.org, HorizonDays: 90, PageSize: 1000, AtLeast: r.position})
			if err != nil {
				t.Fatal(err)
			}
			bcds := map[string]int64{}
			for _, i := range list.GetItems() {
				if !i.GetClock().GetBlocking() && i.GetClock().GetExpectedDate() == nil {
					days[dateText(i.GetClock().GetDueDate())]++
				}
				if !i.GetClock().GetBlocking() && i.GetKind() == "bcd" {
					bcds[dateText(i.GetClock().GetDueDate())]++
				}
			}
			var sumDue int64
			foretold := map[string]int64{}
			for _, d := range got.GetDays() {
				sumDue += d.GetDueAfter()
				if d.GetDueAfter() > 0 {
					foretold[dateText(d.GetDate())] = d.GetDueAfter()
				}
			}
			if sumDue != got.GetAfter().GetDueClocks() {
				t.Errorf("the days add up to %d, not %d", sumDue, got.GetAfter().GetDueClocks())
			}
			for day, n := range days {
				if foretold[day] < n {
					t.Errorf("%d clocks are due on %s, foretold %d", n, day, foretold[day])
				}
			}
			switch {
			case strings.Contains(phaseIn, "days") && (got.GetNewlyBlockedCount() != 0 || len(bcds) < 20):
				t.Errorf("phased in: %d newly blocked, %d days with work", got.GetNewlyBlockedCount(), len(bcds))
			case !strings.Contains(phaseIn, "days") && got.GetNewlyBlockedCount() < 30:
				t.Errorf("at once: %d newly blocked", got.GetNewlyBlockedCount())
			}
			// What was tried is what there is now.
			again := r.try(text)
			if again.GetChangedUnitCount() != 0 || !proto.Equal(again.GetBefore(), again.GetAfter()) || !proto.Equal(again.GetBefore(), got.GetAfter()) {
				t.Errorf("tried once more: %v", again)
			}
			for i, rule := range again.GetRules() {
				if rule.GetChange() != compliancepb.TriedRule_CHANGE_SAME || rule.GetBlockedAfter() != got.GetRules()[i].GetBlockedAfter() || rule.GetDueAfter() != got.GetRules()[i].GetDueAfter() {
					t.Errorf("tried once more: %v", rule)
				}
			}
		})
	}
}

// blocked returns the tags of units that rules block, and how many clocks do, each unit's own.
func (r *rig) blocked(units []string) (map[string]bool, int) {
	r.t.Helper()
	out, clocks := map[string]bool{}, 0
	for _, u := range units {
		s := r.standing(u)
		for _, reason := range s.GetReasons() {
			if reason.GetRule() != "" {
				out[s.GetAssetTag()] = true
			}
		}
		for _, c := range s.GetClocks() {
			if c.GetUnit() == u && c.GetBlocking() {
				clocks++
			}
		}
	}
	return out, clocks
}

// fitted counts the stages of aged among tags.
func fitted(tags map[string]bool) (n int64) {
	for tag := range tags {
		if strings.HasPrefix(tag, "F-") {
			n++
		}
	}
	return n
}

// TestTryTellsTheRules: what happens to each rule, in the order of the pack, and after them those that are gone.
func TestTryTellsTheRules(t *testing.T) {
	t.Parallel()
	r, _ := aged(t)
	text := strings.Replace(tryText(24, "{}"), "id: bcd", "id: vest", 1)
	var got []string
	for _, rule := range r.try(text).GetRules() {
		got = append(got, fmt.Sprint(rule.GetRule(), " ", rule.GetChange(), " ", rule.GetUnitsBefore(), " ", rule.GetUnitsAfter()))
	}
	want := []string{"regulator CHANGE_SAME 12 12", "vest CHANGE_ADDED 0 60", "bcd CHANGE_REMOVED 60 0"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("rules (-want +got):\n%s", diff)
	}
	if rule := r.try(tryText(23, "{}")).GetRules()[1]; rule.GetChange() != compliancepb.TriedRule_CHANGE_CHANGED {
		t.Errorf("%v", rule)
	}
	if fresh := r.try(text, func(req *compliancepb.TryRulePackRequest) { req.RulePackId = "annex" }); fresh.GetRules()[0].GetChange() != compliancepb.TriedRule_CHANGE_ADDED || len(fresh.GetRules()) != 2 {
		t.Errorf("a new pack: %v", fresh.GetRules())
	}
}

// TestTryAsks: of one shop, at an instant, as known at an instant, and how far ahead.
func TestTryAsks(t *testing.T) {
	t.Parallel()
	r, _ := aged(t)
	text := tryText(12, "{atOnce: true}")
	all := r.try(text)
	var units, blocked int64
	for _, shop := range []string{"north", "south"} {
		of := r.try(text, func(req *compliancepb.TryRulePackRequest) { req.Shop = r.org + "/shops/" + shop })
		units, blocked = units+of.GetUnitCount(), blocked+of.GetNewlyBlockedCount()
		for _, u := range of.GetNewlyBlocked() {
			if u.GetShop() != r.org+"/shops/"+shop {
				t.Errorf("%s: %v", shop, u)
			}
		}
	}
	if units != all.GetUnitCount() || blocked != all.GetNewlyBlockedCount() || blocked == 0 {
		t.Errorf("the shops have %d units of which %d are newly blocked; all together %d and %d", units, blocked, all.GetUnitCount(), all.GetNewlyBlockedCount())
	}
	// Thirty days later more is past a year; thirty days ahead it is due.
	later := r.try(text, func(req *compliancepb.TryRulePackRequest) { req.Instant = timestamppb.New(now.AddDate(0, 0, 30)) })
	if later.GetAfter().GetBlockingClocks() <= all.GetAfter().GetBlockingClocks() {
		t.Errorf("%d clocks block in 30 days, %d now", later.GetAfter().GetBlockingClocks(), all.GetAfter().GetBlockingClocks())
	}
	near := r.try(text, func(req *compliancepb.TryRulePackRequest) { req.HorizonDays = 30 })
	if near.GetAfter().GetDueClocks() >= all.GetAfter().GetDueClocks() || near.GetAfter().GetDueClocks() == 0 {
		t.Errorf("%d clocks are due within 30 days, %d within 90", near.GetAfter().GetDueClocks(), all.GetAfter().GetDueClocks())
	}
	// Before it was published, the pack was not known: everything is new, and no rule vouched for anything.
	before := r.try(text, func(req *compliancepb.TryRulePackRequest) { req.KnownTime = timestamppb.New(now.Add(-time.Second)) })
	if before.GetBefore().GetUnblockedUnits() != 6 || before.GetRules()[0].GetChange() != compliancepb.TriedRule_CHANGE_ADDED { // the stages are fitted: their sets answer for them
		t.Errorf("as known before: %v, %v", before.GetBefore(), before.GetRules()[0])
	}
	if diff := cmp.Diff(all, r.try(text, func(req *compliancepb.TryRulePackRequest) { req.KnownTime = timestamppb.New(now) }), protocmp.Transform()); diff != "" {
		t.Errorf("as known now it differs:\n%s", diff)
	}
	if !proto3Equal(all.GetPosition(), r.position) {
		t.Errorf("position %v, want %v", all.GetPosition(), r.position)
	}
}

// TestTryRefuses what could not be published, naming field and value.
func TestTryRefuses(t *testing.T) {
	t.Parallel()
	r, _ := aged(t)
	for _, tt := range []struct {
		name         string
		change       func(*compliancepb.TryRulePackRequest)
		code         codes.Code
		reason, want string
	}{
		{"a step back", func(req *compliancepb.TryRulePackRequest) { req.RulePack.EffectiveDate.Year = 2019 }, codes.InvalidArgument, "RULE_PACK_INVALID", "2020-01-01"},
		{"a rule without a limit", func(req *compliancepb.TryRulePackRequest) { req.RulePack.Rules[1].Limit.Months = 0 }, codes.InvalidArgument, "RULE_PACK_INVALID", "rule_pack.rules[1].limit"},
		{"another name", func(req *compliancepb.TryRulePackRequest) { req.RulePack.Name = r.org + "/rulePacks/other" }, codes.InvalidArgument, "INVALID_FIELD", "rule_pack.name"},
		{"another org's shop", func(req *compliancepb.TryRulePackRequest) { req.Shop = "orgs/atoll/shops/north" }, codes.PermissionDenied, "ORG_MISMATCH", "shop"},
		{"too far ahead", func(req *compliancepb.TryRulePackRequest) { req.HorizonDays = 731 }, codes.InvalidArgument, "INVALID_FIELD", "horizon_days"},
		{"no instant", func(req *compliancepb.TryRulePackRequest) {
			req.Instant = &timestamppb.Timestamp{Seconds: -62135596800}
		}, codes.InvalidArgument, "INVALID_FIELD", "instant"},
	} {
		req := &compliancepb.TryRulePackRequest{Parent: r.org, RulePackId: "house", RulePack: parsePack(t, tryText(12, "{}"))}
		tt.change(req)
		_, err := r.compliance.TryRulePack(t.Context(), req)
		if wantReason(t, err, tt.code, tt.reason); !strings.Contains(status.Convert(err).Message(), tt.want) {
			t.Errorf("%s: %q is not in %v", tt.name, tt.want, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.compliance.TryRulePack(ctx, &compliancepb.TryRulePackRequest{Parent: r.org, RulePackId: "house", RulePack: parsePack(t, tryText(12, "{}"))}); status.Code(err) != codes.Canceled {
		t.Errorf("cancelled: %v", err)
	}
	// Nothing was written by any of it.
	if list, err := r.compliance.ListRulePacks(t.Context(), &compliancepb.ListRulePacksRequest{Parent: r.org}); err != nil || len(list.GetRulePacks()) != 1 || list.GetRulePacks()[0].GetRevision() != 1 {
		t.Errorf("%v, %v", list, err)
	}
}
