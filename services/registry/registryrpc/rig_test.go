package registryrpc_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/rpc"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry/registrypg"
	"strandline.example/strandline/services/registry/registryrpc"
)

func TestMain(m *testing.M) {
	os.Exit(pgtest.Run(m, func() error {
		if err := goleak.Find(); err != nil {
			return err
		}
		return unproduced()
	}, registrypg.Schema))
}

// answers are the reasons this service can answer with; those of tokens and permissions are the server's, whose own tests
// produce them. A run of all tests fails unless each was produced and seen in an ErrorInfo or in the problems of an import.
var answers = []string{
	"INVALID_FIELD", "ORG_MISMATCH", "NOT_FOUND", "ALREADY_EXISTS", "ASSET_TAG_TAKEN", "ETAG_MISMATCH", "REQUEST_ID_REUSED",
	"FITTING_OVERLAP", "FITTING_CYCLE", "UNIT_RETIRED", "BEFORE_COMMISSIONING", "IN_THE_FUTURE", "PAGE_TOKEN_INVALID", "FILTER_INVALID",
	"FITTED_ELSEWHERE", "OTHER_SHOP", "ORDER_OF_EVENTS", "UNAVAILABLE", "DEADLINE_EXCEEDED", "RESOURCE_EXHAUSTED", "CONFLICT",
}

var (
	seenMu sync.Mutex
	seen   = map[string]bool{}
)

func saw(reason string) {
	seenMu.Lock()
	defer seenMu.Unlock()
	seen[reason] = true
}

func unproduced() error {
	for _, f := range []string{"test.run", "test.skip", "test.bench", "test.fuzz"} {
		if v := flag.Lookup(f); v != nil && v.Value.String() != "" {
			return nil
		}
	}
	var missing []string
	for _, r := range answers {
		if !seen[r] {
			missing = append(missing, r)
		}
	}
	if len(missing) > 0 {
		return fmt.Errorf("no test produced these reasons: %v", missing)
	}
	return nil
}

// now is when the tests' clock stands at first.
var now = time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)

// rig is a registry behind a real server, over a database of its own.
type rig struct {
	t     testing.TB
	base  *pgtest.Database
	clock *clock.Fake
	db    *pg.DB
	key   *auth.Key
	conns map[string]*grpc.ClientConn
	mu    sync.Mutex
	serve *rpc.Server
}

// setup is what a test may have otherwise.
type setup struct {
	prepare  func(base *pgtest.Database) // before the first connection
	deadline time.Duration               // of a call without one
	spool    string
	tracer   pgx.QueryTracer
}

func newRig(t testing.TB) *rig {
	t.Helper()
	return newRigWith(t, setup{})
}

func newRigWith(t testing.TB, s setup) *rig {
	t.Helper()
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	base := pgtest.New(t)
	if s.prepare != nil {
		s.prepare(base)
	}
	if s.spool == "" {
		s.spool = t.TempDir()
	}
	db := base.OpenWith(t, pg.Config{Role: registrypg.Schema.Role, Schema: registrypg.Schema.Name, MaxConns: 16, Tracer: s.tracer})
	r := &rig{t: t, base: base, clock: clock.NewFake(now), db: db, key: key, conns: map[string]*grpc.ClientConn{}}
	r.serve = rpc.NewServer(rpc.ServerConfig{Verifier: auth.NewVerifier(key.Public()), Clock: r.clock, DefaultDeadline: s.deadline})
	impl := registryrpc.New(registryrpc.Config{DB: db, Clock: r.clock, Pages: page.NewSigner([]byte("test")), SpoolDir: s.spool, MaxImportBytes: 8 << 20})
	impl.Register(r.serve)
	impl.RegisterFeed(r.serve)
	t.Cleanup(func() {
		impl.Close()
		for _, c := range r.conns {
			_ = c.Close()
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 10*time.Second)
		defer cancel()
		if err := r.serve.Drain(ctx); err != nil {
			t.Errorf("drain: %v", err)
		}
	})
	return r
}

// as returns a connection with a token of a role; an org role's token is of org.
func (r *rig) as(role, org string) *grpc.ClientConn {
	r.t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	if c := r.conns[role+"@"+org]; c != nil {
		return c
	}
	token, err := r.key.Mint(auth.Claims{Subject: "test", Role: role, Org: org, Issued: now.AddDate(-1, 0, 0), Expires: now.AddDate(10, 0, 0)})
	if err != nil {
		r.t.Fatal(err)
	}
	c, err := r.serve.InProcess(grpc.WithPerRPCCredentials(rpc.BearerToken(token)), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(16<<20)))
	if err != nil {
		r.t.Fatal(err)
	}
	r.conns[role+"@"+org] = c
	return c
}

// chain is one org's world as a test uses it.
type chain struct {
	*rig
	registrypb.RegistryServiceClient
	org string
}

func (r *rig) feed() feedpb.FeedServiceClient {
	return feedpb.NewFeedServiceClient(r.as(auth.RoleService, ""))
}

