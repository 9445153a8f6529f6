package compliancerpc

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// waiverPack has two rules for regulators that a waiver can excuse from, one that is law and one that ends a life. Its figures are
// common practice, no source; the law is invented.
const waiverPack = `
title: Rules to be waived
effectiveDate: {year: 2020, month: 1, day: 1}
cautions: [Local code and the maker's manual win.]
rules:
  - {id: overhaul, title: Overhaul, activity: overhaul, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [regulator-set, first-stage]}, limit: {months: 12, dives: 100}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: inspection, title: Inspection, activity: inspection, authority: AUTHORITY_MAKER, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: 12}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: flow-test, title: Flow test, activity: flow-test, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: 13}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: law, title: A statutory test, activity: statutory-test, authority: AUTHORITY_LAW, source: {document: "invented law of the tests"}, scope: {kinds: [cylinder]}, limit: {months: 12}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: life, title: Service life, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [cylinder]}, limit: {months: 12}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT], endOfLife: true}
`

func newWaiverRig(t testing.TB) *rig {
	t.Helper()
	r := newRig(t)
	r.publish("gear", waiverPack)
	r.catalogue("regulator-set", "first-stage", "bcd", "cylinder")
	return r
}

func day(text string) *date.Date {
	at, err := time.Parse(time.DateOnly, text)
	if err != nil {
		panic(err)
	}
	return &date.Date{Year: int32(at.Year()), Month: int32(at.Month()), Day: int32(at.Day())}
}

// waiver is a request for one of a rule of the pack, from a day (or today, for none) to a day.
func (r *rig) waiver(unit, rule, from, to string) *compliancepb.GrantWaiverRequest {
	req := &compliancepb.GrantWaiverRequest{Parent: unit, RequestId: uuid.NewString(), Waiver: &compliancepb.Waiver{
		Rule: r.org + "/rulePacks/gear/rules/" + rule, Signer: "A. Keeper", Reason: "parts are on the way", EndDate: day(to),
	}}
	if from != "" {
		req.Waiver.StartDate = day(from)
	}
	return req
}

func (r *rig) grant(req *compliancepb.GrantWaiverRequest) *compliancepb.Waiver {
	r.t.Helper()
	resp, err := r.compliance.GrantWaiver(r.t.Context(), req)
	if err != nil {
		r.t.Fatal(err)
	}
	r.position.Compliance = resp.GetPosition().GetCompliance()
	return resp.GetWaiver()
}

// standingAt returns a unit's standing at an instant, as known at another if one is given.
func (r *rig) standingAt(unit string, at, known time.Time) *compliancepb.Standing {
	r.t.Helper()
	resp, err := r.compliance.GetStanding(r.t.Context(), &compliancepb.GetStandingRequest{Unit: unit, Instant: timestamppb.New(at), KnownTime: instantPB(known), AtLeast: r.position})
	if err != nil {
		r.t.Fatal(err)
	}
	return resp.GetStanding()
}

