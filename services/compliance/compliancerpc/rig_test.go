package compliancerpc

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync"
	"testing"
	"time"

	"buf.build/go/protoyaml"
	"github.com/google/uuid"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/rpc"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

func TestMain(m *testing.M) {
	os.Exit(pgtest.Run(m, func() error { return goleak.Find() }, compliancepg.Schema))
}

// inTurn marks a test that makes one call after the other and takes long: it has no races that others do not have, and with -short it is left out.
func inTurn(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("it makes one call after the other, and takes long")
	}
}

// now is the instant the rig's clock starts at.
var now = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

// fakeFeed is another service's feed, in memory. Its faults are set by tests.
type fakeFeed struct {
	mu      sync.Mutex
	changes map[string][]*feedpb.Change // by org
	heads   chan struct{}               // closed and renewed when something is added
	down    bool                        // every call fails
	hang    bool                        // every read waits until its context ends
	tooBig  int32                       // pages of more than this do not fit one message
	short   int                         // so many of the last changes are told in the head and not given
	behind  int                         // so many of the last changes are not told at all
	shows   time.Time                   // what its clock shows; nothing if zero
	reads   int
	streams int
}

func newFakeFeed() *fakeFeed {
	return &fakeFeed{changes: map[string][]*feedpb.Change{}, heads: make(chan struct{})}
}

func (f *fakeFeed) add(org string, c *feedpb.Change) int64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	c.Position = int64(len(f.changes[org]) + 1)
	f.changes[org] = append(f.changes[org], c)
	close(f.heads)
	f.heads = make(chan struct{})
	return c.GetPosition()
}

func (f *fakeFeed) fault(set func(*fakeFeed)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	set(f)
	close(f.heads)
	f.heads = make(chan struct{})
}

func (f *fakeFeed) ReadFeed(ctx context.Context, req *feedpb.ReadFeedRequest, _ ...grpc.CallOption) (*feedpb.ReadFeedResponse, error) {
	f.mu.Lock()
	f.reads++
	down, hang := f.down, f.hang
	all := f.changes[req.GetParent()]
	all = all[:max(0, len(all)-f.behind)]
	page := all[min(int(req.GetAfter()), len(all)):]
	page = page[:min(int(req.GetLimit()), max(0, len(page)-f.short))]
	tooBig := f.tooBig > 0 && len(page) > int(f.tooBig)
	resp := &feedpb.ReadFeedResponse{Changes: page, Head: int64(len(all)), ReadTime: instantPB(f.shows)}
	f.mu.Unlock()
	switch {
	case down:
		return nil, status.Error(codes.Unavailable, "down")
	case hang:
		<-ctx.Done()
		return nil, status.FromContextError(ctx.Err()).Err()
	case tooBig:
		return nil, status.Error(codes.ResourceExhausted, "larger than max")
	}
	return proto.Clone(resp).(*feedpb.ReadFeedResponse), nil
}

func (f *fakeFeed) FollowHeads(ctx context.Context, _ *feedpb.FollowHeadsRequest, _ ...grpc.CallOption) (grpc.ServerStreamingClient[feedpb.FollowHeadsResponse], error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.down {
		return nil, status.Error(codes.Unavailable, "down")
	}
	f.streams++
	return &headStream{feed: f, ctx: ctx, told: map[string]int64{}}, nil
}

// headStream tells each org's head when it has moved.
type headStream struct {
	grpc.ClientStream
	feed *fakeFeed
	ctx  context.Context
	told map[string]int64
}

func (s *headStream) Recv() (*feedpb.FollowHeadsResponse, error) {
	for {
		s.feed.mu.Lock()
		down, moved := s.feed.down, s.feed.heads
		for org, all := range s.feed.changes {
			if n := int64(len(all)); !down && n > s.told[org] {
				s.told[org] = n
				s.feed.mu.Unlock()
				return &feedpb.FollowHeadsResponse{Org: org, Head: n}, nil
			}
		}
		s.feed.mu.Unlock()
		if down {
			return nil, io.ErrUnexpectedEOF
		}
		select {
		case <-moved:
		case <-s.ctx.Done():
			return nil, s.ctx.Err()
		}
	}
}

