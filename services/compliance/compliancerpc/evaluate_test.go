package compliancerpc

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"buf.build/go/protoyaml"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance/due"
)

// filled is a cylinder with its valve: requalified, filled by a meter that was misread once, its valve failed once.
const filled = `
unit: C-1
units:
  - {unit: C-1, kind: cylinder, size: 12 l, attributes: {specification: 3AL}, manufactureDate: {year: 2015, month: 3}, commissionDate: {year: 2021, month: 3, day: 1}, stays: [{timeZone: America/New_York, jurisdiction: US-FL, shop: keys}]}
  - {unit: V-1, kind: cylinder-valve, manufactureDate: {year: 2021, month: 1, day: 31}, stays: [{timeZone: America/New_York, jurisdiction: US-FL, shop: keys}]}
fittings: [{part: V-1, host: C-1, fitTime: "2021-03-02T15:00:00Z"}]
entries:
  - {id: hydro, unit: C-1, occurredTime: "2021-03-10T15:00:00Z", test: {activity: hydrostatic-test, outcome: OUTCOME_PASS, markDate: {year: 2021, month: 3}}}
  - {id: fills-1, unit: C-1, occurredTime: "2025-03-10T15:00:00Z", usage: {reading: {fills: "30"}}}
  - {id: fills-2, unit: C-1, occurredTime: "2025-06-10T15:00:00Z", usage: {reading: {fills: "20"}}}
  - {id: wrong, unit: C-1, occurredTime: "2025-06-11T15:00:00Z", recordedTime: "2025-06-12T15:00:00Z", amendment: {correctedEntry: fills-2, replacement: {occurredTime: "2025-06-10T15:00:00Z", usage: {reading: {fills: "42"}}}}}
  - {id: leak, unit: V-1, occurredTime: "2025-07-10T15:00:00Z", service: {activities: [valve-service], outcome: OUTCOME_FAIL}}
rulePacks:
  - name: orgs/demo/rulePacks/us
    title: For the test
    effectiveDate: {year: 2011, month: 1, day: 1}
    cautions: [Local code wins.]
    rules:
      - {id: requal, title: Requalification, activity: hydrostatic-test, authority: AUTHORITY_LAW, source: {document: 49 CFR 180.209}, scope: {kinds: [cylinder], jurisdictions: [US], attributes: {specification: 3AL|3AA}}, limit: {months: 60, monthStamped: true, fills: "500"}, baselines: [BASELINE_MANUFACTURE], blocks: [USE_HAND_OUT, USE_FILL]}
      - {id: valve, title: Valve service, activity: valve-service, authority: AUTHORITY_HOUSE, source: {document: House}, scope: {kinds: [cylinder-valve]}, limit: {months: 60}, lead: {days: 10}, baselines: [BASELINE_MANUFACTURE], blocks: [USE_FILL]}
`

func exampleQuestion(t testing.TB, at string) *compliancepb.EvaluateRequest {
	t.Helper()
	req := &compliancepb.EvaluateRequest{}
	if err := protoyaml.Unmarshal([]byte(filled), req); err != nil {
		t.Fatal(err)
	}
	instant, err := time.Parse(time.RFC3339, at)
	if err != nil {
		t.Fatal(err)
	}
	req.Instant = timestamppb.New(instant)
	return req
}

