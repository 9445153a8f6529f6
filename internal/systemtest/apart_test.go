package systemtest

import (
	"context"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	grpccodes "google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// TestRulesWaiversAndNoticesOfOneOrg gives two orgs rule packs, waivers, notices and digests of the same ids and compares what each sees of
// them through every RPC: nothing of the other's, by its own names or by the other's under its own.
func TestRulesWaiversAndNoticesOfOneOrg(t *testing.T) {
	t.Parallel()
	s := Start(t)
	a, b := newFleet(t, s, "left"), newFleet(t, s, "right")
	ua, ub := a.unit("bcd", "B-1"), b.unit("bcd", "B-1")
	b.unit("bcd", "B-2")
	alias := a.org + ub[len(b.org):] // the other's unit under this one's name
	grant := func(f *fleet, unit string) *compliancepb.Waiver {
		t.Helper()
		r, err := f.compliance.GrantWaiver(t.Context(), &compliancepb.GrantWaiverRequest{Parent: unit, RequestId: uuid.NewString(), Waiver: &compliancepb.Waiver{
			Rule: f.org + "/rulePacks/house/rules/bcd", Reason: "secret of " + f.org, Signer: "A. Signer", EndDate: &date.Date{Year: 2027, Month: 5, Day: 20},
		}})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetWaiver()
	}
	wb := grant(b, ub)
	house, err := b.compliance.GetRulePack(t.Context(), &compliancepb.GetRulePackRequest{Name: b.org + "/rulePacks/house"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.compliance.PublishRulePack(t.Context(), &compliancepb.PublishRulePackRequest{Parent: b.org, RulePackId: "secret", RulePack: unnamed(house.GetRulePack()), RequestId: uuid.NewString()}); err != nil {
		t.Fatal(err)
	}
	for _, f := range []*fleet{a, b} {
		if _, err := f.compliance.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: f.org}); err != nil {
			t.Fatal(err)
		}
	}
	s.Clock.Set(now.AddDate(0, 7, 20)) // due soon, due and overdue
	for _, f := range []*fleet{a, b} {
		f.compliance = compliancepb.NewComplianceServiceClient(s.Public(t, "chain-manager", strings.TrimPrefix(f.org, "orgs/")))
	}
	nb, err := b.compliance.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: b.org})
	if err != nil || len(nb.GetNotices()) == 0 {
		t.Fatalf("%v, %v", nb, err)
	}

	// What this org asks for by a name that is the other's does not exist.
	missing := map[string]error{}
	_, missing["GrantWaiver"] = a.compliance.GrantWaiver(t.Context(), &compliancepb.GrantWaiverRequest{Parent: alias, RequestId: uuid.NewString(), Waiver: &compliancepb.Waiver{
		Rule: a.org + "/rulePacks/house/rules/bcd", Reason: "x", Signer: "x", EndDate: &date.Date{Year: 2027, Month: 2, Day: 20},
	}})
	_, missing["RevokeWaiver"] = a.compliance.RevokeWaiver(t.Context(), &compliancepb.RevokeWaiverRequest{Name: a.org + wb.GetName()[len(b.org):], Reason: "x", RequestId: uuid.NewString()})
	_, missing["ExplainUnit"] = a.compliance.ExplainUnit(t.Context(), &compliancepb.ExplainUnitRequest{Unit: alias})
	_, missing["ForecastUnit"] = a.compliance.ForecastUnit(t.Context(), &compliancepb.ForecastUnitRequest{Unit: alias})
	_, missing["GetRulePack"] = a.compliance.GetRulePack(t.Context(), &compliancepb.GetRulePackRequest{Name: a.org + "/rulePacks/secret"})
	for what, err := range missing {
		if reasonOf(err) != "NOT_FOUND" {
			t.Errorf("%s: %v", what, err)
		}
	}
	// A waiver of a rule that only the other org has.
	if _, err := a.compliance.GrantWaiver(t.Context(), &compliancepb.GrantWaiverRequest{Parent: ua, RequestId: uuid.NewString(), Waiver: &compliancepb.Waiver{
		Rule: a.org + "/rulePacks/secret/rules/bcd", Reason: "x", Signer: "x", EndDate: &date.Date{Year: 2027, Month: 2, Day: 20},
	}}); status.Code(err) == grpccodes.OK {
		t.Error("a rule of the other org's pack is waived")
	}

	// Lists, streams, digests and trials are of the own fleet alone.
	answers := map[string]proto.Message{}
	keep := func(what string, m proto.Message, err error) {
		t.Helper()
		if err != nil {
			t.Errorf("%s: %v", what, err)
			return
		}
		answers[what] = m
	}
	waivers, err := a.compliance.ListWaivers(t.Context(), &compliancepb.ListWaiversRequest{Parent: a.org + "/units/-", IncludeEnded: true})
	keep("ListWaivers", waivers, err)
	packs, err := a.compliance.ListRulePacks(t.Context(), &compliancepb.ListRulePacksRequest{Parent: a.org})
	keep("ListRulePacks", packs, err)
	notices, err := a.compliance.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: a.org})
	keep("ListNotices", notices, err)
	digests, err := a.compliance.ListDigests(t.Context(), &compliancepb.ListDigestsRequest{Parent: a.org + "/shops/-", PageSize: 1000})
	keep("ListDigests", digests, err)
	digest, err := a.compliance.GetDigest(t.Context(), &compliancepb.GetDigestRequest{Shop: a.org + "/shops/north", Date: &date.Date{Year: 2027, Month: 1, Day: 1}})
	keep("GetDigest", digest, err)
	explained, err := a.compliance.ExplainUnit(t.Context(), &compliancepb.ExplainUnitRequest{Unit: ua})
	keep("ExplainUnit", explained, err)
	forecast, err := a.compliance.ForecastUnit(t.Context(), &compliancepb.ForecastUnitRequest{Unit: ua})
	keep("ForecastUnit", forecast, err)
	tried, err := a.compliance.TryRulePack(t.Context(), &compliancepb.TryRulePackRequest{Parent: a.org, RulePackId: "secret", RulePack: unnamed(house.GetRulePack())})
	keep("TryRulePack", tried, err)
	due, err := a.compliance.ListDue(t.Context(), &compliancepb.ListDueRequest{Parent: a.org, HorizonDays: 700})
	keep("ListDue", due, err)
	if n := len(waivers.GetWaivers()); n != 0 {
		t.Errorf("%d waivers", n)
	}
	if n := len(packs.GetRulePacks()); n != 1 {
		t.Errorf("%d packs", n)
	}
	if n := len(due.GetItems()); n != 1 {
		t.Errorf("%d clocks are due", n)
	}
	if n := tried.GetUnitCount(); n != 1 {
		t.Errorf("a trial over %d units", n)
	}
	if len(notices.GetNotices()) != 3 || len(digest.GetDigest().GetNotices()) != 1 {
		t.Errorf("notices %v, digest %v", notices, digest)
	}
	ctx, cancel := context.WithTimeout(t.Context(), soon)
	defer cancel()
	stream, err := a.compliance.FollowNotices(ctx, &compliancepb.FollowNoticesRequest{Parent: a.org})
	if err != nil {
		t.Fatal(err)
	}
	for range len(notices.GetNotices()) {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		keep("FollowNotices", m, nil)
		if m.GetNotice().GetUnit() != ua {
			t.Errorf("a notice of %s is streamed", m.GetNotice().GetUnit())
		}
	}
	foreign := []string{b.org, ub[strings.LastIndex(ub, "/")+1:], wb.GetName()[strings.LastIndex(wb.GetName(), "/")+1:], "B-2"}
	for what, m := range answers {
		text := prototext.Format(m)
		for _, word := range foreign {
			if strings.Contains(text, word) {
				t.Errorf("%s tells %q of the other org:\n%s", what, word, text)
			}
		}
	}
	if len(answers) < 10 {
		t.Errorf("only %d answers were looked at", len(answers))
	}
}