// TestWaiverHoldsFromFirstToLastDay: it excuses its unit from its rule alone, from the start of its first day to the end of its last at
// the unit's shop, wherever that is.
func TestWaiverHoldsFromFirstToLastDay(t *testing.T) {
	t.Parallel()
	r := newWaiverRig(t)
	for shop, zone := range map[string]string{"north": "Europe/London", "south": "Pacific/Auckland"} {
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		unit, other := r.unit("bcd", "B-"+shop, shop), r.unit("bcd", "C-"+shop, shop)
		w := r.grant(r.waiver(unit, "inspection", "2027-01-10", "2027-02-20"))
		first, after := time.Date(2027, 1, 10, 0, 0, 0, 0, loc), time.Date(2027, 2, 21, 0, 0, 0, 0, loc)
		for _, tt := range []struct {
			name string
			at   time.Time
			want []string
		}{
			{"on the last day of use", time.Date(2027, 1, 1, 23, 59, 59, 0, loc), nil},
			{"past it, before the waiver", first.Add(-time.Microsecond), []string{"REASON_DATE_LIMIT_PASSED"}},
			{"as the first day begins", first, nil},
			{"another rule's last day of use", time.Date(2027, 2, 1, 23, 59, 59, 0, loc), nil},
			{"past another rule's", time.Date(2027, 2, 2, 0, 0, 0, 0, loc), []string{"REASON_DATE_LIMIT_PASSED"}},
			{"as the last day ends", after.Add(-time.Microsecond), []string{"REASON_DATE_LIMIT_PASSED"}},
			{"after the last day", after, []string{"REASON_DATE_LIMIT_PASSED", "REASON_DATE_LIMIT_PASSED"}},
		} {
			s := r.standingAt(unit, tt.at, time.Time{})
			if !slices.Equal(reasons(s.GetReasons()), tt.want) || s.GetMayHandOut() != (len(tt.want) == 0) {
				t.Errorf("%s, %s: %v, want %v", shop, tt.name, s.GetReasons(), tt.want)
			}
			waived := !tt.at.Before(first) && tt.at.Before(after)
			if waived != (len(s.GetWaivers()) == 1) || waived && !proto.Equal(s.GetWaivers()[0], w) {
				t.Errorf("%s, %s: waivers %v", shop, tt.name, s.GetWaivers())
			}
			for _, c := range s.GetClocks() {
				if mine := waived && strings.HasSuffix(c.GetRule(), "/inspection"); mine != (c.GetWaiver() == w.GetName()) || mine && c.GetBlocking() {
					t.Errorf("%s, %s: clock %v", shop, tt.name, c)
				}
			}
			if s := r.standingAt(other, tt.at, time.Time{}); len(s.GetWaivers()) != 0 || tt.name == "as the first day begins" && s.GetMayHandOut() {
				t.Errorf("%s, %s: the waiver of one unit excuses another: %v", shop, tt.name, s)
			}
		}
		// The explanation names who signed and why, and what is waived is still listed as due.
		s := r.standingAt(unit, first, time.Time{})
		if text := strings.Join(s.GetClocks()[0].GetExplanation(), "\n"); !strings.Contains(text, "signed by A. Keeper: parts are on the way.") || !strings.Contains(text, "from 2027-01-10 to 2027-02-20, both included") {
			t.Errorf("explained as\n%s", text)
		}
	}
}

// TestWaiverOfAPartFreesTheSet: limits by usage are excused too, and the set a part is fitted to is free with it.
func TestWaiverOfAPartFreesTheSet(t *testing.T) {
	t.Parallel()
	r := newWaiverRig(t)
	host, part := r.unit("regulator-set", "R-1", "north"), r.unit("first-stage", "F-1", "north")
	r.fit(part, host)
	r.record(part, now.AddDate(0, -1, 0), dives(100))
	if s := r.standing(host); !slices.Equal(reasons(s.GetReasons()), []string{"REASON_USAGE_LIMIT_REACHED"}) {
		t.Fatalf("before: %v", s.GetReasons())
	}
	r.grant(r.waiver(host, "overhaul", "", "2026-06-30"))
	if s := r.standing(host); s.GetMayHandOut() {
		t.Error("a waiver of the set excuses its part")
	}
	w := r.grant(r.waiver(part, "overhaul", "", "2026-06-30"))
	if s := r.standing(host); !s.GetMayHandOut() || len(s.GetWaivers()) != 2 || !proto.Equal(s.GetWaivers()[1], w) {
		t.Errorf("the part's waiver does not free the set: %v", s)
	}
	if got := w.GetStartDate(); got.GetYear() != 2026 || got.GetMonth() != 6 || got.GetDay() != 1 {
		t.Errorf("without a first day it begins on %v, want the day of the grant", got)
	}
	sum, err := r.compliance.SummarizeFleet(t.Context(), &compliancepb.SummarizeFleetRequest{Parent: r.org, AtLeast: r.position})
	if err != nil || sum.GetOrg().GetCounts().GetReady() != 1 {
		t.Errorf("the summary: %v %v", sum.GetOrg(), err)
	}
	a, err := r.availability.SearchAvailability(t.Context(), &compliancepb.SearchAvailabilityRequest{
		Parent: r.org, StartTime: timestamppb.New(now), EndTime: timestamppb.New(now.AddDate(0, 0, 5)), AtLeast: r.position,
	})
	if err != nil || a.GetAvailableCount() != 1 {
		t.Errorf("availability within the waiver: %v %v", a, err)
	}
	a, err = r.availability.SearchAvailability(t.Context(), &compliancepb.SearchAvailabilityRequest{
		Parent: r.org, StartTime: timestamppb.New(now), EndTime: timestamppb.New(now.AddDate(0, 0, 40)), AtLeast: r.position,
	})
	if err != nil || a.GetAvailableCount() != 0 {
		t.Errorf("availability beyond the waiver's end: %v %v", a, err)
	}
}