func TestEvaluate(t *testing.T) {
	for _, tt := range []struct {
		name, at, known string
		handOut, fill   bool
		reasons         []string // code unit
		fills           int64
	}{
		{"before the valve failed", "2025-07-01T00:00:00Z", "", true, true, nil, 42},
		{"the valve failed", "2025-08-01T00:00:00Z", "", false, false, []string{"HOLD_OPEN V-1"}, 42},
		{"the misreading was not corrected yet", "2025-07-01T00:00:00Z", "2025-06-12T14:59:59Z", false, false, []string{"MISSING_HISTORY C-1", "MISSING_HISTORY V-1"}, 30},
		{"and then it was", "2025-07-01T00:00:00Z", "2025-06-12T15:00:00Z", true, true, nil, 42},
		{"the last evening of the month", "2026-04-01T03:59:59Z", "", false, false, []string{"HOLD_OPEN V-1", "DATE_LIMIT_PASSED V-1"}, 42},
		{"midnight after it", "2026-04-01T04:00:00Z", "", false, false, []string{"DATE_LIMIT_PASSED C-1", "HOLD_OPEN V-1", "DATE_LIMIT_PASSED V-1"}, 42},
	} {
		t.Run(tt.name, func(t *testing.T) {
			req := exampleQuestion(t, tt.at)
			if tt.known != "" {
				known, _ := time.Parse(time.RFC3339, tt.known)
				req.KnownTime = timestamppb.New(known)
			}
			resp, err := Evaluate(req)
			if err != nil {
				t.Fatal(err)
			}
			s := resp.GetStanding()
			var reasons []string
			for _, r := range s.GetReasons() {
				reasons = append(reasons, strings.TrimPrefix(r.GetCode().String(), "REASON_")+" "+r.GetUnit())
				if r.GetSentence() == "" || r.GetClears() == "" {
					t.Errorf("%v says nothing", r)
				}
			}
			if !slices.Equal(reasons, tt.reasons) || s.GetMayHandOut() != tt.handOut || s.GetMayFill() != tt.fill {
				t.Errorf("hand out %v, fill %v, %v", s.GetMayHandOut(), s.GetMayFill(), reasons)
			}
			if len(s.GetClocks()) != 2 || s.GetClocks()[0].GetRule() != "orgs/demo/rulePacks/us/rules/requal" || s.GetClocks()[0].GetFillsUsed() != tt.fills {
				t.Errorf("clocks %v", s.GetClocks())
			}
			if c := s.GetClocks()[0]; c.GetAnchorEntry() != "hydro" || c.GetDueDate().String() != dateOf(2026, 3, 31).String() || !strings.Contains(strings.Join(c.GetExplanation(), " "), "hydro") {
				t.Errorf("clock %v", c)
			}
			if c := s.GetClocks()[1]; c.GetAnchorBaseline() != compliancepb.Baseline_BASELINE_MANUFACTURE || c.GetDueDate().String() != dateOf(2026, 1, 31).String() || c.GetFillsUsed() != tt.fills {
				t.Errorf("clock %v", c) // the valve went through the cylinder's fills
			}
			if s.GetAssetTag() != "C-1" || s.GetSize() != "12 l" || s.GetShop() != "keys" || !slices.Equal(s.GetParts(), []string{"V-1"}) || !slices.Equal(s.GetCautions(), []string{"Local code wins."}) {
				t.Errorf("standing %v", s)
			}
		})
	}
}

// TestEvaluateSpeaksTheQuestionsNames: no UUID that the request did not have comes back, but in the ids of holds.
func TestEvaluateSpeaksTheQuestionsNames(t *testing.T) {
	req := exampleQuestion(t, "2025-08-01T00:00:00Z")
	req.KnownTime = timestamppb.New(time.Date(2025, 6, 12, 0, 0, 0, 0, time.UTC))
	resp, err := Evaluate(req)
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, r := range resp.GetStanding().GetReasons() {
		if strings.Contains(r.GetSentence(), "-0000-") {
			t.Errorf("sentence %q", r.GetSentence())
		}
		found = found || strings.Contains(r.GetSentence(), "fills-1") && strings.Contains(r.GetSentence(), "fills-2")
	}
	if !found {
		t.Errorf("no reason names both readings: %v", resp.GetStanding().GetReasons())
	}
}

