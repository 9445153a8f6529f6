package compliancerpc

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func TestHolds(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage", "bcd")
	host, part := r.unit("regulator-set", "R-1", "north"), r.unit("first-stage", "F-1", "north")
	r.fit(part, host)

	// The unit is not yet in the projection: placing a hold looks for it.
	place := &compliancepb.PlaceHoldRequest{
		Parent: part, Hold: &compliancepb.Hold{Reason: "odd sound", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}, RequestId: uuid.NewString(),
	}
	dry := proto.Clone(place).(*compliancepb.PlaceHoldRequest)
	dry.ValidateOnly, dry.RequestId = true, ""
	if _, err := r.compliance.PlaceHold(t.Context(), dry); err != nil {
		t.Fatal(err)
	}
	if s := r.standing(host); !s.GetMayHandOut() {
		t.Errorf("validate_only pulled the set: %v", s)
	}
	first, err := r.compliance.PlaceHold(t.Context(), place)
	if err != nil {
		t.Fatal(err)
	}
	r.clock.Advance(time.Minute)
	again, err := r.compliance.PlaceHold(t.Context(), place)
	if diff := cmp.Diff(first, again, protocmp.Transform()); err != nil || diff != "" {
		t.Errorf("a repeat: %v\n%s", err, diff)
	}
	other := proto.Clone(place).(*compliancepb.PlaceHoldRequest)
	other.Hold.Reason = "something else"
	_, err = r.compliance.PlaceHold(t.Context(), other)
	wantReason(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
	if h := first.GetHold(); h.GetCause() != compliancepb.Hold_CAUSE_MANUAL || h.GetPlacer() != "test:chain-manager" || !strings.HasPrefix(h.GetName(), part+"/holds/") || h.GetLiftTime() != nil {
		t.Errorf("hold: %v", h)
	}
	r.position.Compliance = first.GetPosition().GetCompliance()
	if s := r.standing(host); s.GetMayHandOut() || !slices.Equal(reasons(s.GetReasons()), []string{"REASON_HOLD_OPEN"}) || s.GetHolds()[0].GetName() != first.GetHold().GetName() {
		t.Errorf("a hold on the part does not pull the set: %v", s)
	}
	named := &compliancepb.PlaceHoldRequest{Parent: host, Hold: place.GetHold(), HoldId: uuid.NewString()}
	if _, err := r.compliance.PlaceHold(t.Context(), named); err != nil {
		t.Fatal(err)
	}
	_, err = r.compliance.PlaceHold(t.Context(), named)
	wantReason(t, err, codes.AlreadyExists, "ALREADY_EXISTS")
	_, err = r.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: r.org + "/units/" + uuid.NewString(), Hold: place.GetHold()})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	_, err = r.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: part, Hold: &compliancepb.Hold{Reason: "x"}})
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")

	// Lifting.
	r.clock.Advance(time.Minute)
	lift := &compliancepb.LiftHoldRequest{Name: first.GetHold().GetName(), Reason: "it was the hose", RequestId: uuid.NewString()}
	lifted, err := r.compliance.LiftHold(t.Context(), lift)
	if err != nil || lifted.GetHold().GetLiftReason() != "it was the hose" || lifted.GetHold().GetLiftTime() == nil || lifted.GetHold().GetLifter() == "" {
		t.Errorf("lifting: %v, %v", lifted, err)
	}
	if again, err := r.compliance.LiftHold(t.Context(), lift); err != nil || !proto.Equal(again, lifted) {
		t.Errorf("a repeat: %v, %v", again, err)
	}
	lift.RequestId = ""
	_, err = r.compliance.LiftHold(t.Context(), lift)
	wantReason(t, err, codes.FailedPrecondition, "HOLD_LIFTED")
	lift.Name = host + "/holds/" + uuid.NewString()
	_, err = r.compliance.LiftHold(t.Context(), lift)
	wantReason(t, err, codes.NotFound, "NOT_FOUND")

	// What an entry placed lifts by its proof alone.
	r.record(part, now, test("overhaul", historypb.Outcome_OUTCOME_FAIL))
	derived := r.standing(part).GetHolds()
	if len(derived) != 1 {
		t.Fatalf("holds of the part: %v", derived)
	}
	lift.Name = derived[0].GetName()
	_, err = r.compliance.LiftHold(t.Context(), lift)
	if meta := wantReason(t, err, codes.FailedPrecondition, "HOLD_NEEDS_PROOF"); meta["clearedBy"] != "overhaul" || !strings.Contains(err.Error(), "overhaul") {
		t.Errorf("the refusal does not name the proof: %v, %v", err, meta)
	}
	got, err := r.compliance.GetHold(t.Context(), &compliancepb.GetHoldRequest{Name: derived[0].GetName()})
	if diff := cmp.Diff(derived[0], got.GetHold(), protocmp.Transform()); err != nil || diff != "" {
		t.Errorf("the derived hold: %v\n%s", err, diff)
	}
	if got, err := r.compliance.GetHold(t.Context(), &compliancepb.GetHoldRequest{Name: first.GetHold().GetName()}); err != nil || !proto.Equal(got.GetHold(), lifted.GetHold()) {
		t.Errorf("the lifted hold: %v, %v", got, err)
	}
	r.clock.Advance(time.Minute)
	r.record(part, r.clock.Now(), test("overhaul", historypb.Outcome_OUTCOME_PASS))
	if s := r.standing(part); len(s.GetHolds()) > 0 {
		t.Errorf("proved and still held: %v", s.GetHolds())
	}
	_, err = r.compliance.LiftHold(t.Context(), lift)
	wantReason(t, err, codes.FailedPrecondition, "HOLD_LIFTED")
	r.record(part, r.clock.Now(), test("overhaul", historypb.Outcome_OUTCOME_CONDEMNED))
	lift.Name = r.standing(part).GetHolds()[0].GetName()
	_, err = r.compliance.LiftHold(t.Context(), lift)
	wantReason(t, err, codes.FailedPrecondition, "HOLD_NEEDS_PROOF")
}

