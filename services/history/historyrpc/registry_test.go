package historyrpc_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/rpc"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/history/historyrpc"
	"strandline.example/strandline/services/registry/registrypg"
	"strandline.example/strandline/services/registry/registryrpc"
)

// withRegistry is a rig with the registry itself in the place of the fake one, and a client of it as the org's chain manager. The
// org has a shop in Hawaii, another in Lisbon, and a model.
func withRegistry(t testing.TB) (*rig, registrypb.RegistryServiceClient) {
	t.Helper()
	r := newRig(t)
	server := r.newServer()
	registryrpc.New(registryrpc.Config{DB: r.database.Open(t, registrypg.Schema), Clock: r.clock, Pages: page.NewSigner([]byte("test"))}).Register(server)
	r.config.Registry = registrypb.NewRegistryServiceClient(r.dial(server, rpc.ServiceToken(r.key, "service:history", r.clock)))
	r.service = historyrpc.New(r.config)
	r.server = r.newServer()
	r.service.Register(r.server)

	token := func(c auth.Claims) registrypb.RegistryServiceClient {
		c.Issued, c.Expires = r.clock.Now(), r.clock.Now().Add(1000*time.Hour)
		s, err := r.key.Mint(c)
		if err != nil {
			t.Fatal(err)
		}
		return registrypb.NewRegistryServiceClient(r.dial(server, rpc.BearerToken(s)))
	}
	if _, err := token(auth.Claims{Subject: "operator", Role: auth.RoleOperator}).CreateOrg(t.Context(), &registrypb.CreateOrgRequest{OrgId: orgA, Org: &registrypb.Org{DisplayName: "Tidewater"}}); err != nil {
		t.Fatal(err)
	}
	c := token(auth.Claims{Subject: "chief", Role: auth.RoleChainManager, Org: orgA})
	for id, zone := range map[string]string{"hawaii": "Pacific/Honolulu", "quay": "Europe/Lisbon"} {
		if _, err := c.CreateShop(t.Context(), &registrypb.CreateShopRequest{Parent: "orgs/" + orgA, ShopId: id, Shop: &registrypb.Shop{DisplayName: id, TimeZone: zone, Jurisdiction: "US-HI"}}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := c.CreateModel(t.Context(), &registrypb.CreateModelRequest{Parent: "orgs/" + orgA, ModelId: "set", Model: &registrypb.Model{DisplayName: "Set", Kind: "regulator-set"}}); err != nil {
		t.Fatal(err)
	}
	return r, c
}

// register makes units, commissioned on a day.
func register(t testing.TB, c registrypb.RegistryServiceClient, shop string, day *datepb.Date, n int) (units []string) {
	t.Helper()
	req := &registrypb.BatchCreateUnitsRequest{Parent: "orgs/" + orgA}
	for i := range n {
		req.Requests = append(req.Requests, &registrypb.CreateUnitRequest{Parent: "orgs/" + orgA, Unit: &registrypb.Unit{
			AssetTag: fmt.Sprintf("%s-%d", uuid.NewString()[:8], i), Model: "orgs/" + orgA + "/models/set", Shop: "orgs/" + orgA + "/shops/" + shop, CommissionDate: day,
		}})
	}
	got, err := c.BatchCreateUnits(t.Context(), req)
	if err != nil {
		t.Fatal(err)
	}
	for _, u := range got.GetUnits() {
		units = append(units, u.GetName())
	}
	return units
}

// What the registry says is what counts, at the moment of the append.
func TestAppendAsksTheRegistry(t *testing.T) {
	t.Parallel()
	r, registry := withRegistry(t)
	c := r.client(orgA)
	unit := register(t, registry, "hawaii", &datepb.Date{Year: 2026, Month: 2, Day: 10}, 1)[0]
	refused := func(e *historypb.Entry, code codes.Code, reason string) {
		t.Helper()
		_, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{e}})
		wantError(t, err, code, reason)
	}
	shopOf := func(e *historypb.Entry) string {
		t.Helper()
		appendEntries(t, c, orgA, e)
		got, err := c.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: e.GetName()})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetEntry().GetShop()
	}
	refused(dives("orgs/"+orgA+"/units/"+uuid.NewString(), start, 1), codes.NotFound, "NOT_FOUND")
	// The first day began at 10:00 UTC in Hawaii, which has no summer time (IANA time zone database).
	begins := time.Date(2026, 2, 10, 10, 0, 0, 0, time.UTC)
	refused(dives(unit, begins.Add(-time.Microsecond), 1), codes.InvalidArgument, "BEFORE_COMMISSIONING")
	if got := shopOf(dives(unit, begins, 1)); got != "orgs/"+orgA+"/shops/hawaii" {
		t.Errorf("recorded at %s", got)
	}
	if _, err := registry.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: unit, DestinationShop: "orgs/" + orgA + "/shops/quay"}); err != nil {
		t.Fatal(err)
	}
	if got := shopOf(dives(unit, start, 1)); got != "orgs/"+orgA+"/shops/quay" {
		t.Errorf("after the transfer, recorded at %s", got)
	}
	refused(dives(unit, begins.Add(-time.Microsecond), 1), codes.InvalidArgument, "BEFORE_COMMISSIONING") // still Hawaii's midnight
	abroad := dives(unit, start, 1)
	abroad.Shop = "orgs/" + orgA + "/shops/atlantis"
	refused(abroad, codes.InvalidArgument, "INVALID_FIELD")

	r.clock.Advance(time.Hour)
	if _, err := registry.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: unit, Reason: "sold", RetireTime: timestamppb.New(start.Add(30 * time.Minute))}); err != nil {
		t.Fatal(err)
	}
	refused(dives(unit, start.Add(30*time.Minute), 1), codes.InvalidArgument, "UNIT_RETIRED")
	appendEntries(t, c, orgA, dives(unit, start.Add(30*time.Minute-time.Microsecond), 1), work(unit, start.Add(time.Hour), historypb.Outcome_OUTCOME_CONDEMNED))
	verify(t, c, orgA, 4)
}