// found creates an org with two shops and two models.
func (r *rig) found(org string) *chain {
	r.t.Helper()
	op := registrypb.NewRegistryServiceClient(r.as(auth.RoleOperator, ""))
	if _, err := op.CreateOrg(r.t.Context(), &registrypb.CreateOrgRequest{OrgId: org, Org: &registrypb.Org{DisplayName: "Chain " + org}}); err != nil {
		r.t.Fatal(err)
	}
	c := &chain{rig: r, RegistryServiceClient: registrypb.NewRegistryServiceClient(r.as(auth.RoleChainManager, org)), org: org}
	for _, s := range []struct{ id, zone, place string }{{"harbour", "Europe/Lisbon", "PT"}, {"lagoon", "Pacific/Auckland", "NZ"}} {
		must(r.t)(c.CreateShop(r.t.Context(), &registrypb.CreateShopRequest{Parent: c.name(), ShopId: s.id, Shop: &registrypb.Shop{DisplayName: s.id, TimeZone: s.zone, Jurisdiction: s.place}}))
	}
	for _, m := range []struct{ id, kind, size string }{{"set", "regulator-set", ""}, {"first", "first-stage", ""}, {"vest", "bcd", "M"}} {
		must(r.t)(c.CreateModel(r.t.Context(), &registrypb.CreateModelRequest{Parent: c.name(), ModelId: m.id, Model: &registrypb.Model{DisplayName: m.id, Kind: m.kind, Size: m.size}}))
	}
	return c
}

func must(t testing.TB) func(any, error) {
	return func(_ any, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
}

func (c *chain) name() string              { return "orgs/" + c.org }
func (c *chain) shop(id string) string     { return c.name() + "/shops/" + id }
func (c *chain) model(id string) string    { return c.name() + "/models/" + id }
func (c *chain) unitName(id string) string { return c.name() + "/units/" + id }

func day(y, m, d int32) *date.Date { return &date.Date{Year: y, Month: m, Day: d} }

func at(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// plainUnit is a unit as a request has it.
func (c *chain) plainUnit(tag, model, shop string) *registrypb.Unit {
	return &registrypb.Unit{AssetTag: tag, Model: c.model(model), Shop: c.shop(shop), CommissionDate: day(2025, 1, 10)}
}

// add creates a unit at the harbour.
func (c *chain) add(tag, model string) *registrypb.Unit {
	c.t.Helper()
	return c.addAt(tag, model, "harbour")
}

func (c *chain) addAt(tag, model, shop string) *registrypb.Unit {
	c.t.Helper()
	resp, err := c.CreateUnit(c.t.Context(), &registrypb.CreateUnitRequest{Parent: c.name(), Unit: c.plainUnit(tag, model, shop)})
	if err != nil {
		c.t.Fatal(err)
	}
	return resp.GetUnit()
}

func (c *chain) get(name string) *registrypb.Unit {
	c.t.Helper()
	resp, err := c.GetUnit(c.t.Context(), &registrypb.GetUnitRequest{Name: name})
	if err != nil {
		c.t.Fatal(err)
	}
	return resp.GetUnit()
}

// fit fits a part from an instant on.
func (c *chain) fit(part, host *registrypb.Unit, from time.Time) *registrypb.Fitting {
	c.t.Helper()
	resp, err := c.FitUnit(c.t.Context(), fitting(part, host, from, time.Time{}))
	if err != nil {
		c.t.Fatal(err)
	}
	return resp.GetFitting()
}

func fitting(part, host *registrypb.Unit, from, to time.Time) *registrypb.FitUnitRequest {
	f := &registrypb.Fitting{Host: host.GetName(), FitTime: at(from)}
	if !to.IsZero() {
		f.UnfitTime = at(to)
	}
	return &registrypb.FitUnitRequest{Parent: part.GetName(), Fitting: f}
}

// refusal is what an error says besides its text.
type refusal struct {
	code       codes.Code
	reason     string
	meta       map[string]string
	violations map[string]string // field -> reason
	resource   string
}

func refused(t testing.TB, err error) refusal {
	t.Helper()
	st, _ := status.FromError(err)
	r := refusal{code: st.Code(), violations: map[string]string{}}
	n := 0
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			n++
			r.reason, r.meta = d.GetReason(), d.GetMetadata()
			saw(r.reason)
			if d.GetDomain() != "strandline" {
				t.Errorf("domain %q", d.GetDomain())
			}
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				r.violations[v.GetField()] = v.GetReason()
			}
		case *errdetails.ResourceInfo:
			r.resource = d.GetResourceName()
		}
	}
	if err != nil && n != 1 {
		t.Errorf("%v has %d ErrorInfos", err, n)
	}
	return r
}

// wantRefused fails unless err has the code and reason, and, if a field is given, a violation of that field.
func wantRefused(t testing.TB, err error, code codes.Code, reason string, fields ...string) {
	t.Helper()
	got := refused(t, err)
	if got.code != code || got.reason != reason {
		t.Errorf("got %s %s (%v), want %s %s", got.code, got.reason, err, code, reason)
		return
	}
	for _, f := range fields {
		if _, ok := got.violations[f]; !ok && got.meta["field"] != f {
			t.Errorf("%s: got violations %v and meta %v, want one of %s", reason, got.violations, got.meta, f)
		}
	}
}

func ids(prefix string, n int) []string {
	out := make([]string, n)
	for i := range out {
		out[i] = fmt.Sprintf("%s-%04d", prefix, i)
	}
	return out
}

func newID() string { return uuid.NewString() }