func TestListHolds(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("bcd", "regulator-set", "first-stage")
	host, part := r.unit("regulator-set", "R-1", "south"), r.unit("first-stage", "F-1", "south")
	r.fit(part, host)
	var want []string // newest first
	for i := range 9 {
		r.clock.Advance(time.Minute)
		tag := "B-" + string(rune('a'+i))
		unit := r.unit("bcd", tag, "north")
		if i%2 == 0 {
			r.record(unit, r.clock.Now(), test("inspection", historypb.Outcome_OUTCOME_FAIL))
		} else if _, err := r.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: unit, Hold: &compliancepb.Hold{Reason: "x", Blocks: []compliancepb.Use{compliancepb.Use_USE_FILL}}}); err != nil {
			t.Fatal(err)
		}
		want = append([]string{tag}, want...)
	}
	r.clock.Advance(time.Minute)
	r.record(part, r.clock.Now(), test("overhaul", historypb.Outcome_OUTCOME_FAIL))
	list := func(size int32, change func(*compliancepb.ListHoldsRequest)) (out []string) {
		t.Helper()
		token := ""
		for {
			req := &compliancepb.ListHoldsRequest{Parent: r.org + "/units/-", PageSize: size, PageToken: token, AtLeast: r.position}
			change(req)
			resp, err := r.compliance.ListHolds(t.Context(), req)
			if err != nil {
				t.Fatal(err)
			}
			for _, h := range resp.GetHolds() {
				if h.GetAssetTag() == "F-1" && (h.GetHostTag() != "R-1" || h.GetShop() != r.org+"/shops/south" || h.GetKind() != "first-stage") {
					t.Errorf("the part's hold: %v", h)
				}
				out = append(out, h.GetAssetTag())
			}
			if token = resp.GetNextPageToken(); token == "" {
				return out
			}
		}
	}
	all := func(*compliancepb.ListHoldsRequest) {}
	want = append([]string{"F-1"}, want...)
	for _, size := range []int32{1, 2, 3, 100} {
		if got := list(size, all); !slices.Equal(got, want) {
			t.Errorf("pages of %d: %v, want %v", size, got, want)
		}
	}
	if got := list(3, func(q *compliancepb.ListHoldsRequest) { q.Shop = r.org + "/shops/south" }); !slices.Equal(got, []string{"F-1"}) {
		t.Errorf("of a shop: %v", got)
	}
	if got := list(3, func(q *compliancepb.ListHoldsRequest) { q.Parent = part }); !slices.Equal(got, []string{"F-1"}) {
		t.Errorf("of a unit: %v", got)
	}
	r.clock.Advance(time.Minute)
	r.record(part, r.clock.Now(), test("overhaul", historypb.Outcome_OUTCOME_PASS))
	if got := list(4, all); !slices.Equal(got, want[1:]) {
		t.Errorf("after one was proved: %v", got)
	}
	if got := list(4, func(q *compliancepb.ListHoldsRequest) { q.IncludeLifted = true }); !slices.Equal(got, want) {
		t.Errorf("with the lifted one: %v", got)
	}
	_, err := r.compliance.ListHolds(t.Context(), &compliancepb.ListHoldsRequest{Parent: r.org + "/units/" + uuid.NewString()})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	_, err = r.compliance.ListHolds(t.Context(), &compliancepb.ListHoldsRequest{Parent: r.org + "/units/-", PageToken: "AAAA"})
	wantReason(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")
}

