package systemtest

import (
	"testing"
	"time"

	"buf.build/go/protoyaml"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// housePack is a small policy: regulators by dives and months, cylinders by month, everything else by year.
const housePack = `
title: House policy of the tests
effectiveDate: {year: 2020, month: 1, day: 1}
cautions: [Local code and the maker's manual win.]
rules:
  - {id: regulator, title: Overhaul every 100 dives or 12 months, activity: overhaul, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [regulator-set, first-stage, second-stage]}, limit: {months: 12, dives: 100}, lead: {days: 30, dives: 10}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: cylinder, title: Requalification, activity: hydrostatic-test, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [cylinder]}, limit: {months: 60, monthStamped: true}, baselines: [BASELINE_MANUFACTURE], blocks: [USE_HAND_OUT, USE_FILL]}
  - {id: bcd, title: Inspection, activity: inspection, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: 12}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`

// now is the instant the fake clock of a stack starts at.
var now = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

// fleet is an org with a shop, three models and clients of a chain manager.
type fleet struct {
	t            testing.TB
	stack        *Stack
	org          string
	conn         *grpc.ClientConn
	registry     registrypb.RegistryServiceClient
	history      historypb.HistoryServiceClient
	compliance   compliancepb.ComplianceServiceClient
	availability compliancepb.AvailabilityServiceClient
	position     *typepb.Position // of the last write
}

func newFleet(t testing.TB, s *Stack, org string) *fleet {
	t.Helper()
	f := newFleetOver(t, func(role, org string) *grpc.ClientConn { return s.Public(t, role, org) }, org)
	f.stack = s
	return f
}

// newFleetOver is newFleet over any connection to a public server.
func newFleetOver(t testing.TB, dial func(role, org string) *grpc.ClientConn, org string) *fleet {
	t.Helper()
	return newFleetAt(t, org, dial, dial, dial)
}

// newFleetAt is newFleet over connections to each of the services.
func newFleetAt(t testing.TB, org string, toRegistry, toHistory, toCompliance func(role, org string) *grpc.ClientConn) *fleet {
	t.Helper()
	operator := registrypb.NewRegistryServiceClient(toRegistry(auth.RoleOperator, ""))
	if _, err := operator.CreateOrg(t.Context(), &registrypb.CreateOrgRequest{OrgId: org, Org: &registrypb.Org{DisplayName: org}, RequestId: uuid.NewString()}); err != nil {
		t.Fatal(err)
	}
	conn := toCompliance(auth.RoleChainManager, org)
	f := &fleet{
		t: t, org: "orgs/" + org, conn: conn,
		registry: registrypb.NewRegistryServiceClient(toRegistry(auth.RoleChainManager, org)), history: historypb.NewHistoryServiceClient(toHistory(auth.RoleChainManager, org)),
		compliance: compliancepb.NewComplianceServiceClient(conn), availability: compliancepb.NewAvailabilityServiceClient(conn),
		position: &typepb.Position{},
	}
	for id, zone := range map[string]string{"north": "Europe/London", "south": "Australia/Brisbane"} {
		if _, err := f.registry.CreateShop(t.Context(), &registrypb.CreateShopRequest{Parent: f.org, ShopId: id, Shop: &registrypb.Shop{DisplayName: id, TimeZone: zone, Jurisdiction: map[string]string{"north": "GB", "south": "AU"}[id]}}); err != nil {
			t.Fatal(err)
		}
	}
	for _, kind := range []string{"regulator-set", "first-stage", "second-stage", "cylinder", "bcd"} {
		r, err := f.registry.CreateModel(t.Context(), &registrypb.CreateModelRequest{Parent: f.org, ModelId: kind, Model: &registrypb.Model{DisplayName: kind, Kind: kind, Maker: "Invented"}})
		if err != nil {
			t.Fatal(err)
		}
		f.saw(r.GetPosition())
	}
	pack := &compliancepb.RulePack{}
	if err := protoyaml.Unmarshal([]byte(housePack), pack); err != nil {
		t.Fatal(err)
	}
	r, err := f.compliance.PublishRulePack(t.Context(), &compliancepb.PublishRulePackRequest{Parent: f.org, RulePackId: "house", RulePack: pack, RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	f.saw(r.GetPosition())
	return f
}

// saw remembers the furthest position of each log.
func (f *fleet) saw(p *typepb.Position) {
	f.position.Registry = max(f.position.GetRegistry(), p.GetRegistry())
	f.position.History = max(f.position.GetHistory(), p.GetHistory())
	f.position.Compliance = max(f.position.GetCompliance(), p.GetCompliance())
}

// unit registers a unit of the kind at shop north, commissioned on 2026-01-01.
func (f *fleet) unit(kind, tag string) string {
	f.t.Helper()
	r, err := f.registry.CreateUnit(f.t.Context(), &registrypb.CreateUnitRequest{Parent: f.org, RequestId: uuid.NewString(), Unit: &registrypb.Unit{
		AssetTag: tag, Model: f.org + "/models/" + kind, Shop: f.org + "/shops/north",
		ManufactureDate: &date.Date{Year: 2024, Month: 5}, CommissionDate: &date.Date{Year: 2026, Month: 1, Day: 1},
	}})
	if err != nil {
		f.t.Fatal(err)
	}
	f.saw(r.GetPosition())
	return r.GetUnit().GetName()
}

func (f *fleet) fit(part, host string, at time.Time) {
	f.t.Helper()
	r, err := f.registry.FitUnit(f.t.Context(), &registrypb.FitUnitRequest{Parent: part, RequestId: uuid.NewString(), Fitting: &registrypb.Fitting{Host: host, FitTime: timestamppb.New(at)}})
	if err != nil {
		f.t.Fatal(err)
	}
	f.saw(r.GetPosition())
}

func (f *fleet) append(entries ...*historypb.Entry) *historypb.AppendEntriesResponse {
	f.t.Helper()
	r, err := f.history.AppendEntries(f.t.Context(), &historypb.AppendEntriesRequest{Parent: f.org, Entries: entries})
	if err != nil {
		f.t.Fatal(err)
	}
	f.saw(r.GetPosition())
	return r
}

func (f *fleet) standing(unit string) *compliancepb.Standing {
	f.t.Helper()
	r, err := f.compliance.GetStanding(f.t.Context(), &compliancepb.GetStandingRequest{Unit: unit, AtLeast: f.position})
	if err != nil {
		f.t.Fatal(err)
	}
	return r.GetStanding()
}

func entry(unit string, at time.Time) *historypb.Entry {
	return &historypb.Entry{Name: unit + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(at)}
}

func dives(unit string, at time.Time, n int64) *historypb.Entry {
	e := entry(unit, at)
	e.Detail = &historypb.Entry_Usage{Usage: &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Dives: n}}}}
	return e
}

