package historyrpc_test

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/rpc"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/history/historypg"
	"strandline.example/strandline/services/history/historyrpc"
	"strandline.example/strandline/services/registry/registrypg"
)

func TestMain(m *testing.M) {
	os.Exit(pgtest.Run(m, func() error { return goleak.Find() }, historypg.Schema, registrypg.Schema))
}

// start is what the fake clock shows at first.
var start = time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)

const (
	orgA = "tidewater"
	orgB = "outer-banks"
)

// rig is a history service over PostgreSQL, behind a real server, with a registry of its own making behind another.
type rig struct {
	t        testing.TB
	clock    *clock.Fake
	key      *auth.Key
	database *pgtest.Database
	db       *pg.DB
	registry *fakeRegistry
	config   historyrpc.Config
	server   *rpc.Server
	service  *historyrpc.Server
}

func newRig(t testing.TB, change ...func(*historyrpc.Config)) *rig {
	t.Helper()
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, clock: clock.NewFake(start), key: key, database: pgtest.New(t), registry: newFakeRegistry()}
	r.db = r.database.OpenWith(t, pg.Config{Role: historypg.Schema.Role, Schema: historypg.Schema.Name, MaxConns: 20})
	registryServer := r.newServer()
	registrypb.RegisterRegistryServiceServer(registryServer, r.registry)
	conn := r.dial(registryServer, rpc.ServiceToken(key, "service:history", r.clock))
	r.config = historyrpc.Config{DB: r.db, Clock: r.clock, Pages: page.NewSigner([]byte("test")), Registry: registrypb.NewRegistryServiceClient(conn), SpoolDir: t.TempDir()}
	for _, f := range change {
		f(&r.config)
	}
	r.service = historyrpc.New(r.config)
	r.server = r.newServer()
	r.service.Register(r.server)
	r.service.RegisterFeed(r.server)
	return r
}

func (r *rig) newServer() *rpc.Server {
	s := rpc.NewServer(rpc.ServerConfig{Verifier: auth.NewVerifier(r.key.Public()), Clock: r.clock, Logger: slog.New(slog.DiscardHandler)})
	r.t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(r.t.Context()), 10*time.Second)
		defer cancel()
		if err := s.Drain(ctx); err != nil {
			r.t.Errorf("drain: %v", err)
		}
	})
	return s
}

func (r *rig) dial(s *rpc.Server, as credentials.PerRPCCredentials) *grpc.ClientConn {
	r.t.Helper()
	conn, err := s.InProcess(grpc.WithPerRPCCredentials(as))
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// as returns a client with a token of the role.
func (r *rig) as(s *rpc.Server, org, role string) historypb.HistoryServiceClient {
	r.t.Helper()
	token, err := r.key.Mint(auth.Claims{Subject: "person-of-" + org, Role: role, Org: org, Issued: r.clock.Now(), Expires: r.clock.Now().Add(1000 * time.Hour)})
	if err != nil {
		r.t.Fatal(err)
	}
	return historypb.NewHistoryServiceClient(r.dial(s, rpc.BearerToken(token)))
}

func (r *rig) client(org string) historypb.HistoryServiceClient {
	return r.clientOf(r.server, org)
}

func (r *rig) clientOf(s *rpc.Server, org string) historypb.HistoryServiceClient {
	return r.as(s, org, auth.RoleChainManager)
}

func (r *rig) feed() feedpb.FeedServiceClient {
	return feedpb.NewFeedServiceClient(r.dial(r.server, rpc.ServiceToken(r.key, "service:compliance", r.clock)))
}

// fakeRegistry says what exists; it is the part of the registry that history asks.
type fakeRegistry struct {
	registrypb.UnimplementedRegistryServiceServer
	mu     sync.Mutex
	units  map[string]*registrypb.Unit
	shops  map[string]*registrypb.Shop
	people map[string]*registrypb.Technician
	down   bool
	asked  []string // names of the RPCs, in order
}

func newFakeRegistry() *fakeRegistry {
	return &fakeRegistry{units: map[string]*registrypb.Unit{}, shops: map[string]*registrypb.Shop{}, people: map[string]*registrypb.Technician{}}
}

func (f *fakeRegistry) ask(rpc string) error {
	f.asked = append(f.asked, rpc)
	if f.down {
		return errs.New(errs.Unavailable, "UNAVAILABLE", "down for the test")
	}
	return nil
}

func (f *fakeRegistry) BatchGetUnits(_ context.Context, req *registrypb.BatchGetUnitsRequest) (*registrypb.BatchGetUnitsResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.ask("BatchGetUnits"); err != nil {
		return nil, err
	}
	out := &registrypb.BatchGetUnitsResponse{}
	for _, name := range req.GetNames() {
		u := f.units[name]
		if u == nil {
			return nil, errs.Missing(name)
		}
		out.Units = append(out.Units, u)
	}
	return out, nil
}

func (f *fakeRegistry) ListShops(_ context.Context, req *registrypb.ListShopsRequest) (*registrypb.ListShopsResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.ask("ListShops"); err != nil {
		return nil, err
	}
	out := &registrypb.ListShopsResponse{}
	for _, name := range slices.Sorted(maps.Keys(f.shops)) {
		if len(name) > len(req.GetParent()) && name[:len(req.GetParent())+1] == req.GetParent()+"/" && name > req.GetPageToken() {
			if len(out.Shops) == 2 { // small pages, so that there are several
				out.NextPageToken = out.Shops[1].Name
				break
			}
			out.Shops = append(out.Shops, f.shops[name])
		}
	}
	return out, nil
}

func (f *fakeRegistry) GetShop(_ context.Context, req *registrypb.GetShopRequest) (*registrypb.GetShopResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.ask("GetShop"); err != nil {
		return nil, err
	}
	if s := f.shops[req.GetName()]; s != nil {
		return &registrypb.GetShopResponse{Shop: s}, nil
	}
	return nil, errs.Missing(req.GetName())
}

func (f *fakeRegistry) GetTechnician(_ context.Context, req *registrypb.GetTechnicianRequest) (*registrypb.GetTechnicianResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.ask("GetTechnician"); err != nil {
		return nil, err
	}
	if t := f.people[req.GetName()]; t != nil {
		return &registrypb.GetTechnicianResponse{Technician: t}, nil
	}
	return nil, errs.Missing(req.GetName())
}

// technician makes a technician who is qualified for activities through 2026.
func (f *fakeRegistry) technician(org, id string, activities ...string) string {
	f.mu.Lock()
	defer f.mu.Unlock()
	t := &registrypb.Technician{Name: "orgs/" + org + "/technicians/" + id, DisplayName: "Technician " + id}
	for _, a := range activities {
		t.Qualifications = append(t.Qualifications, &registrypb.Technician_Qualification{Activity: a, ValidFromDate: &datepb.Date{Year: 2025, Month: 1, Day: 1}, ValidThroughDate: &datepb.Date{Year: 2026, Month: 12, Day: 31}})
	}
	f.people[t.Name] = t
	return t.Name
}

// shop makes a shop and returns its name.
func (f *fakeRegistry) shop(org, id, zone string) string {
	f.mu.Lock()
	defer f.mu.Unlock()
	name := "orgs/" + org + "/shops/" + id
	f.shops[name] = &registrypb.Shop{Name: name, TimeZone: zone, Jurisdiction: "US"}
	return name
}

// unit makes a unit that was commissioned on a day and is at a shop.
func (f *fakeRegistry) unit(org, shop string, commissioned *datepb.Date) *registrypb.Unit {
	f.mu.Lock()
	defer f.mu.Unlock()
	u := &registrypb.Unit{
		Name: "orgs/" + org + "/units/" + uuid.NewString(), AssetTag: fmt.Sprint("T", len(f.units)), Model: "orgs/" + org + "/models/m", Kind: "regulator-set",
		Shop: shop, CommissionDate: commissioned, State: registrypb.Unit_STATE_ACTIVE,
		Placements: []*registrypb.Placement{{Shop: shop}},
	}
	f.units[u.Name] = u
	return u
}

// change changes what exists while calls may be under way.
func (f *fakeRegistry) change(fn func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	fn()
}

func (f *fakeRegistry) calls() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.asked)
}