// rig is a compliance server behind the whole interceptor chain, over a database of its own and feeds in memory.
type rig struct {
	t            testing.TB
	org          string
	clock        *clock.Fake
	data         *pgtest.Database
	db           *pg.DB
	server       *Server
	public       *rpc.Server
	key          *auth.Key
	registry     *fakeFeed
	history      *fakeFeed
	compliance   compliancepb.ComplianceServiceClient
	availability compliancepb.AvailabilityServiceClient
	position     *typepb.Position
}

func newRig(t testing.TB, follow ...compliance.FollowConfig) *rig {
	t.Helper()
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, org: "orgs/reef", clock: clock.NewFake(now), data: pgtest.New(t), key: key, registry: newFakeFeed(), history: newFakeFeed(), position: &typepb.Position{}}
	r.db = r.data.Open(t, compliancepg.Schema)
	c := Config{DB: r.db, Clock: r.clock, Pages: page.NewSigner([]byte("test")), Registry: r.registry, History: r.history}
	if len(follow) > 0 {
		c.Follow = follow[0]
	}
	r.server = New(c)
	r.public = rpc.NewServer(rpc.ServerConfig{Verifier: auth.NewVerifier(key.Public()), Clock: r.clock, DefaultDeadline: 20 * time.Second, Logger: slog.New(slog.DiscardHandler)})
	r.server.Register(r.public)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 5*time.Second)
		defer cancel()
		if err := r.public.Drain(ctx); err != nil {
			t.Errorf("drain: %v", err)
		}
	})
	conn := r.conn(auth.RoleChainManager, "reef")
	r.compliance, r.availability = compliancepb.NewComplianceServiceClient(conn), compliancepb.NewAvailabilityServiceClient(conn)
	return r
}

func (r *rig) conn(role, org string) *grpc.ClientConn {
	r.t.Helper()
	return r.connAt(role, org, now)
}

// connAt is conn with a token that holds from an instant on, for a day.
func (r *rig) connAt(role, org string, from time.Time) *grpc.ClientConn {
	r.t.Helper()
	token, err := r.key.Mint(auth.Claims{Subject: "test:" + role, Role: role, Org: org, Issued: from, Expires: from.Add(24 * time.Hour)})
	if err != nil {
		r.t.Fatal(err)
	}
	conn, err := r.public.InProcess(grpc.WithPerRPCCredentials(rpc.BearerToken(token)))
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// catalogue registers two shops a world apart and a model of each kind.
func (r *rig) catalogue(kinds ...string) {
	for id, zone := range map[string]string{"north": "Europe/London", "south": "Pacific/Auckland"} {
		r.register(&feedpb.Change{Resource: &feedpb.Change_Shop{Shop: &registrypb.Shop{Name: r.org + "/shops/" + id, DisplayName: id, TimeZone: zone, Jurisdiction: "GB"}}})
	}
	for _, k := range kinds {
		r.register(&feedpb.Change{Resource: &feedpb.Change_Model{Model: &registrypb.Model{Name: r.org + "/models/" + k, Kind: k, Size: "M"}}})
	}
}

func (r *rig) register(c *feedpb.Change) { r.position.Registry = r.registry.add(r.org, c) }

// unit registers a unit commissioned on 2026-01-01 and returns its name.
func (r *rig) unit(kind, tag, shop string) string {
	name := r.org + "/units/" + uuid.NewString()
	r.unitAs(name, kind, tag, shop, func(*registrypb.Unit) {})
	return name
}

// unitAs registers a unit as unit does, with something else about it; or again, if it is there.
func (r *rig) unitAs(name, kind, tag, shop string, change func(*registrypb.Unit)) {
	u := &registrypb.Unit{
		Name: name, AssetTag: tag, Model: r.org + "/models/" + kind, Kind: kind, Shop: r.org + "/shops/" + shop,
		CommissionDate: &date.Date{Year: 2026, Month: 1, Day: 1}, State: registrypb.Unit_STATE_ACTIVE,
		Placements: []*registrypb.Placement{{Shop: r.org + "/shops/" + shop, StartTime: timestamppb.New(now.AddDate(0, -5, 0))}},
	}
	change(u)
	r.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: u}})
}

