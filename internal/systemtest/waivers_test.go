package systemtest

import (
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// statutoryPack is an invented law for cylinders: its figures are nobody's.
const statutoryPack = `
title: An invented law
effectiveDate: {year: 2020, month: 1, day: 1}
rules:
  - {id: law, title: A statutory test, activity: statutory-test, authority: AUTHORITY_LAW, source: {document: "invented law of the tests"}, scope: {kinds: [cylinder]}, limit: {months: 12}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT, USE_FILL]}
  - {id: life, title: Service life, authority: AUTHORITY_MAKER, source: {document: "common practice, no source"}, scope: {kinds: [cylinder]}, limit: {months: 180}, baselines: [BASELINE_MANUFACTURE], blocks: [USE_HAND_OUT, USE_FILL], endOfLife: true}
`

// waiver is a request to waive PACK/rules/RULE from today to a day of 2027.
func (f *fleet) waiver(unit, packAndRule string, month, day int32) *compliancepb.GrantWaiverRequest {
	return &compliancepb.GrantWaiverRequest{Parent: unit, RequestId: uuid.NewString(), Waiver: &compliancepb.Waiver{
		Rule: f.org + "/rulePacks/" + packAndRule, Signer: "A. Keeper", Reason: "parts are on the way", EndDate: &date.Date{Year: 2027, Month: month, Day: day},
	}}
}

func (f *fleet) grant(req *compliancepb.GrantWaiverRequest) *compliancepb.Waiver {
	f.t.Helper()
	r, err := f.compliance.GrantWaiver(f.t.Context(), req)
	if err != nil {
		f.t.Fatal(err)
	}
	f.saw(r.GetPosition())
	return r.GetWaiver()
}

// standingAt is the standing at an instant, as known at another if one is given.
func (f *fleet) standingAt(unit string, at, known time.Time) *compliancepb.Standing {
	f.t.Helper()
	req := &compliancepb.GetStandingRequest{Unit: unit, Instant: timestamppb.New(at), AtLeast: f.position}
	if !known.IsZero() {
		req.KnownTime = timestamppb.New(known)
	}
	r, err := f.compliance.GetStanding(f.t.Context(), req)
	if err != nil {
		f.t.Fatal(err)
	}
	return r.GetStanding()
}

// TestStatutoryRulesCannotBeWaived: neither law nor the end of a life, by whatever role, and a waiver of what can be waived leaves both.
func TestStatutoryRulesCannotBeWaived(t *testing.T) {
	t.Parallel()
	f := newFleet(t, Start(t), "statutory")
	f.publish("statute", statutoryPack)
	cyl := f.unit("cylinder", "C-1")
	for _, rule := range []string{"statute/rules/law", "statute/rules/life"} {
		if _, err := f.compliance.GrantWaiver(t.Context(), f.waiver(cyl, rule, 5, 31)); reasonOf(err) != "RULE_NOT_WAIVABLE" {
			t.Errorf("%s: %v", rule, err)
		}
	}
	f.grant(f.waiver(cyl, "house/rules/cylinder", 5, 31))
	overdue := time.Date(2027, 1, 2, 12, 0, 0, 0, time.UTC) // commissioned on 2026-01-01
	if s := f.standingAt(cyl, overdue, time.Time{}); s.GetMayFill() || s.GetMayHandOut() {
		t.Errorf("past what the law allows it may be used: %v", s)
	}
	for role, want := range map[string]string{auth.RoleTechnician: "PERMISSION_MISSING", auth.RoleShopManager: "PERMISSION_MISSING", auth.RoleAuditor: "PERMISSION_MISSING"} {
		c := compliancepb.NewComplianceServiceClient(f.stack.Public(t, role, "statutory"))
		if _, err := c.GrantWaiver(t.Context(), f.waiver(cyl, "house/rules/cylinder", 5, 31)); reasonOf(err) != want {
			t.Errorf("%s: %v", role, err)
		}
	}
}

// TestWaiverFollowsTheUnit: a waiver unblocks its own rule alone, on the days at the shop where the unit is, also after it moved to
// another part of the world; it survives a rebuild, and ends when it is revoked.
func TestWaiverFollowsTheUnit(t *testing.T) {
	t.Parallel()
	f := newFleet(t, Start(t), "waived")
	f.publish("more", `
title: A second rule
effectiveDate: {year: 2020, month: 1, day: 1}
rules:
  - {id: leak-test, title: Leak test, activity: leak-test, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: 14}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`)
	unit := f.unit("bcd", "B-1")
	f.stack.Clock.Advance(time.Minute) // the unit is known before its waiver is
	london, brisbane := zone(t, "Europe/London"), zone(t, "Australia/Brisbane")
	w := f.grant(f.waiver(unit, "house/rules/bcd", 2, 10))
	last := func(loc *time.Location) time.Time { return time.Date(2027, 2, 11, 0, 0, 0, 0, loc) } // the end of 10 February
	check := func(what string, at time.Time, want ...typepb.Reason) {
		t.Helper()
		if s := f.standingAt(unit, at, time.Time{}); !slices.Equal(codes(s), want) {
			t.Errorf("%s: %v, want %v", what, codes(s), want)
		}
	}
	check("overdue and waived, in London", last(london).Add(-time.Microsecond))
	check("a moment later", last(london), typepb.Reason_REASON_DATE_LIMIT_PASSED)

	f.stack.Clock.Advance(10 * time.Minute)
	r, err := f.registry.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: unit, DestinationShop: f.org + "/shops/south", TransferTime: timestamppb.New(f.stack.Clock.Now()), RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	f.saw(r.GetPosition())
	check("overdue and waived, in Brisbane", last(brisbane).Add(-time.Microsecond))
	check("the 11th in Brisbane, while it is still the 10th in London", last(brisbane), typepb.Reason_REASON_DATE_LIMIT_PASSED)
	check("another rule is not waived", time.Date(2027, 3, 2, 12, 0, 0, 0, brisbane), typepb.Reason_REASON_DATE_LIMIT_PASSED, typepb.Reason_REASON_DATE_LIMIT_PASSED)

	rebuilt, err := f.compliance.RebuildProjection(t.Context(), &compliancepb.RebuildProjectionRequest{Parent: f.org})
	if err != nil {
		t.Fatal(err)
	}
	f.saw(rebuilt.GetPosition())
	check("after a rebuild", last(brisbane).Add(-time.Microsecond))
	before := f.stack.Clock.Now()
	f.stack.Clock.Advance(10 * time.Minute)
	revoked, err := f.compliance.RevokeWaiver(t.Context(), &compliancepb.RevokeWaiverRequest{Name: w.GetName(), Reason: "it was looked at", RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	f.saw(revoked.GetPosition())
	check("revoked", last(brisbane).Add(-time.Microsecond), typepb.Reason_REASON_DATE_LIMIT_PASSED)
	if s := f.standingAt(unit, last(brisbane).Add(-time.Microsecond), before); !s.GetMayHandOut() || len(s.GetWaivers()) != 1 {
		t.Errorf("as known before it was revoked: %v", s)
	}
	if s := f.standingAt(unit, last(brisbane).Add(-time.Microsecond), w.GetGrantTime().AsTime().Add(-time.Microsecond)); s.GetMayHandOut() {
		t.Error("as known before it was granted it was waived")
	}
}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// TestWaiversOfTwoOrgs: the same ids in two orgs are two waivers, and neither org sees, grants or revokes for the other.
func TestWaiversOfTwoOrgs(t *testing.T) {
	t.Parallel()
	s := Start(t)
	a, b := newFleet(t, s, "left"), newFleet(t, s, "right")
	ua, ub := a.unit("bcd", "B-1"), b.unit("bcd", "B-1")
	id := uuid.NewString()
	ra, rb := a.waiver(ua, "house/rules/bcd", 5, 31), b.waiver(ub, "house/rules/bcd", 4, 30)
	ra.WaiverId, rb.WaiverId, rb.RequestId = id, id, ra.GetRequestId()
	wa, wb := a.grant(ra), b.grant(rb)
	alias := a.org + ub[len(b.org):]
	if _, err := a.compliance.GrantWaiver(t.Context(), a.waiver(alias, "house/rules/bcd", 5, 31)); reasonOf(err) != "NOT_FOUND" {
		t.Errorf("granting for the other org's unit under this org's name: %v", err)
	}
	if _, err := a.compliance.RevokeWaiver(t.Context(), &compliancepb.RevokeWaiverRequest{Name: alias + "/waivers/" + id, Reason: "x"}); reasonOf(err) != "NOT_FOUND" {
		t.Errorf("revoking the other org's under this org's name: %v", err)
	}
	if _, err := a.compliance.RevokeWaiver(t.Context(), &compliancepb.RevokeWaiverRequest{Name: wb.GetName(), Reason: "x"}); reasonOf(err) != "ORG_MISMATCH" {
		t.Errorf("revoking the other org's: %v", err)
	}
	foreign := a.waiver(ua, "house/rules/bcd", 5, 31)
	foreign.Waiver.Rule = wb.GetRule()
	if _, err := a.compliance.GrantWaiver(t.Context(), foreign); reasonOf(err) != "ORG_MISMATCH" {
		t.Errorf("waiving the other org's rule: %v", err)
	}
	if _, err := a.compliance.RevokeWaiver(t.Context(), &compliancepb.RevokeWaiverRequest{Name: wa.GetName(), Reason: "x"}); err != nil {
		t.Fatal(err)
	}
	l, err := b.compliance.ListWaivers(t.Context(), &compliancepb.ListWaiversRequest{Parent: b.org + "/units/-", IncludeEnded: true})
	if err != nil || len(l.GetWaivers()) != 1 || !proto.Equal(l.GetWaivers()[0], wb) {
		t.Errorf("the other org has %v, %v; want %v", l.GetWaivers(), err, wb)
	}
	overdue := time.Date(2027, 1, 2, 12, 0, 0, 0, time.UTC)
	if s := b.standingAt(ub, overdue, time.Time{}); !s.GetMayHandOut() {
		t.Errorf("one org's revocation ended the other's waiver: %v", s.GetReasons())
	}
}
