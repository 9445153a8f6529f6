package compliancerpc

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func at(t testing.TB, s string) *timestamppb.Timestamp {
	t.Helper()
	v, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return timestamppb.New(v)
}

// excused is a question about the valve of the example, overdue since 2026-01-31 and mended, with a waiver for February.
func excused(t testing.TB, instant string) *compliancepb.EvaluateRequest {
	t.Helper()
	req := exampleQuestion(t, instant)
	req.Unit = "V-1"
	req.Entries = slices.DeleteFunc(req.Entries, func(e *compliancepb.EvaluatedEntry) bool { return e.GetId() == "leak" })
	req.RulePacks[0].Rules[1].PhaseIn = &compliancepb.PhaseIn{AtOnce: true}
	req.Waivers = []*compliancepb.EvaluatedWaiver{{
		Unit: "V-1", Rule: "us/valve", StartDate: dateOf(2026, 2, 1), EndDate: dateOf(2026, 2, 28), GrantTime: at(t, "2026-01-20T12:00:00Z"),
	}}
	return req
}

// TestEvaluateWaivers: a waiver excuses its unit from its rule on its days, at the unit's shop, and no longer than it stood.
func TestEvaluateWaivers(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name, at, known string
		change          func(w *compliancepb.EvaluatedWaiver)
		fill            bool
		waiver          string
	}{
		{name: "before the work is due", at: "2026-01-31T17:00:00Z", fill: true},
		{name: "the first day at the shop", at: "2026-02-01T05:00:00Z", fill: true, waiver: "V-1/waivers/#0"},
		{name: "the last evening at the shop", at: "2026-03-01T04:59:59Z", fill: true, waiver: "V-1/waivers/#0"},
		{name: "midnight after it", at: "2026-03-01T05:00:00Z"},
		{name: "as known before it was granted", at: "2026-02-10T12:00:00Z", known: "2026-01-20T11:59:59Z"},
		{name: "the day before it was revoked", at: "2026-02-09T12:00:00Z", fill: true, waiver: "V-1/waivers/#0", change: func(w *compliancepb.EvaluatedWaiver) {
			w.RevokeTime = at(t, "2026-02-10T12:00:00Z")
		}},
		{name: "the day it was revoked", at: "2026-02-10T13:00:00Z", change: func(w *compliancepb.EvaluatedWaiver) { w.RevokeTime = at(t, "2026-02-10T12:00:00Z") }},
		{name: "another unit's", at: "2026-02-10T12:00:00Z", change: func(w *compliancepb.EvaluatedWaiver) { w.Unit = "C-1" }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			req := excused(t, tt.at)
			if tt.change != nil {
				tt.change(req.Waivers[0])
			}
			if tt.known != "" {
				req.KnownTime = at(t, tt.known)
				for _, e := range req.GetEntries() {
					e.RecordedTime = nil
				}
			}
			resp, err := Evaluate(req)
			if err != nil {
				t.Fatal(err)
			}
			s := resp.GetStanding()
			if len(s.GetClocks()) != 1 || s.GetMayFill() != tt.fill || s.GetClocks()[0].GetWaiver() != tt.waiver {
				t.Errorf("may fill %v, clocks %v", s.GetMayFill(), s.GetClocks())
			}
			if (len(s.GetWaivers()) == 1) != (tt.waiver != "") || tt.waiver != "" && (s.GetWaivers()[0].GetName() != tt.waiver || s.GetWaivers()[0].GetRule() != "orgs/demo/rulePacks/us/rules/valve") {
				t.Errorf("waivers %v", s.GetWaivers())
			}
			told := slices.ContainsFunc(resp.GetClocks()[0].GetSteps(), func(s *compliancepb.ExplanationStep) bool {
				return s.GetKind() == compliancepb.ExplanationStep_KIND_WAIVER
			})
			if known := tt.known == "" && tt.change == nil; known && !told {
				t.Errorf("the explanation does not speak of the waiver: %v", resp.GetClocks()[0])
			}
		})
	}
}

func TestEvaluateRefusesWaivers(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name   string
		spoil  func(r *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver)
		field  string
		value  string
		reason string
		want   string
	}{
		{"unknown unit", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) { w.Unit = "V-2" }, "unit", "V-2", "INVALID_FIELD", "want one of units"},
		{"unknown rule", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) { w.Rule = "us/valves" }, "rule", "us/valves", "INVALID_FIELD", "{pack}/{rule}"},
		{"unknown pack", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) { w.Rule = "gb/valve" }, "rule", "gb/valve", "INVALID_FIELD", "{pack}/{rule}"},
		{"no pack", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) { w.Rule = "valve" }, "rule", "valve", "INVALID_FIELD", "{pack}/{rule}"},
		{"law", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) { w.Rule = "us/requal" }, "rule", "us/requal", "RULE_NOT_WAIVABLE", "law"},
		{"end of life", func(r *compliancepb.EvaluateRequest, _ *compliancepb.EvaluatedWaiver) {
			r.RulePacks[0].Rules[1].EndOfLife, r.RulePacks[0].Rules[1].Activity = true, ""
		}, "rule", "us/valve", "RULE_NOT_WAIVABLE", "end of life"},
		{"ends before it begins", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) {
			w.EndDate = dateOf(2026, 1, 31)
		}, "end_date", "2026-01-31", "INVALID_FIELD", "2026-02-01"},
		{"too long", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) { w.EndDate = dateOf(2027, 2, 3) }, "end_date", "2027-02-03", "INVALID_FIELD", "366 days"},
		{"no such day", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) {
			w.EndDate = dateOf(2026, 2, 29)
		}, "end_date", "2026-02-29", "INVALID_FIELD", ""},
		{"only a month", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) {
			w.StartDate = &date.Date{Year: 2026, Month: 2}
		}, "start_date", "2026-02-00", "INVALID_FIELD", "full date"},
		{"revoked before it was granted", func(_ *compliancepb.EvaluateRequest, w *compliancepb.EvaluatedWaiver) {
			w.RevokeTime = at(t, "2026-01-01T00:00:00Z")
		}, "revoke_time", "2026-01-01T00:00:00Z", "INVALID_FIELD", "not before grant_time"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			req := excused(t, "2026-02-10T12:00:00Z")
			tt.spoil(req, req.Waivers[0])
			_, err := Evaluate(req)
			e := errs.As(err)
			if e == nil || !slices.ContainsFunc(e.Violations, func(v errs.Violation) bool {
				return v.Field == "waivers[0]."+tt.field && v.Value == tt.value && v.Reason == tt.reason && strings.Contains(v.Description, tt.want)
			}) {
				t.Errorf("answered %v", err)
			}
		})
	}
}

