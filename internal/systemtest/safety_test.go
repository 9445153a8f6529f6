package systemtest

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// TestFailedTestPullsTheSet is invariant 3: from the moment the RPC that records a failed test of a part answers, the set it is
// fitted to may not be handed out, until a later pass of the same activity.
func TestFailedTestPullsTheSet(t *testing.T) {
	t.Parallel()
	f := newFleet(t, Start(t), "pulled")
	set, first := f.unit("regulator-set", "R-1"), f.unit("first-stage", "F-1")
	f.fit(first, set, now.AddDate(0, 0, -90))
	if s := f.standing(set); !s.GetMayHandOut() {
		t.Fatalf("a fresh set may not be handed out: %v", s.GetReasons())
	}
	if s := f.standing(first); s.GetMayHandOut() || !slices.Contains(codes(s), typepb.Reason_REASON_FITTED_ELSEWHERE) {
		t.Fatalf("a fitted part stands alone: %v", s)
	}

	f.stack.Clock.Advance(time.Hour) // so that the ledger learns of the failure after the fleet was set up
	fail := tested(first, now.Add(-2*time.Hour), "leak-test", historypb.Outcome_OUTCOME_FAIL)
	f.append(fail)
	s := f.standing(set)
	if s.GetMayHandOut() || !slices.Contains(codes(s), typepb.Reason_REASON_HOLD_OPEN) {
		t.Fatalf("a failed test of a part does not pull its set: %v", s)
	}
	if got := s.GetHolds()[0]; got.GetEntry() != fail.GetName() || !slices.Equal(got.GetClearedBy(), []string{"leak-test"}) {
		t.Errorf("the hold does not name its entry and its proof: %v", got)
	}

	// A pass of something else, and a pass at the same instant, prove nothing.
	f.append(tested(first, now.Add(-time.Hour), "flow-test", historypb.Outcome_OUTCOME_PASS), tested(first, now.Add(-2*time.Hour), "leak-test", historypb.Outcome_OUTCOME_PASS))
	if f.standing(set).GetMayHandOut() {
		t.Error("a pass of another activity, or at the same instant, lifted the hold")
	}
	// A person cannot lift it either.
	if _, err := f.compliance.LiftHold(t.Context(), &compliancepb.LiftHoldRequest{Name: s.GetHolds()[0].GetName(), Reason: "busy Saturday"}); reasonOf(err) != "HOLD_NEEDS_PROOF" {
		t.Errorf("lifting a hold that needs proof: %v", err)
	}
	f.append(tested(first, now.Add(-30*time.Minute), "leak-test", historypb.Outcome_OUTCOME_PASS))
	if s := f.standing(set); !s.GetMayHandOut() {
		t.Errorf("the proof did not lift the hold: %v", s.GetReasons())
	}

	// The lifted hold of the one unit is still listed, on request.
	for lifted, want := range map[bool]int{false: 0, true: 1} {
		l, err := f.compliance.ListHolds(t.Context(), &compliancepb.ListHoldsRequest{Parent: first, IncludeLifted: lifted, AtLeast: f.position})
		if err != nil || len(l.GetHolds()) != want {
			t.Errorf("holds of one unit, lifted too: %v: %v %v", lifted, l, err)
		}
	}

	// At an instant before the pass it was pulled; and as known before the fail was recorded it was not.
	r, err := f.compliance.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: set, Instant: timestamppb.New(now.Add(-90 * time.Minute)), AtLeast: f.position})
	if err != nil || r.GetStanding().GetMayHandOut() {
		t.Errorf("the past forgot the hold: %v %v", r, err)
	}
	r, err = f.compliance.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: set, Instant: timestamppb.New(now.Add(-90 * time.Minute)), KnownTime: timestamppb.New(now.Add(30 * time.Minute)), AtLeast: f.position})
	if err != nil || !r.GetStanding().GetMayHandOut() {
		t.Errorf("what was recorded later was known before: %v %v", r, err)
	}
}

// TestCondemnedIsFinal: nothing brings a condemned unit back, and the ledger refuses to amend the entry.
func TestCondemnedIsFinal(t *testing.T) {
	t.Parallel()
	f := newFleet(t, Start(t), "condemned")
	cyl := f.unit("cylinder", "C-1")
	end := tested(cyl, now.Add(-48*time.Hour), "hydrostatic-test", historypb.Outcome_OUTCOME_CONDEMNED)
	f.append(end)
	f.append(tested(cyl, now.Add(-24*time.Hour), "hydrostatic-test", historypb.Outcome_OUTCOME_PASS))
	s := f.standing(cyl)
	if s.GetMayFill() || s.GetMayHandOut() || !slices.Contains(codes(s), typepb.Reason_REASON_CONDEMNED) {
		t.Errorf("a later pass brought a condemned cylinder back: %v", s)
	}
	list, err := f.compliance.ListDue(t.Context(), &compliancepb.ListDueRequest{Parent: f.org, HorizonDays: 3650, AtLeast: f.position})
	if err != nil || len(list.GetItems()) != 0 {
		t.Errorf("work is due on a condemned cylinder: %v %v", list, err)
	}
	_, err = f.history.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: f.org, Entries: []*historypb.Entry{amended(cyl, now, end, "typed wrong", nil)}})
	if reasonOf(err) != "CONDEMNATION_FINAL" {
		t.Errorf("amending a condemnation: %v", err)
	}
}

// TestDivesReachPartsThroughFittings follows dives of a set into a part that is swapped, late logs and an amendment.
func TestDivesReachPartsThroughFittings(t *testing.T) {
	t.Parallel()
	f := newFleet(t, Start(t), "dives")
	set, a, b := f.unit("regulator-set", "R-1"), f.unit("second-stage", "S-A"), f.unit("second-stage", "S-B")
	f.fit(a, set, now.AddDate(0, -3, 0))
	swap := now.AddDate(0, -1, 0)
	r, err := f.registry.UnfitUnit(t.Context(), unfit(a, swap))
	if err != nil {
		t.Fatal(err)
	}
	f.saw(r.GetPosition())
	f.fit(b, set, swap)

	typo := dives(set, now.AddDate(0, 0, -20), 40)
	f.append(typo, dives(set, now.AddDate(0, 0, -10), 5))
	f.append(dives(set, now.AddDate(0, 0, -60), 30)) // a late log, of the time when A was fitted
	f.append(dives(set, swap, 1))                    // at the instant of the swap: B is fitted, A is not
	f.append(amended(set, now.Add(-time.Hour), typo, "4 dives, typed as 40", &historypb.Replacement{OccurredTime: typo.GetOccurredTime(), Detail: &historypb.Replacement_Usage{Usage: dives(set, now, 4).GetUsage()}}))
	for unit, want := range map[string]int64{set: 100 - 4 - 5 - 30 - 1, a: 100 - 30, b: 100 - 4 - 5 - 1} {
		if got := f.standing(unit).GetClocks()[0].GetDivesLeft(); got != want {
			t.Errorf("%s has %d dives left, want %d", unit, got, want)
		}
	}
}