func TestRulePacks(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.catalogue("bcd")
	unit := r.unit("bcd", "B-1", "north")
	if got := reasons(r.standing(unit).GetReasons()); !slices.Equal(got, []string{"REASON_NO_RULE"}) {
		t.Fatalf("without packs: %v", got)
	}
	first := r.publish("house", housePack)
	if first.GetName() != r.org+"/rulePacks/house" || first.GetRevision() != 1 || first.GetCreateTime() == nil {
		t.Errorf("pack: %v", first)
	}
	if s := r.standing(unit); !s.GetMayHandOut() || len(s.GetClocks()) != 1 {
		t.Errorf("published and not in force: %v", s)
	}
	if again := r.publish("house", housePack); !proto.Equal(first, again) {
		t.Errorf("an equal pack became %v", again)
	}
	stricter := strings.Replace(housePack, "activity: inspection", "activity: strict-inspection", 1)
	stricter = strings.Replace(stricter, "scope: {kinds: [bcd]}, limit: {months: 12}", "scope: {kinds: [bcd]}, limit: {months: 1}", 1)
	publish := &compliancepb.PublishRulePackRequest{Parent: r.org, RulePackId: "house", RulePack: parsePack(t, stricter), ValidateOnly: true}
	if resp, err := r.compliance.PublishRulePack(t.Context(), publish); err != nil || resp.GetRulePack().GetRevision() != 2 {
		t.Errorf("validate_only: %v, %v", resp, err)
	}
	if s := r.standing(unit); !s.GetMayHandOut() {
		t.Errorf("validate_only changed clocks: %v", s)
	}
	publish.ValidateOnly, publish.RulePack.EffectiveDate.Year = false, 2019
	_, err := r.compliance.PublishRulePack(t.Context(), publish)
	wantReason(t, err, codes.InvalidArgument, "RULE_PACK_INVALID")
	publish.RulePack.EffectiveDate.Year = 2021
	if _, err := r.compliance.PublishRulePack(t.Context(), publish); err != nil {
		t.Fatal(err)
	}
	if s := r.standing(unit); s.GetMayHandOut() || s.GetClocks()[0].GetActivity() != "strict-inspection" {
		t.Errorf("the second revision is not in force: %v", s)
	}
	for revision, months := range map[int64]int32{0: 1, 1: 12, 2: 1} {
		got, err := r.compliance.GetRulePack(t.Context(), &compliancepb.GetRulePackRequest{Name: r.org + "/rulePacks/house", Revision: revision})
		if err != nil || got.GetRulePack().GetRules()[1].GetLimit().GetMonths() != months {
			t.Errorf("revision %d: %v, %v", revision, got, err)
		}
	}
	_, err = r.compliance.GetRulePack(t.Context(), &compliancepb.GetRulePackRequest{Name: r.org + "/rulePacks/house", Revision: 3})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	publish.RulePack.Rules[0].Limit.Months, publish.RulePack.Rules[0].Limit.Dives, publish.RulePack.Rules[1].Id = 0, 0, "regulator"
	_, err = r.compliance.PublishRulePack(t.Context(), publish)
	wantReason(t, err, codes.InvalidArgument, "RULE_PACK_INVALID")
	publish = &compliancepb.PublishRulePackRequest{Parent: r.org, RulePackId: "house", RulePack: parsePack(t, housePack)}
	publish.RulePack.Name = r.org + "/rulePacks/other"
	_, err = r.compliance.PublishRulePack(t.Context(), publish)
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")

	for _, id := range []string{"c", "a", "b"} {
		r.publish(id, housePack)
	}
	var walked []string
	token := ""
	for {
		resp, err := r.compliance.ListRulePacks(t.Context(), &compliancepb.ListRulePacksRequest{Parent: r.org, PageSize: 3, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range resp.GetRulePacks() {
			walked = append(walked, strings.TrimPrefix(p.GetName(), r.org+"/rulePacks/"))
		}
		if token = resp.GetNextPageToken(); token == "" {
			break
		}
	}
	if !slices.Equal(walked, []string{"a", "b", "c", "house"}) {
		t.Errorf("packs %v", walked)
	}
}

func TestRebuildProjection(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("bcd")
	unit := r.unit("bcd", "B-1", "north")
	r.record(unit, now.AddDate(0, 0, -1), test("inspection", historypb.Outcome_OUTCOME_FAIL))
	before := r.standing(unit)
	req := &compliancepb.RebuildProjectionRequest{Parent: r.org, RequestId: uuid.NewString()}
	r.history.fault(func(f *fakeFeed) { f.down = true })
	_, err := r.compliance.RebuildProjection(t.Context(), req)
	wantReason(t, err, codes.Unavailable, "UNAVAILABLE")
	if diff := cmp.Diff(before, r.standing(unit), protocmp.Transform()); diff != "" {
		t.Errorf("a rebuild that failed changed the standing:\n%s", diff)
	}
	r.history.fault(func(f *fakeFeed) { f.down = false })
	resp, err := r.compliance.RebuildProjection(t.Context(), req)
	if err != nil || resp.GetUnitCount() != 1 || !proto3Equal(resp.GetPosition(), r.position) {
		t.Errorf("rebuilt: %v, %v", resp, err)
	}
	if diff := cmp.Diff(before, r.standing(unit), protocmp.Transform()); diff != "" {
		t.Errorf("the standing differs:\n%s", diff)
	}
	reads := r.history.reads
	if again, err := r.compliance.RebuildProjection(t.Context(), req); err != nil || !proto.Equal(again, resp) || r.history.reads != reads {
		t.Errorf("a repeat: %v, %v", again, err)
	}
}