// TestWaiverInTwoTimes: before it was granted, and as known before, the unit was blocked; a revoked waiver ends with the day before.
func TestWaiverInTwoTimes(t *testing.T) {
	t.Parallel()
	r := newWaiverRig(t)
	unit := r.unit("first-stage", "F-1", "north")
	r.record(unit, now.AddDate(0, -1, 0), dives(100))
	r.clock.Advance(time.Hour)
	w := r.grant(r.waiver(unit, "overhaul", "", "2026-07-31"))
	granted := r.clock.Now()
	noon := granted.AddDate(0, 0, 2)
	for _, tt := range []struct {
		name      string
		at, known time.Time
		free      bool
	}{
		{"now", granted, time.Time{}, true},
		{"a moment before the grant", granted.Add(-time.Microsecond), time.Time{}, false},
		{"now, as known a moment before", granted, granted.Add(-time.Microsecond), false},
		{"later, as known a moment before", noon, granted.Add(-time.Microsecond), false},
		{"later, as known then", noon, granted, true},
	} {
		if s := r.standingAt(unit, tt.at, tt.known); s.GetMayHandOut() != tt.free {
			t.Errorf("%s: hand-out %v", tt.name, s.GetMayHandOut())
		}
	}

	r.clock.Advance(3 * time.Hour) // the same day
	revoke := &compliancepb.RevokeWaiverRequest{Name: w.GetName(), Reason: "the parts came", RequestId: uuid.NewString()}
	dry := proto.Clone(revoke).(*compliancepb.RevokeWaiverRequest)
	dry.ValidateOnly, dry.RequestId = true, ""
	if _, err := r.compliance.RevokeWaiver(t.Context(), dry); err != nil || !r.standing(unit).GetMayHandOut() {
		t.Errorf("a dry run revoked it: %v", err)
	}
	resp, err := r.compliance.RevokeWaiver(t.Context(), revoke)
	if err != nil {
		t.Fatal(err)
	}
	revoked := r.clock.Now()
	if before := r.position.GetCompliance(); resp.GetPosition().GetCompliance() != before+1 {
		t.Errorf("position %v after %d", resp.GetPosition(), before)
	}
	r.position.Compliance = resp.GetPosition().GetCompliance()
	if x := resp.GetWaiver(); !x.GetRevokeTime().AsTime().Equal(revoked) || x.GetRevoker() != "test:chain-manager" || x.GetRevokeReason() != "the parts came" || x.GetSigner() != "A. Keeper" {
		t.Errorf("revoked: %v", x)
	}
	if again, err := r.compliance.RevokeWaiver(t.Context(), revoke); err != nil || !proto.Equal(again, resp) {
		t.Errorf("a repeat: %v %v", again, err)
	}
	revoke.RequestId = uuid.NewString()
	_, err = r.compliance.RevokeWaiver(t.Context(), revoke)
	wantReason(t, err, codes.FailedPrecondition, "WAIVER_REVOKED")
	for _, tt := range []struct {
		name      string
		at, known time.Time
		free      bool
	}{
		{"now", revoked, time.Time{}, false},
		{"later", noon, time.Time{}, false},
		{"a moment before the revocation", revoked.Add(-time.Microsecond), time.Time{}, true},
		{"later, as known before the revocation", noon, revoked.Add(-time.Microsecond), true},
		{"later, as known before the grant", noon, granted.Add(-time.Microsecond), false},
	} {
		s := r.standingAt(unit, tt.at, tt.known)
		if s.GetMayHandOut() != tt.free {
			t.Errorf("revoked, %s: hand-out %v", tt.name, s.GetMayHandOut())
		}
		if tt.free && !proto.Equal(s.GetWaivers()[0], w) {
			t.Errorf("revoked, %s: the waiver is told as %v, and then it stood", tt.name, s.GetWaivers()[0])
		}
		// The stored rows answer as the entries do.
		list, err := r.compliance.ListDue(t.Context(), &compliancepb.ListDueRequest{
			Parent: r.org, LimitKind: compliancepb.LimitKind_LIMIT_KIND_USAGE, Instant: timestamppb.New(tt.at), KnownTime: instantPB(tt.known), AtLeast: r.position,
		})
		if err != nil || len(list.GetItems()) != 1 || list.GetItems()[0].GetClock().GetBlocking() == tt.free {
			t.Errorf("revoked, %s: due list %v %v", tt.name, list, err)
		}
	}
}

