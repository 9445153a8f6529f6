package compliancerpc

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// TestEvaluateLargest asks the largest question there may be: 50,000 entries of 100 units fitted 20 deep, each re-fitted ten
// times, under 200 rules, every tenth entry corrected. It must be answered within a client's patience.
func TestEvaluateLargest(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	req := exampleQuestion(t, "2026-01-01T00:00:00Z")
	start := time.Date(2021, 3, 2, 15, 0, 0, 0, time.UTC)
	unit := func(i int) string { return fmt.Sprintf("U-%d", i) }
	units, rules := req.GetUnits(), req.GetRulePacks()[0].GetRules()
	req.Unit, req.Units, req.Fittings, req.Entries, req.RulePacks[0].Rules = unit(0), nil, nil, nil, nil
	for i := range 100 {
		u := proto.Clone(units[i%2]).(*compliancepb.UnitFacts)
		u.Unit = unit(i)
		req.Units = append(req.Units, u)
		for n := 0; i > 0 && n < 10; n++ {
			from := start.AddDate(0, 5*n, 0)
			f := &compliancepb.EvaluatedFitting{Part: u.Unit, Host: unit(i - 1), FitTime: timestamppb.New(from), UnfitTime: timestamppb.New(from.AddDate(0, 5, -1))}
			if i%20 == 0 {
				f.Host = unit(0)
			}
			if n == 9 {
				f.UnfitTime = nil
			}
			req.Fittings = append(req.Fittings, f)
		}
	}
	for i := range 200 {
		r := proto.Clone(rules[i%2]).(*compliancepb.Rule)
		r.Id = fmt.Sprintf("r-%d", i)
		req.RulePacks[0].Rules = append(req.RulePacks[0].Rules, r)
	}
	for i := range 50_000 {
		at := timestamppb.New(start.Add(time.Duration(i) * 45 * time.Minute))
		e := &compliancepb.EvaluatedEntry{Id: fmt.Sprintf("e-%d", i), Unit: unit(i * 37 % 100), OccurredTime: at}
		usage := &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Dives: 1, Fills: 1}}}
		e.Detail = &compliancepb.EvaluatedEntry_Usage{Usage: usage}
		if i%10 == 9 {
			e.Unit = req.Entries[i-1].Unit
			e.Detail = &compliancepb.EvaluatedEntry_Amendment{Amendment: &compliancepb.EvaluatedAmendment{
				CorrectedEntry: fmt.Sprintf("e-%d", i-1),
				Replacement:    &historypb.Replacement{OccurredTime: at, Detail: &historypb.Replacement_Usage{Usage: usage}},
			}}
		}
		req.Entries = append(req.Entries, e)
	}
	started := time.Now()
	resp, err := Evaluate(req)
	if err != nil {
		t.Fatal(err)
	}
	took := time.Since(started)
	t.Logf("%d clocks of %d units, %d MiB, in %v", len(resp.GetStanding().GetClocks()), 1+len(resp.GetStanding().GetParts()), proto.Size(resp)>>20, took)
	if len(resp.GetStanding().GetClocks()) != 100*100 {
		t.Errorf("%d clocks", len(resp.GetStanding().GetClocks()))
	}
	if took > 2*time.Minute {
		t.Errorf("it took %v", took)
	}
}