// fleet makes a shop and units of an org, commissioned long ago.
func (r *rig) fleet(org string, n int) (shop string, units []string) {
	shop = r.registry.shop(org, "quay", "Europe/Lisbon")
	for range n {
		units = append(units, r.registry.unit(org, shop, &datepb.Date{Year: 2024, Month: 1, Day: 10}).Name)
	}
	return shop, units
}

// dives is an entry of n dives.
func dives(unit string, at time.Time, n int64) *historypb.Entry {
	return &historypb.Entry{
		Name: unit + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(at),
		Detail: &historypb.Entry_Usage{Usage: &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Dives: n}}}},
	}
}

// work is a service entry.
func work(unit string, at time.Time, outcome historypb.Outcome) *historypb.Entry {
	return &historypb.Entry{
		Name: unit + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(at), Technician: orgOf(unit) + "/technicians/ada",
		Detail: &historypb.Entry_Service{Service: &historypb.Service{Activities: []string{"overhaul"}, Outcome: outcome, MarkDate: &datepb.Date{Year: 2025, Month: 6}}},
	}
}

func orgOf(name string) string {
	parts := 0
	for i := range name {
		if name[i] == '/' {
			if parts++; parts == 2 {
				return name[:i]
			}
		}
	}
	return name
}

// amend is an amendment of an entry.
func amend(target *historypb.Entry, at time.Time, with *historypb.Replacement) *historypb.Entry {
	unit := target.GetName()[:len(target.GetName())-len("/entries/")-36]
	return &historypb.Entry{
		Name: unit + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(at),
		Detail: &historypb.Entry_Amendment{Amendment: &historypb.Amendment{CorrectedEntry: target.GetName(), Reason: "misread the log", Replacement: with}},
	}
}

func appendEntries(t testing.TB, c historypb.HistoryServiceClient, org string, entries ...*historypb.Entry) *historypb.AppendEntriesResponse {
	t.Helper()
	out, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + org, Entries: entries})
	if err != nil {
		t.Fatalf("append: %v", err)
	}
	return out
}

// wantError checks code and reason, and returns the violations as field and reason.
func wantError(t testing.TB, err error, code codes.Code, reason string, fields ...string) *status.Status {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != code || rpc.Reason(st) != reason {
		t.Fatalf("got %v %s (%v), want %v %s", st.Code(), rpc.Reason(st), st.Message(), code, reason)
	}
	var got []string
	for _, d := range st.Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range b.GetFieldViolations() {
				got = append(got, v.GetField()+" "+v.GetReason())
			}
		}
	}
	if len(fields) > 0 && !slices.Equal(got, fields) {
		t.Fatalf("violations:\n got %q\nwant %q", got, fields)
	}
	return st
}

// count counts the rows of the ledger, of all orgs, past every policy.
func (r *rig) count() int {
	r.t.Helper()
	return r.queryInt(`select count(*) from history.entries`)
}

// meta returns a fact of an error's ErrorInfo.
func meta(st *status.Status, key string) string {
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetMetadata()[key]
		}
	}
	return ""
}