// TestWaiverRefused: what cannot be waived, and what is malformed, is refused with what to do.
func TestWaiverRefused(t *testing.T) {
	t.Parallel()
	r := newWaiverRig(t)
	unit, south := r.unit("cylinder", "C-1", "north"), r.unit("bcd", "B-1", "south")
	for rule, why := range map[string]string{"law": "it is a rule of law", "life": "it ends the unit's life"} {
		_, err := r.compliance.GrantWaiver(t.Context(), r.waiver(unit, rule, "", "2026-06-30"))
		if meta := wantReason(t, err, codes.FailedPrecondition, "RULE_NOT_WAIVABLE"); meta["why"] != why {
			t.Errorf("%s: %v", rule, meta)
		}
	}
	_, err := r.compliance.GrantWaiver(t.Context(), r.waiver(unit, "nothing", "", "2026-06-30"))
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	_, err = r.compliance.GrantWaiver(t.Context(), r.waiver(r.org+"/units/"+uuid.NewString(), "overhaul", "", "2026-06-30"))
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	foreign := r.waiver(unit, "overhaul", "", "2026-06-30")
	foreign.Waiver.Rule = "orgs/other/rulePacks/gear/rules/overhaul"
	_, err = r.compliance.GrantWaiver(t.Context(), foreign)
	wantReason(t, err, codes.PermissionDenied, "ORG_MISMATCH")

	for name, tt := range map[string]struct {
		req   *compliancepb.GrantWaiverRequest
		field string
		free  bool
	}{
		"end before start":    {r.waiver(south, "inspection", "2026-06-10", "2026-06-09"), "waiver.end_date", false},
		"one day":             {r.waiver(south, "inspection", "2026-06-10", "2026-06-10"), "", true},
		"start before today":  {r.waiver(south, "inspection", "2026-05-31", "2026-06-30"), "waiver.start_date", false},
		"starts today":        {r.waiver(south, "inspection", "2026-06-01", "2026-06-30"), "", true},
		"ended before today":  {r.waiver(south, "inspection", "", "2026-05-31"), "waiver.end_date", false},
		"as long as may be":   {r.waiver(south, "inspection", "2026-06-10", "2027-06-11"), "", true}, // 366 days
		"a day longer":        {r.waiver(south, "inspection", "2026-06-10", "2027-06-12"), "waiver.end_date", false},
		"no such day":         {r.waiver(south, "inspection", "", "2026-06-30"), "waiver.end_date", false},
		"a month":             {r.waiver(south, "inspection", "2026-06-10", "2026-06-30"), "waiver.start_date", false},
		"nobody signs":        {r.waiver(south, "inspection", "", "2026-06-30"), "waiver.signer", false},
		"no reason":           {r.waiver(south, "inspection", "", "2026-06-30"), "waiver.reason", false},
		"the rule is no name": {r.waiver(south, "inspection", "", "2026-06-30"), "waiver.rule", false},
	} {
		switch name {
		case "no such day":
			tt.req.Waiver.EndDate = &date.Date{Year: 2026, Month: 6, Day: 31}
		case "a month":
			tt.req.Waiver.StartDate.Day = 0
		case "nobody signs":
			tt.req.Waiver.Signer = "  "
		case "no reason":
			tt.req.Waiver.Reason = "\t"
		case "the rule is no name":
			tt.req.Waiver.Rule = "gear/inspection"
		}
		tt.req.ValidateOnly = true
		_, err := r.compliance.GrantWaiver(t.Context(), tt.req)
		if tt.free {
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if got := violated(err); got != tt.field {
			t.Errorf("%s: %v is about %q, want %q", name, err, got, tt.field)
		}
	}
	if l, err := r.compliance.ListWaivers(t.Context(), &compliancepb.ListWaiversRequest{Parent: south, IncludeEnded: true}); err != nil || len(l.GetWaivers()) != 0 {
		t.Errorf("validate_only granted %v, %v", l, err)
	}

	// At half past twelve in the night it is the next day at the shop in the south, and still yesterday in the north.
	r.clock.Set(time.Date(2026, 6, 1, 12, 30, 0, 0, time.UTC)) // 2 June 00:30 in Auckland
	_, err = r.compliance.GrantWaiver(t.Context(), r.waiver(south, "inspection", "2026-06-01", "2026-06-30"))
	if violated(err) != "waiver.start_date" {
		t.Errorf("yesterday at the unit's shop: %v", err)
	}
	if w := r.grant(r.waiver(south, "inspection", "", "2026-06-30")); w.GetStartDate().GetDay() != 2 {
		t.Errorf("it begins on %v at a shop where it is the 2nd", w.GetStartDate())
	}
	if w := r.grant(r.waiver(r.unit("bcd", "B-2", "north"), "inspection", "", "2026-06-30")); w.GetStartDate().GetDay() != 1 {
		t.Errorf("it begins on %v at a shop where it is the 1st", w.GetStartDate())
	}
}

// violated returns the field of the first violation of an INVALID_ARGUMENT.
func violated(err error) string {
	if status.Code(err) != codes.InvalidArgument {
		return ""
	}
	for _, d := range status.Convert(err).Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			return b.GetFieldViolations()[0].GetField()
		}
	}
	return ""
}