func tested(unit string, at time.Time, activity string, outcome historypb.Outcome) *historypb.Entry {
	e := entry(unit, at)
	e.Detail = &historypb.Entry_Test{Test: &historypb.Test{Activity: activity, Outcome: outcome}}
	return e
}

func serviced(unit string, at time.Time, outcome historypb.Outcome, activities ...string) *historypb.Entry {
	e := entry(unit, at)
	e.Detail = &historypb.Entry_Service{Service: &historypb.Service{Activities: activities, Outcome: outcome}}
	return e
}

func condition(unit string, at time.Time, what string) *historypb.Entry {
	e := entry(unit, at)
	e.Detail = &historypb.Entry_Condition{Condition: &historypb.Condition{Condition: what, Severity: historypb.Condition_SEVERITY_PULL}}
	return e
}

func amended(unit string, at time.Time, corrects *historypb.Entry, reason string, with *historypb.Replacement) *historypb.Entry {
	e := entry(unit, at)
	e.Detail = &historypb.Entry_Amendment{Amendment: &historypb.Amendment{CorrectedEntry: corrects.GetName(), Reason: reason, Replacement: with}}
	return e
}

// codes returns the standing's reasons, in order.
func codes(s *compliancepb.Standing) []typepb.Reason {
	var out []typepb.Reason
	for _, r := range s.GetReasons() {
		out = append(out, r.GetCode())
	}
	return out
}
