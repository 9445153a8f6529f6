package compliancerpc

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// TestListsOfAMoment takes every list that can be asked at an instant while things happen; asked afterwards at the same instants and as
// known then, each is what it was, although most say something else now.
func TestListsOfAMoment(t *testing.T) {
	inTurn(t)
	t.Parallel()
	r := newRig(t)
	r.lasting()
	first := r.publish("house", housePack)
	r.catalogue("bcd", "regulator-set")
	bcd, reg := r.unit("bcd", "B-1", "north"), r.unit("regulator-set", "R-1", "south")

	// ask returns every answer about an instant as known at another; its positions and the known time it repeats left out.
	ask := func(at time.Time, known *timestamppb.Timestamp) (out []proto.Message) {
		t.Helper()
		instant := timestamppb.New(at)
		var err error
		add := func(m proto.Message, e error) {
			if e != nil && err == nil {
				err = e
			}
			out = append(out, m)
		}
		b, e := r.compliance.BatchGetStandings(t.Context(), &compliancepb.BatchGetStandingsRequest{Parent: r.org, Units: []string{bcd, reg}, Instant: instant, KnownTime: known, AtLeast: r.position})
		b.Position = nil
		for _, s := range b.GetStandings() {
			s.KnownTime = nil
		}
		add(b, e)
		f, e := r.compliance.SummarizeFleet(t.Context(), &compliancepb.SummarizeFleetRequest{Parent: r.org, Instant: instant, KnownTime: known, HorizonDays: 250, AtLeast: r.position})
		f.Position = nil
		add(f, e)
		for _, lifted := range []bool{false, true} {
			h, e := r.compliance.ListHolds(t.Context(), &compliancepb.ListHoldsRequest{Parent: r.org + "/units/-", Instant: instant, KnownTime: known, IncludeLifted: lifted, AtLeast: r.position})
			h.Position = nil
			add(h, e)
			add(r.compliance.ListWaivers(t.Context(), &compliancepb.ListWaiversRequest{Parent: r.org + "/units/-", Instant: instant, KnownTime: known, IncludeEnded: lifted}))
		}
		add(r.compliance.GetRulePack(t.Context(), &compliancepb.GetRulePackRequest{Name: first.GetName(), Instant: instant, KnownTime: known}))
		add(r.compliance.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: r.org, Instant: instant, KnownTime: known}))
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	var manual, waiver string
	steps := []func(){
		func() {},
		func() {
			h, err := r.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: bcd, Hold: &compliancepb.Hold{Reason: "looked odd", Blocks: []compliancepb.Use{compliancepb.Use_USE_FILL}}})
			if err != nil {
				t.Fatal(err)
			}
			manual, r.position.Compliance = h.GetHold().GetName(), h.GetPosition().GetCompliance()
		},
		func() { r.record(reg, r.clock.Now(), test("overhaul", historypb.Outcome_OUTCOME_FAIL)) },
		func() {
			w, err := r.compliance.GrantWaiver(t.Context(), &compliancepb.GrantWaiverRequest{Parent: bcd, Waiver: &compliancepb.Waiver{
				Rule: first.GetName() + "/rules/bcd", Signer: "A. Keeper", Reason: "parts are on the way", EndDate: &date.Date{Year: 2027, Month: 2, Day: 20},
			}})
			if err != nil {
				t.Fatal(err)
			}
			waiver, r.position.Compliance = w.GetWaiver().GetName(), w.GetPosition().GetCompliance()
		},
		func() {
			r.record(reg, r.clock.Now().AddDate(0, 0, -20), test("overhaul", historypb.Outcome_OUTCOME_PASS))
		}, // found late
		func() {
			h, err := r.compliance.LiftHold(t.Context(), &compliancepb.LiftHoldRequest{Name: manual, Reason: "looked at"})
			if err != nil {
				t.Fatal(err)
			}
			r.position.Compliance = h.GetPosition().GetCompliance()
		},
		func() {
			r.publish("house", fmt.Sprintf("%s  - {id: more, title: Leak test, activity: leak-test, authority: AUTHORITY_HOUSE, source: {document: \"common practice, no source\"}, scope: {kinds: [bcd]}, limit: {months: 4}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT], phaseIn: {days: 1}}\n", housePack))
		},
		func() {
			w, err := r.compliance.RevokeWaiver(t.Context(), &compliancepb.RevokeWaiverRequest{Name: waiver, Reason: "they came"})
			if err != nil {
				t.Fatal(err)
			}
			r.position.Compliance = w.GetPosition().GetCompliance()
		},
	}
	type taken struct {
		at, known time.Time
		answers   []proto.Message
	}
	var all []taken
	for _, step := range steps {
		step()
		moment := r.clock.Now()
		for _, at := range []time.Time{moment, moment.AddDate(0, 0, -3), moment.AddDate(0, 7, 17)} { // 2027-01-18 and later: past the first year
			all = append(all, taken{at, moment, ask(at, nil)})
		}
		r.clock.Advance(24 * time.Hour)
	}
	moved := map[int]bool{}
	for _, was := range all {
		for i, now := range ask(was.at, nil) {
			if !proto.Equal(was.answers[i], now) {
				moved[i] = true
			}
		}
		for i, then := range ask(was.at, timestamppb.New(was.known)) {
			if diff := cmp.Diff(was.answers[i], then, protocmp.Transform()); diff != "" {
				t.Errorf("answer %d about %v as known at %v: was (-), is (+)\n%s", i, was.at, was.known, diff)
			}
		}
	}
	for i := range all[0].answers {
		if !moved[i] {
			t.Errorf("answer %d was the same all along: it shows nothing", i)
		}
	}
}

// TestRulePackOfADay reads the revision of a day, and is told what there is not.
func TestRulePackOfADay(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.catalogue()
	name := r.publish("house", housePack).GetName()
	get := func(req *compliancepb.GetRulePackRequest) error {
		req.Name = name
		resp, err := r.compliance.GetRulePack(t.Context(), req)
		if err == nil && resp.GetRulePack().GetRevision() != 1 {
			t.Errorf("%v: %v", req, resp)
		}
		return err
	}
	at := func(y int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(y, 1, 1, 12, 0, 0, 0, time.UTC))
	}
	for _, req := range []*compliancepb.GetRulePackRequest{{}, {Revision: 1}, {Instant: at(2020)}, {KnownTime: at(2027)}, {Instant: at(2020), KnownTime: at(2027)}, {Revision: 1, KnownTime: at(2027)}} {
		if err := get(req); err != nil {
			t.Errorf("%v: %v", req, err)
		}
	}
	for _, req := range []*compliancepb.GetRulePackRequest{{Revision: 2}, {Instant: at(2019)}, {KnownTime: at(2026)}, {Revision: 1, KnownTime: at(2026)}} {
		wantReason(t, get(req), codes.NotFound, "NOT_FOUND")
	}
	wantReason(t, get(&compliancepb.GetRulePackRequest{Revision: 1, Instant: at(2020)}), codes.InvalidArgument, "INVALID_FIELD")
	wantReason(t, get(&compliancepb.GetRulePackRequest{Instant: at(1800)}), codes.InvalidArgument, "INVALID_FIELD")
}