// TestWaiverWhenARuleBecomesLaw: a revision published later that makes the rule law ends what a waiver excuses, and no further one is
// granted; a rule that only a revision yet to come has can be waived ahead.
func TestWaiverWhenARuleBecomesLaw(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("gear", housePack)
	r.catalogue("bcd")
	unit := r.unit("bcd", "B-1", "north")
	r.grant(r.waiver(unit, "bcd", "", "2027-05-31"))
	at := time.Date(2027, 1, 20, 12, 0, 0, 0, time.UTC)
	if s := r.standingAt(unit, at, time.Time{}); !s.GetMayHandOut() {
		t.Fatalf("waived: %v", s.GetReasons())
	}
	_, err := r.compliance.GrantWaiver(t.Context(), r.waiver(unit, "ahead", "", "2027-05-31"))
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	next := strings.ReplaceAll(housePack, "year: 2020", "year: 2027")
	r.publish("gear", strings.Replace(next, "AUTHORITY_HOUSE", "AUTHORITY_LAW", 2)+
		strings.ReplaceAll(next[strings.Index(next, "  - {id: bcd"):], "id: bcd", "id: ahead"))
	if s := r.standingAt(unit, at, time.Time{}); s.GetMayHandOut() || len(s.GetWaivers()) != 0 {
		t.Errorf("law is waived: %v", s)
	}
	if s := r.standingAt(unit, at.AddDate(0, 0, -20), time.Time{}); !s.GetMayHandOut() {
		t.Errorf("before the law: %v", s.GetReasons())
	}
	_, err = r.compliance.GrantWaiver(t.Context(), r.waiver(unit, "bcd", "", "2026-12-31"))
	wantReason(t, err, codes.FailedPrecondition, "RULE_NOT_WAIVABLE")
	r.grant(r.waiver(unit, "ahead", "2027-01-01", "2027-05-31"))
	r.publish("gear", strings.ReplaceAll(next, "day: 1", "day: 2"))
	if _, err = r.compliance.GrantWaiver(t.Context(), r.waiver(unit, "ahead", "", "2027-01-01")); err != nil {
		t.Errorf("a rule that will be in force for a day: %v", err)
	}
}