// TestEvaluateRefuses has one mistake each; the violation must name the field and the reason.
func TestEvaluateRefuses(t *testing.T) {
	for _, tt := range []struct {
		name   string
		spoil  func(*compliancepb.EvaluateRequest)
		field  string
		reason string
	}{
		{"no instant", func(r *compliancepb.EvaluateRequest) { r.Instant = nil }, "instant", "INVALID_FIELD"},
		{"an instant before the calendar", func(r *compliancepb.EvaluateRequest) { r.Instant.Seconds = -4e9 }, "instant", "INVALID_FIELD"},
		{"an instant after it", func(r *compliancepb.EvaluateRequest) { r.Instant.Seconds = 2e11 }, "instant", "INVALID_FIELD"},
		{"which unit", func(r *compliancepb.EvaluateRequest) { r.Unit = "" }, "unit", "INVALID_FIELD"},
		{"unknown unit", func(r *compliancepb.EvaluateRequest) { r.Unit = "X" }, "unit", "INVALID_FIELD"},
		{"unit twice", func(r *compliancepb.EvaluateRequest) { r.Units[1].Unit = "C-1" }, "units[1].unit", "INVALID_FIELD"},
		{"no such zone", func(r *compliancepb.EvaluateRequest) { r.Units[0].Stays[0].TimeZone = "Mars/Olympus" }, "units[0].stays[0].time_zone", "INVALID_FIELD"},
		{"the machine's own zone", func(r *compliancepb.EvaluateRequest) { r.Units[0].Stays[0].TimeZone = "Local" }, "units[0].stays[0].time_zone", "INVALID_FIELD"},
		{"stays out of order", func(r *compliancepb.EvaluateRequest) {
			r.Units[0].Stays = append(r.Units[0].Stays, r.Units[0].Stays[0])
		}, "units[0].stays[1].start_time", "INVALID_FIELD"},
		{"30 February", func(r *compliancepb.EvaluateRequest) { r.Units[0].ManufactureDate = dateOf(2024, 2, 30) }, "units[0].manufacture_date", "INVALID_FIELD"},
		{"a mark that is no date", func(r *compliancepb.EvaluateRequest) { r.Entries[0].GetTest().MarkDate = dateOf(2021, 13, 0) }, "entries[0].test.mark_date", "INVALID_FIELD"},
		{"entry twice", func(r *compliancepb.EvaluateRequest) { r.Entries[1].Id = "hydro" }, "entries[1].id", "INVALID_FIELD"},
		{"entry of nobody", func(r *compliancepb.EvaluateRequest) { r.Entries[1].Unit = "X" }, "entries[1].unit", "INVALID_FIELD"},
		{"entry of nothing", func(r *compliancepb.EvaluateRequest) { r.Entries[1].Detail = nil }, "entries[1].detail", "INVALID_FIELD"},
		{"negative fills", func(r *compliancepb.EvaluateRequest) {
			r.Entries[1].GetUsage().GetReading().Value = &historypb.MeterReading_Fills{Fills: -1}
		}, "entries[1].usage.reading.fills", "INVALID_FIELD"},
		{"correction of nothing", func(r *compliancepb.EvaluateRequest) { r.Entries[3].GetAmendment().CorrectedEntry = "X" }, "entries[3].amendment.corrected_entry", "AMENDMENT_TARGET"},
		{"correction of a correction", func(r *compliancepb.EvaluateRequest) { r.Entries[3].GetAmendment().CorrectedEntry = "wrong" }, "entries[3].amendment.corrected_entry", "AMENDMENT_TARGET"},
		{"correction of another's", func(r *compliancepb.EvaluateRequest) { r.Entries[3].GetAmendment().CorrectedEntry = "leak" }, "entries[3].amendment.corrected_entry", "AMENDMENT_TARGET"},
		{"fitted backwards", func(r *compliancepb.EvaluateRequest) {
			r.Fittings[0].UnfitTime = timestamppb.New(r.Fittings[0].FitTime.AsTime())
		}, "fittings[0].unfit_time", "INVALID_FIELD"},
		{"fitted twice", func(r *compliancepb.EvaluateRequest) { r.Fittings = append(r.Fittings, r.Fittings[0]) }, "fittings[1]", "FITTING_OVERLAP"},
		{"fitted to itself", func(r *compliancepb.EvaluateRequest) { r.Fittings[0].Host = "V-1" }, "fittings[0].host", "FITTING_CYCLE"},
		{"fitted in a ring", func(r *compliancepb.EvaluateRequest) {
			r.Fittings = append(r.Fittings, &compliancepb.EvaluatedFitting{Part: "C-1", Host: "V-1", FitTime: timestamppb.New(time.Date(2023, 1, 1, 0, 0, 0, 0, time.UTC))})
		}, "fittings[1].host", "FITTING_CYCLE"},
		{"pack without a date", func(r *compliancepb.EvaluateRequest) { r.RulePacks[0].EffectiveDate.Day = 0 }, "rule_packs[0].effective_date", "RULE_PACK_INVALID"},
		{"pack twice", func(r *compliancepb.EvaluateRequest) { r.RulePacks = append(r.RulePacks, r.RulePacks[0]) }, "rule_packs[1]", "RULE_PACK_INVALID"},
		{"an attribute longer than the registry takes", func(r *compliancepb.EvaluateRequest) {
			r.Units[0].Attributes = map[string]string{"alloy": strings.Repeat("x", 121)}
		}, `units[0].attributes["alloy"]`, "INVALID_FIELD"},
		{"an attribute called as none may be", func(r *compliancepb.EvaluateRequest) {
			r.Units[0].Attributes = map[string]string{"Alloy": "x"}
		}, `units[0].attributes["Alloy"]`, "INVALID_FIELD"},
		{"predicates that are too much together", func(r *compliancepb.EvaluateRequest) {
			pack := r.RulePacks[0]
			r.RulePacks = nil
			for i := range 3 { // each within the bound of a pack
				p := proto.Clone(pack).(*compliancepb.RulePack)
				p.Name, p.Rules = fmt.Sprintf("rulePacks/p-%d", i), nil
				for j := range 20 {
					k := proto.Clone(pack.Rules[0]).(*compliancepb.Rule)
					k.Id = fmt.Sprintf("r-%d", j)
					k.Scope = &compliancepb.Scope{Where: fmt.Sprintf(`size == "%d-%d"`, i, j) + strings.Repeat(` || kind == "x"`, 64)}
					p.Rules = append(p.Rules, k)
				}
				r.RulePacks = append(r.RulePacks, p)
			}
		}, "rule_packs[2].rules[11].scope.where", "RULE_PACK_INVALID"},
		{"too many clocks", func(r *compliancepb.EvaluateRequest) {
			for len(r.Units) < 100 {
				u := proto.Clone(r.Units[0]).(*compliancepb.UnitFacts)
				u.Unit += strings.Repeat("x", len(r.Units))
				r.Units = append(r.Units, u)
			}
			for len(r.RulePacks[0].Rules) < 400 {
				k := proto.Clone(r.RulePacks[0].Rules[0]).(*compliancepb.Rule)
				k.Id = fmt.Sprintf("r-%d", len(r.RulePacks[0].Rules))
				r.RulePacks[0].Rules = append(r.RulePacks[0].Rules, k)
			}
		}, "rule_packs", "INVALID_FIELD"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			req := exampleQuestion(t, "2025-07-01T00:00:00Z")
			tt.spoil(req)
			_, err := Evaluate(req)
			e := errs.As(err)
			if e == nil || e.Kind != errs.Invalid {
				t.Fatalf("answered %v", err)
			}
			if !slices.ContainsFunc(e.Violations, func(v errs.Violation) bool {
				return v.Field == tt.field && v.Reason == tt.reason && v.Description != ""
			}) {
				t.Errorf("violations %+v", e.Violations)
			}
		})
	}
}