// TestEvaluateExplains: the clocks are told link by link, with the uses that count, latest first; those of the part too.
func TestEvaluateExplains(t *testing.T) {
	t.Parallel()
	resp, err := Evaluate(exampleQuestion(t, "2025-07-01T00:00:00Z"))
	if err != nil {
		t.Fatal(err)
	}
	s := resp.GetStanding()
	if len(resp.GetClocks()) != len(s.GetClocks()) {
		t.Fatalf("%d of %d clocks are told", len(resp.GetClocks()), len(s.GetClocks()))
	}
	for i, c := range resp.GetClocks() {
		if !proto.Equal(c.GetClock(), s.GetClocks()[i]) {
			t.Errorf("clock %d is told as another: %v", i, c)
		}
		var sentences []string
		for _, step := range c.GetSteps() {
			sentences = append(sentences, step.GetSentence())
		}
		if !slices.Equal(sentences, c.GetClock().GetExplanation()) {
			t.Errorf("the steps say %q, and the explanation %q", sentences, c.GetClock().GetExplanation())
		}
	}
	requal := resp.GetClocks()[0]
	if k := step(requal, compliancepb.ExplanationStep_KIND_ANCHOR); k.GetEntry() != "hydro" || !proto.Equal(k.GetDate(), &date.Date{Year: 2021, Month: 3}) {
		t.Errorf("anchor %v", k)
	}
	last := requal.GetSteps()[len(requal.GetSteps())-1]
	if last.GetKind() != compliancepb.ExplanationStep_KIND_RESULT || !proto.Equal(last.GetDate(), dateOf(2025, 6, 30)) {
		t.Errorf("result %v", last)
	}
	want := []*compliancepb.CountedUse{
		{Entry: "fills-2", OccurredTime: at(t, "2025-06-10T15:00:00Z"), Fills: 12, Metered: true},
		{Entry: "fills-1", OccurredTime: at(t, "2025-03-10T15:00:00Z"), Fills: 30, Metered: true},
	}
	if len(requal.GetUses()) != 2 || !proto.Equal(requal.GetUses()[0], want[0]) || !proto.Equal(requal.GetUses()[1], want[1]) || requal.GetOmittedUseCount() != 0 {
		t.Errorf("uses %v", requal.GetUses())
	}
	if valve := resp.GetClocks()[1]; len(valve.GetUses()) != 0 {
		t.Errorf("a clock without a usage limit lists %v", valve.GetUses())
	}
}

// TestEvaluateLeavesOutOldUses: of more than 500 uses the latest are listed, and the rest is counted.
func TestEvaluateLeavesOutOldUses(t *testing.T) {
	t.Parallel()
	req := exampleQuestion(t, "2025-07-01T00:00:00Z")
	start := at(t, "2022-01-01T00:00:00Z").AsTime()
	for i := range 700 {
		req.Entries = append(req.Entries, &compliancepb.EvaluatedEntry{
			Unit: "C-1", OccurredTime: timestamppb.New(start.Add(time.Duration(i) * time.Hour)),
			Detail: &compliancepb.EvaluatedEntry_Usage{Usage: &historypb.Usage{Estimated: true, Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Fills: 1, RunningTime: durationpb.New(time.Hour)}}}},
		})
	}
	resp, err := Evaluate(req)
	if err != nil {
		t.Fatal(err)
	}
	c := resp.GetClocks()[0]
	if len(c.GetUses()) != 500 || c.GetOmittedUseCount() != 202 || c.GetClock().GetFillsUsed() != 742 {
		t.Errorf("%d uses listed, %d left out, %d fills", len(c.GetUses()), c.GetOmittedUseCount(), c.GetClock().GetFillsUsed())
	}
	if u := c.GetUses()[2]; !u.GetEstimated() || u.GetRunningTime().AsDuration() != time.Hour {
		t.Errorf("use %v", u)
	}
}

// TestEvaluatePredicates: serial number and model are what predicates see.
func TestEvaluatePredicates(t *testing.T) {
	t.Parallel()
	for serial, want := range map[string]int{"V0100": 2, "V0099": 1, "": 1} {
		req := exampleQuestion(t, "2025-07-01T00:00:00Z")
		req.RulePacks[0].Rules[1].Scope.Where = `serialWithin(serial, "V100", "V199") && model == "inline"`
		req.Units[1].SerialNumber, req.Units[1].Model = serial, "inline"
		resp, err := Evaluate(req)
		if err != nil {
			t.Fatal(err)
		}
		if got := len(resp.GetStanding().GetClocks()); got != want {
			t.Errorf("serial number %q: %d clocks, want %d", serial, got, want)
		}
	}
}