// movedTo is a unit that came to another shop at an instant.
func (r *rig) movedTo(shop string, at time.Time) func(*registrypb.Unit) {
	return func(u *registrypb.Unit) {
		u.Shop = r.org + "/shops/" + shop
		u.Placements = append(u.Placements, &registrypb.Placement{Shop: u.GetShop(), StartTime: timestamppb.New(at)})
	}
}

func (r *rig) fit(part, host string) { r.fitted(part, host, now.AddDate(0, -4, 0)) }

// fitted fits a part from an instant on; off takes it off again at another.
func (r *rig) fitted(part, host string, at time.Time) (off func(at time.Time)) {
	f := &registrypb.Fitting{Name: part + "/fittings/" + uuid.NewString(), Host: host, FitTime: timestamppb.New(at)}
	r.register(&feedpb.Change{Resource: &feedpb.Change_Fitting{Fitting: f}})
	return func(at time.Time) {
		f = proto.CloneOf(f)
		f.UnfitTime = timestamppb.New(at)
		r.register(&feedpb.Change{Resource: &feedpb.Change_Fitting{Fitting: f}})
	}
}

// record adds an entry and returns its name.
func (r *rig) record(unit string, at time.Time, fill func(*historypb.Entry)) string {
	e := &historypb.Entry{Name: unit + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(at), RecordedTime: timestamppb.New(r.clock.Now())}
	fill(e)
	r.position.History = r.history.add(r.org, &feedpb.Change{Resource: &feedpb.Change_Entry{Entry: e}})
	return e.GetName()
}

func dives(n int64) func(*historypb.Entry) {
	return func(e *historypb.Entry) {
		e.Detail = &historypb.Entry_Usage{Usage: &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Dives: n}}}}
	}
}

func test(activity string, o historypb.Outcome) func(*historypb.Entry) {
	return func(e *historypb.Entry) {
		e.Detail = &historypb.Entry_Test{Test: &historypb.Test{Activity: activity, Outcome: o}}
	}
}

// housePack has a rule for three kinds. Its figures are common practice, no source.
const housePack = `
title: House policy of the tests
effectiveDate: {year: 2020, month: 1, day: 1}
cautions: [Local code and the maker's manual win.]
rules:
  - {id: regulator, title: Overhaul every 100 dives or 12 months, activity: overhaul, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [regulator-set, first-stage]}, limit: {months: 12, dives: 100}, lead: {days: 30, dives: 10}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: bcd, title: Inspection, activity: inspection, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: 12}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`

func parsePack(t testing.TB, text string) *compliancepb.RulePack {
	t.Helper()
	p := &compliancepb.RulePack{}
	if err := protoyaml.Unmarshal([]byte(text), p); err != nil {
		t.Fatal(err)
	}
	return p
}

func (r *rig) publish(id, text string) *compliancepb.RulePack {
	r.t.Helper()
	resp, err := r.compliance.PublishRulePack(r.t.Context(), &compliancepb.PublishRulePackRequest{Parent: r.org, RulePackId: id, RulePack: parsePack(r.t, text), RequestId: uuid.NewString()})
	if err != nil {
		r.t.Fatal(err)
	}
	r.position.Compliance = resp.GetPosition().GetCompliance()
	return resp.GetRulePack()
}

// standing returns a unit's standing after everything so far.
func (r *rig) standing(unit string) *compliancepb.Standing {
	r.t.Helper()
	resp, err := r.compliance.GetStanding(r.t.Context(), &compliancepb.GetStandingRequest{Unit: unit, AtLeast: r.position})
	if err != nil {
		r.t.Fatal(err)
	}
	return resp.GetStanding()
}

// wantReason fails unless err is of the code and carries exactly one ErrorInfo, of the reason.
func wantReason(t testing.TB, err error, code codes.Code, reason string) map[string]string {
	t.Helper()
	st := status.Convert(err)
	var infos []*errdetails.ErrorInfo
	for _, d := range st.Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			infos = append(infos, i)
		}
	}
	if st.Code() != code || len(infos) != 1 || infos[0].GetReason() != reason {
		t.Fatalf("got %v, %v; want %s and %s", err, infos, code, reason)
	}
	return infos[0].GetMetadata()
}

func reasons(all []*compliancepb.StandingReason) (out []string) {
	for _, r := range all {
		out = append(out, fmt.Sprint(r.GetCode()))
	}
	return out
}