// TestEnumsAgree: due's values are the API's, by number and by name.
func TestEnumsAgree(t *testing.T) {
	check := func(got protoreflect.Enum, want string) {
		t.Helper()
		if v := got.Descriptor().Values().ByNumber(got.Number()); v == nil || string(v.Name()) != want {
			t.Errorf("%v, want %s", v, want)
		}
	}
	for s, want := range map[due.State]string{0: "STATE_UNSPECIFIED", due.Fine: "STATE_FINE", due.DueSoon: "STATE_DUE_SOON", due.Due: "STATE_DUE", due.Overdue: "STATE_OVERDUE", due.NoAnchor: "STATE_NO_ANCHOR"} {
		check(compliancepb.Clock_State(s), want)
	}
	for c, want := range map[due.Cause]string{due.CauseManual: "CAUSE_MANUAL", due.CauseFailed: "CAUSE_FAILED", due.CauseInconclusive: "CAUSE_INCONCLUSIVE", due.CauseCondition: "CAUSE_CONDITION", due.CauseMissingHistory: "CAUSE_MISSING_HISTORY", due.CauseCondemned: "CAUSE_CONDEMNED", due.CauseRecall: "CAUSE_RECALL", due.CauseOrder: "CAUSE_ORDER"} {
		check(compliancepb.Hold_Cause(c), want)
	}
	for b, want := range map[due.Baseline]string{due.Manufacture: "BASELINE_MANUFACTURE", due.FirstUse: "BASELINE_FIRST_USE", due.Commissioning: "BASELINE_COMMISSIONING"} {
		check(compliancepb.Baseline(b), want)
	}
	for a, want := range map[due.Authority]string{due.Law: "AUTHORITY_LAW", due.Standard: "AUTHORITY_STANDARD", due.Maker: "AUTHORITY_MAKER", due.House: "AUTHORITY_HOUSE"} {
		check(compliancepb.Authority(a), want)
	}
	for _, c := range []due.Code{
		due.HoldOpen, due.DateLimitPassed, due.DateLimitBeforeReturn, due.UsageLimitReached, due.UsageLeftTooLittle, due.MissingHistory, due.UnitCondemned,
		due.EndOfLife, due.Retired, due.FittedElsewhere, due.NotYetCommissioned, due.NoRule,
	} {
		if _, ok := typepb.Reason_value["REASON_"+string(c)]; !ok {
			t.Errorf("no reason %s in the API", c)
		}
	}
}