// TestWaiverRequestsRace: many requests with one id grant one waiver and get one answer; many with one waiver id and different request
// ids grant one; many revocations revoke once.
func TestWaiverRequestsRace(t *testing.T) {
	t.Parallel()
	r := newWaiverRig(t)
	unit := r.unit("bcd", "B-1", "north")
	const n = 12
	run := func(do func(i int) (proto.Message, error)) (ok []proto.Message, failed []error) {
		var wg sync.WaitGroup
		var mu sync.Mutex
		for i := range n {
			wg.Go(func() {
				m, err := do(i)
				mu.Lock()
				defer mu.Unlock()
				if err != nil {
					failed = append(failed, err)
				} else {
					ok = append(ok, m)
				}
			})
		}
		wg.Wait()
		return ok, failed
	}
	req := r.waiver(unit, "inspection", "", "2026-06-30")
	ok, failed := run(func(int) (proto.Message, error) { return r.compliance.GrantWaiver(t.Context(), req) })
	if len(failed) != 0 {
		t.Fatal(failed)
	}
	for _, m := range ok {
		if diff := cmp.Diff(ok[0], m, protocmp.Transform()); diff != "" {
			t.Errorf("two answers to one request:\n%s", diff)
		}
	}
	id := uuid.NewString()
	ok, failed = run(func(i int) (proto.Message, error) {
		req := r.waiver(unit, "flow-test", "", fmt.Sprintf("2026-06-%02d", 10+i))
		req.WaiverId = id
		return r.compliance.GrantWaiver(t.Context(), req)
	})
	if len(ok) != 1 {
		t.Errorf("%d waivers of one id", len(ok))
	}
	for _, err := range failed {
		wantReason(t, err, codes.AlreadyExists, "ALREADY_EXISTS")
	}
	list, err := r.compliance.ListWaivers(t.Context(), &compliancepb.ListWaiversRequest{Parent: r.org + "/units/-"})
	if err != nil || len(list.GetWaivers()) != 2 {
		t.Fatalf("%v %v", list, err)
	}
	ok, failed = run(func(int) (proto.Message, error) {
		return r.compliance.RevokeWaiver(t.Context(), &compliancepb.RevokeWaiverRequest{Name: unit + "/waivers/" + id, Reason: "enough", RequestId: uuid.NewString()})
	})
	if len(ok) != 1 {
		t.Errorf("revoked %d times", len(ok))
	}
	for _, err := range failed {
		wantReason(t, err, codes.FailedPrecondition, "WAIVER_REVOKED")
	}

	// The same request id with another request, and the id of a grant for a revocation, are refused.
	req.Waiver.Reason = "another"
	_, err = r.compliance.GrantWaiver(t.Context(), req)
	wantReason(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
	_, err = r.compliance.RevokeWaiver(t.Context(), &compliancepb.RevokeWaiverRequest{Name: list.GetWaivers()[1].GetName(), Reason: "x", RequestId: req.GetRequestId()})
	wantReason(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
}

// TestListWaivers pages through them, the last granted first, and leaves out what has ended unless asked.
func TestListWaivers(t *testing.T) {
	t.Parallel()
	r := newWaiverRig(t)
	north, south := r.unit("bcd", "B-1", "north"), r.unit("bcd", "B-2", "south")
	var all []*compliancepb.Waiver
	for i := range 7 {
		unit := []string{north, south}[i%2]
		all = append([]*compliancepb.Waiver{r.grant(r.waiver(unit, "inspection", "", fmt.Sprintf("2026-06-%02d", 2+i)))}, all...)
		r.clock.Advance(time.Minute)
	}
	r.clock.Set(time.Date(2026, 6, 4, 11, 59, 0, 0, time.UTC)) // a minute before the 5th in Auckland
	var got []*compliancepb.Waiver
	req := &compliancepb.ListWaiversRequest{Parent: r.org + "/units/-", PageSize: 3, IncludeEnded: true}
	client := compliancepb.NewComplianceServiceClient(r.connAt("chain-manager", "reef", r.clock.Now()))
	for {
		resp, err := client.ListWaivers(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, resp.GetWaivers()...)
		if req.PageToken = resp.GetNextPageToken(); req.GetPageToken() == "" {
			break
		}
	}
	if diff := cmp.Diff(all, got, protocmp.Transform()); diff != "" {
		t.Errorf("granted (-), listed (+):\n%s", diff)
	}
	// Those to the 2nd and 3rd have ended everywhere; to the 4th (north) and 5th (south) not.
	for minute, want := range map[int]int{0: 5, 1: 5, 24*60 + 1: 3} { // the 5th of the south ends on the 5th at 12:00 UTC, the 4th of the north at 23:00 UTC on the 4th
		r.clock.Set(time.Date(2026, 6, 4, 11, 59, 0, 0, time.UTC).Add(time.Duration(minute) * time.Minute))
		client := compliancepb.NewComplianceServiceClient(r.connAt("chain-manager", "reef", r.clock.Now()))
		resp, err := client.ListWaivers(t.Context(), &compliancepb.ListWaiversRequest{Parent: r.org + "/units/-"})
		if err != nil || len(resp.GetWaivers()) != want {
			t.Errorf("%d stand at %v, want %d: %v", len(resp.GetWaivers()), r.clock.Now(), want, err)
		}
	}
	client = compliancepb.NewComplianceServiceClient(r.connAt("chain-manager", "reef", r.clock.Now()))
	if resp, err := client.ListWaivers(t.Context(), &compliancepb.ListWaiversRequest{Parent: south, IncludeEnded: true}); err != nil || len(resp.GetWaivers()) != 3 {
		t.Errorf("of one unit: %v %v", resp, err)
	}
	_, err := client.ListWaivers(t.Context(), &compliancepb.ListWaiversRequest{Parent: r.org + "/units/" + uuid.NewString()})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	_, err = client.ListWaivers(t.Context(), &compliancepb.ListWaiversRequest{Parent: south, PageToken: "nonsense"})
	wantReason(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")
}
