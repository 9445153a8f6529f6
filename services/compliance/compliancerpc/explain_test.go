package compliancerpc

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// hardPack has a rule whose limit is shorter for hard use. Its figures are common practice, no source.
const hardPack = `
title: Hard use
effectiveDate: {year: 2020, month: 1, day: 1}
rules:
  - {id: hard, title: Inspection, activity: inspection, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [first-stage]}, limit: {months: 24}, conditionalLimits: [{intensity: {dives: 6, days: 2}, limit: {months: 6}}], baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`

func (r *rig) explain(req *compliancepb.ExplainUnitRequest) *compliancepb.ExplainUnitResponse {
	r.t.Helper()
	req.AtLeast = r.position
	resp, err := r.compliance.ExplainUnit(r.t.Context(), req)
	if err != nil {
		r.t.Fatal(err)
	}
	return resp
}

// TestExplainUnit compares the explanation with the standing, the uses with what the clocks say was used, and names every entry by the
// unit it is of.
func TestExplainUnit(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.publish("hard", hardPack)
	r.catalogue("regulator-set", "first-stage")
	host, part := r.unit("regulator-set", "R-1", "north"), r.unit("first-stage", "F-1", "south")
	early := r.record(part, now.AddDate(0, -4, -10), dives(7)) // before it was fitted, and a day's hard use
	overhaul := r.record(part, now.AddDate(0, -3, 0), func(e *historypb.Entry) {
		e.Detail = &historypb.Entry_Service{Service: &historypb.Service{Activities: []string{"overhaul"}, Outcome: historypb.Outcome_OUTCOME_PASS}}
	})
	r.fit(part, host)
	used := r.record(host, now.AddDate(0, -2, 0), dives(3))
	r.record(host, now.AddDate(0, -5, 0), dives(5)) // before the part was fitted
	known := r.clock.Now()
	r.clock.Advance(time.Hour)
	late := r.record(host, now.AddDate(0, -1, 0), dives(4))

	for _, req := range []*compliancepb.GetStandingRequest{
		{Unit: host}, {Unit: part}, {Unit: host, KnownTime: timestamppb.New(known)}, {Unit: host, Instant: timestamppb.New(now.AddDate(0, -1, -1))},
	} {
		req.AtLeast = r.position
		st, err := r.compliance.GetStanding(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		got := r.explain(&compliancepb.ExplainUnitRequest{Unit: req.GetUnit(), Instant: req.GetInstant(), KnownTime: req.GetKnownTime()})
		if diff := cmp.Diff(st.GetStanding(), got.GetStanding(), protocmp.Transform()); diff != "" {
			t.Errorf("%v: the standing (-) differs from the explanation's (+):\n%s", req, diff)
		}
		if !proto3Equal(got.GetPosition(), r.position) {
			t.Errorf("position %v, want %v", got.GetPosition(), r.position)
		}
		var clocks []*compliancepb.Clock
		for _, c := range got.GetClocks() {
			clocks = append(clocks, c.GetClock())
			var sentences []string
			var sum int64
			for _, s := range c.GetSteps() {
				sentences = append(sentences, s.GetSentence())
			}
			for _, u := range c.GetUses() {
				sum += u.GetDives()
			}
			if limited := c.GetClock().GetLimit().GetDives() > 0; limited && sum != c.GetClock().GetDivesUsed() || !limited && sum != 0 {
				t.Errorf("%v: %s counts %d dives and lists %d", req, c.GetClock().GetRule(), c.GetClock().GetDivesUsed(), sum)
			}
			if diff := cmp.Diff(c.GetClock().GetExplanation(), sentences); diff != "" {
				t.Errorf("the explanation (-) and the steps (+) differ:\n%s", diff)
			}
			if n := len(c.GetSteps()); n < 4 || c.GetSteps()[0].GetKind() != compliancepb.ExplanationStep_KIND_RULE || c.GetSteps()[n-1].GetKind() != compliancepb.ExplanationStep_KIND_RESULT {
				t.Errorf("the chain of %s: %v", c.GetClock().GetRule(), c.GetSteps())
			}
		}
		if diff := cmp.Diff(st.GetStanding().GetClocks(), clocks, protocmp.Transform()); diff != "" {
			t.Errorf("%v: clocks of the standing (-) and explained (+):\n%s", req, diff)
		}
	}

	rule := r.org + "/rulePacks/house/rules/regulator"
	whole := r.explain(&compliancepb.ExplainUnitRequest{Unit: host, Rule: rule})
	if len(whole.GetClocks()) != 2 || len(whole.GetStanding().GetClocks()) != 3 {
		t.Fatalf("%d clocks are explained and %d stand; want those of the one rule, and all", len(whole.GetClocks()), len(whole.GetStanding().GetClocks()))
	}
	ofPart := whole.GetClocks()[1]
	if anchor := ofPart.GetSteps()[2]; anchor.GetKind() != compliancepb.ExplanationStep_KIND_ANCHOR || anchor.GetEntry() != overhaul {
		t.Errorf("the anchor is %v, want entry %s", anchor, overhaul)
	}
	var entries []string
	for _, u := range ofPart.GetUses() {
		entries = append(entries, u.GetEntry())
	}
	if diff := cmp.Diff([]string{late, used}, entries); diff != "" {
		t.Errorf("the part's uses are the host's since its overhaul, latest first (-want +got):\n%s", diff)
	}
	if was := r.explain(&compliancepb.ExplainUnitRequest{Unit: host, Rule: rule, KnownTime: timestamppb.New(known)}); len(was.GetClocks()[1].GetUses()) != 1 {
		t.Errorf("as known before the late entry: %v", was.GetClocks()[1].GetUses())
	}

	hard := r.explain(&compliancepb.ExplainUnitRequest{Unit: part, Rule: r.org + "/rulePacks/hard/rules/hard"})
	if basis := step(hard.GetClocks()[0], compliancepb.ExplanationStep_KIND_INTERVAL); basis.GetEntry() != early {
		t.Errorf("the hard use is %v, want entry %s", basis, early)
	}
	// Used hard only as a part: the entry is the host's.
	other := r.unit("first-stage", "F-2", "north")
	r.fit(other, host)
	r.record(host, now.AddDate(0, 0, -2), dives(2))
	burst := r.record(host, now.AddDate(0, 0, -1), dives(4))
	hard = r.explain(&compliancepb.ExplainUnitRequest{Unit: other, Rule: r.org + "/rulePacks/hard/rules/hard"})
	if basis := step(hard.GetClocks()[0], compliancepb.ExplanationStep_KIND_INTERVAL); basis.GetEntry() != burst {
		t.Errorf("the hard use is %v, want the host's entry %s", basis, burst)
	}

	_, err := r.compliance.ExplainUnit(t.Context(), &compliancepb.ExplainUnitRequest{Unit: host, Rule: r.org + "/rulePacks/house/rules/bcd"})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	for _, want := range []string{"rule: house/bcd", "R-1", "hard/hard", "house/regulator"} {
		if !strings.Contains(status.Convert(err).Message(), want) {
			t.Errorf("%q is not in: %v", want, err)
		}
	}
	_, err = r.compliance.ExplainUnit(t.Context(), &compliancepb.ExplainUnitRequest{Unit: host, Rule: "orgs/atoll/rulePacks/house/rules/bcd"})
	wantReason(t, err, codes.PermissionDenied, "ORG_MISMATCH")
	_, err = r.compliance.ExplainUnit(t.Context(), &compliancepb.ExplainUnitRequest{Unit: r.org + "/units/" + uuid.NewString()})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
}

// TestExplainUnitBoundsItsUses: of more uses than an answer lists the latest are listed, and the others counted.
func TestExplainUnitBoundsItsUses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set")
	unit := r.unit("regulator-set", "R-1", "north")
	const n = maxUses + 7
	var latest string
	for i := range n {
		latest = r.record(unit, now.Add(time.Duration(i-n)*time.Minute), dives(1))
	}
	got := r.explain(&compliancepb.ExplainUnitRequest{Unit: unit}).GetClocks()[0]
	if len(got.GetUses()) != maxUses || got.GetOmittedUseCount() != 7 || got.GetUses()[0].GetEntry() != latest {
		t.Errorf("%d uses from %s and %d omitted, want %d from %s and 7", len(got.GetUses()), got.GetUses()[0].GetEntry(), got.GetOmittedUseCount(), maxUses, latest)
	}
}

func step(c *compliancepb.ClockExplanation, kind compliancepb.ExplanationStep_Kind) *compliancepb.ExplanationStep {
	for _, s := range c.GetSteps() {
		if s.GetKind() == kind {
			return s
		}
	}
	return nil
}
