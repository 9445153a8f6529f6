package compliancerpc

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// kept is a client's copy: the last message of each thing, by name.
type kept struct {
	units       map[string]*compliancepb.UnitState
	allocations map[string]*compliancepb.Allocation
	token       string
	complete    *compliancepb.WatchAvailabilityResponse_Complete // nil until the client has everything
	at          compliance.WatchKey                              // the place of complete
}

func newKept() *kept {
	return &kept{units: map[string]*compliancepb.UnitState{}, allocations: map[string]*compliancepb.Allocation{}}
}

func (k *kept) take(m *compliancepb.WatchAvailabilityResponse) {
	switch c := m.GetChange().(type) {
	case *compliancepb.WatchAvailabilityResponse_Unit:
		k.units[c.Unit.GetUnit()] = c.Unit
	case *compliancepb.WatchAvailabilityResponse_Allocation:
		k.allocations[c.Allocation.GetName()] = c.Allocation
	case *compliancepb.WatchAvailabilityResponse_Complete_:
		k.complete = c.Complete
	}
	k.token = m.GetResumeToken()
}

// present is what is there of the copy, without what has left: the fleet, or the shop.
func (k *kept) present(shop string) (units map[string]*compliancepb.UnitState, allocations map[string]*compliancepb.Allocation) {
	units, allocations = map[string]*compliancepb.UnitState{}, map[string]*compliancepb.Allocation{}
	for name, u := range k.units {
		if !u.GetRetired() && (shop == "" || u.GetShop() == shop) {
			units[name] = u
		}
	}
	for name, a := range k.allocations {
		if a.GetState() <= compliancepb.Allocation_STATE_OUT && (shop == "" || a.GetShop() == shop) {
			allocations[name] = a
		}
	}
	return units, allocations
}

// fresh reads a new stream up to where it has everything.
func (r *rig) fresh(shop string) *kept {
	r.t.Helper()
	ctx, cancel := context.WithTimeout(r.t.Context(), 20*time.Second)
	defer cancel()
	stream, err := r.availability.WatchAvailability(ctx, &compliancepb.WatchAvailabilityRequest{Parent: r.org, Shop: shop})
	if err != nil {
		r.t.Fatal(err)
	}
	k := newKept()
	for k.complete == nil {
		m, err := stream.Recv()
		if err != nil {
			r.t.Fatal(err)
		}
		k.take(m)
	}
	return k
}

// watchClient follows one org or shop, now at this server and now at that, and goes away at random messages.
type watchClient struct {
	shop    string
	servers []*rig
	rng     *rand.Rand

	mu      sync.Mutex
	copy    *kept
	resumed int
	arrived chan struct{} // renewed at each complete
}

// follow keeps the copy until ctx ends.
func (c *watchClient) follow(ctx context.Context) error {
	for ctx.Err() == nil {
		r := c.servers[c.rng.IntN(len(c.servers))]
		one, leave := context.WithCancel(ctx)
		c.mu.Lock()
		token := c.copy.token
		c.mu.Unlock()
		stream, err := r.availability.WatchAvailability(one, &compliancepb.WatchAvailabilityRequest{Parent: r.org, Shop: c.shop, ResumeToken: token})
		if err != nil {
			leave()
			return err
		}
		stay := 1 + c.rng.IntN(40)
		if c.rng.IntN(3) == 0 {
			stay = 1000
		}
		for range stay {
			m, err := stream.Recv()
			if err != nil {
				if ctx.Err() != nil {
					break
				}
				leave()
				return fmt.Errorf("after %q: %w", token, err)
			}
			var at compliance.WatchKey
			if err := r.server.pages.Decode("WatchAvailability reef "+strings.TrimPrefix(c.shop, r.org+"/shops/"), m.GetResumeToken(), &at); err != nil {
				leave()
				return err
			}
			c.mu.Lock()
			c.copy.take(m)
			if m.GetComplete() != nil {
				c.copy.at = at
				close(c.arrived)
				c.arrived = make(chan struct{})
			}
			c.mu.Unlock()
			if c.rng.IntN(25) == 0 {
				break
			}
		}
		leave()
		c.mu.Lock()
		c.resumed++
		c.mu.Unlock()
	}
	return nil
}

// reach waits until the copy is complete up to a head.
func (c *watchClient) reach(t *testing.T, head compliance.WatchHead) *kept {
	t.Helper()
	limit := time.NewTimer(20 * time.Second)
	defer limit.Stop()
	for {
		c.mu.Lock()
		p := c.copy.complete.GetPosition()
		if p != nil && c.copy.at.Number >= head.Number && p.GetRegistry() >= head.Position.Registry && p.GetHistory() >= head.Position.History && p.GetCompliance() >= head.Position.Compliance {
			defer c.mu.Unlock()
			out := newKept()
			for n, u := range c.copy.units {
				out.units[n] = u
			}
			for n, a := range c.copy.allocations {
				out.allocations[n] = a
			}
			return out
		}
		arrived := c.arrived
		c.mu.Unlock()
		select {
		case <-arrived:
		case <-limit.C:
			t.Fatalf("the client of %q does not come to %+v; it has %v at %+v", c.shop, head, p, c.copy.at)
		}
	}
}

// second is another server on the rig's database.
func (r *rig) second(c Config) *rig {
	r.t.Helper()
	o := *r
	c.DB, c.Clock, c.Pages, c.Registry, c.History = r.data.Open(r.t, compliancepg.Schema), r.clock, page.NewSigner([]byte("test")), r.registry, r.history
	o.server = New(c)
	o.public = rpc.NewServer(rpc.ServerConfig{Verifier: auth.NewVerifier(r.key.Public()), Clock: r.clock, DefaultDeadline: 20 * time.Second, Logger: slog.New(slog.DiscardHandler)})
	o.server.Register(o.public)
	r.t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(r.t.Context()), 5*time.Second)
		defer cancel()
		if err := o.public.Drain(ctx); err != nil {
			r.t.Errorf("drain: %v", err)
		}
	})
	o.availability = compliancepb.NewAvailabilityServiceClient(o.forYears("reef"))
	return &o
}

// forYears returns a connection whose token holds for years.
func (r *rig) forYears(org string, opts ...grpc.DialOption) *grpc.ClientConn {
	r.t.Helper()
	token, err := r.key.Mint(auth.Claims{Subject: "test:manager", Role: auth.RoleChainManager, Org: org, Issued: now, Expires: now.AddDate(20, 0, 0)})
	if err != nil {
		r.t.Fatal(err)
	}
	conn, err := r.public.InProcess(append(opts, grpc.WithPerRPCCredentials(rpc.BearerToken(token)))...)
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

func watchSeed(t testing.TB) *rand.Rand {
	t.Helper()
	return rand.New(rand.NewPCG(rounds.Seed(t), 2))
}

// season is a fleet to which everything happens through the public API and the feeds.
type season struct {
	*rig
	recallClient compliancepb.RecallServiceClient
	rng          *rand.Rand
	org          tenant.Org
	units        []*registrypb.Unit
	fitted       map[string]*registrypb.Fitting // by part
	holds        []string
	recalls      []string
	done         map[string]int
}

func newSeason(t *testing.T, units int) *season {
	s := &season{rig: newRig(t), rng: watchSeed(t), org: tenant.Must("reef"), fitted: map[string]*registrypb.Fitting{}, done: map[string]int{}}
	conn := s.forYears("reef")
	s.compliance, s.availability, s.recallClient = compliancepb.NewComplianceServiceClient(conn), compliancepb.NewAvailabilityServiceClient(conn), compliancepb.NewRecallServiceClient(conn)
	s.server.poll = 5 * time.Millisecond
	s.publish("house", housePack)
	s.catalogue("regulator-set", "first-stage", "bcd")
	for i := range units {
		s.unit([]string{"regulator-set", "first-stage", "bcd"}[i%3], fmt.Sprintf("U-%03d", i), []string{"north", "south"}[s.rng.IntN(2)])
	}
	for _, c := range s.registry.changes[s.rig.org] {
		if u := c.GetUnit(); u != nil {
			s.units = append(s.units, proto.Clone(u).(*registrypb.Unit))
		}
	}
	s.pull()
	return s
}

func (s *season) tell(u *registrypb.Unit) {
	s.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: proto.Clone(u).(*registrypb.Unit)}})
}

func (s *season) alone(unit string) bool {
	for part, f := range s.fitted {
		if part == unit || f.GetHost() == unit {
			return false
		}
	}
	return true
}

// step lets one thing happen.
func (s *season) step() {
	s.t.Helper()
	ctx, u, now := s.t.Context(), s.units[s.rng.IntN(len(s.units))], s.clock.Now()
	active := u.GetState() == registrypb.Unit_STATE_ACTIVE
	what := ""
	expected := func(err error, reasons ...string) {
		s.t.Helper()
		if err == nil {
			s.done[what]++
			return
		}
		for _, r := range reasons {
			if strings.Contains(fmt.Sprint(status.Convert(err).Details()), r) {
				return
			}
		}
		s.t.Fatalf("%s: %v", what, err)
	}
	switch n := s.rng.IntN(20); {
	case n < 3 && active:
		what = "dives"
		s.record(u.GetName(), now, dives(int64(1+s.rng.IntN(40))))
	case n < 5 && active:
		what = "test"
		s.record(u.GetName(), now, test([]string{"overhaul", "inspection"}[s.rng.IntN(2)], []historypb.Outcome{historypb.Outcome_OUTCOME_PASS, historypb.Outcome_OUTCOME_FAIL}[s.rng.IntN(2)]))
	case n < 7 && active && s.alone(u.GetName()):
		if s.rng.IntN(3) == 0 {
			what = "rename"
			u.AssetTag = fmt.Sprintf("N-%06d", s.rng.IntN(1e6))
			s.tell(u)
			break
		}
		what = "move"
		u.Shop = s.rig.org + "/shops/" + []string{"north", "south"}[s.rng.IntN(2)]
		u.Placements = append(u.Placements, &registrypb.Placement{Shop: u.GetShop(), StartTime: timestamppb.New(now)})
		s.tell(u)
	case n < 9:
		for _, i := range s.rng.Perm(len(s.units)) { // some first stage; rather one that is fitted, so that it comes off again now and then
			part := s.units[i]
			if part.GetKind() != "first-stage" || part.GetState() != registrypb.Unit_STATE_ACTIVE {
				continue
			}
			if u = part; s.fitted[u.GetName()] != nil || len(s.fitted) == 0 || s.rng.IntN(3) == 0 {
				break
			}
		}
		if f := s.fitted[u.GetName()]; f != nil {
			what = "unfit"
			f.UnfitTime = timestamppb.New(now)
			delete(s.fitted, u.GetName())
			s.register(&feedpb.Change{Resource: &feedpb.Change_Fitting{Fitting: proto.Clone(f).(*registrypb.Fitting)}})
			break
		}
		if u.GetKind() != "first-stage" || u.GetState() != registrypb.Unit_STATE_ACTIVE {
			return
		}
		for _, i := range s.rng.Perm(len(s.units)) {
			host := s.units[i]
			if host.GetKind() != "regulator-set" || host.GetState() != registrypb.Unit_STATE_ACTIVE || host.GetShop() != u.GetShop() {
				continue
			}
			what = "fit"
			f := &registrypb.Fitting{Name: u.GetName() + "/fittings/" + uuid.NewString(), Host: host.GetName(), FitTime: timestamppb.New(now)}
			s.fitted[u.GetName()] = f
			s.register(&feedpb.Change{Resource: &feedpb.Change_Fitting{Fitting: proto.Clone(f).(*registrypb.Fitting)}})
			break
		}
	case n < 10 && active && s.alone(u.GetName()) && s.rng.IntN(12) == 0:
		what = "retire"
		u.State, u.RetireTime = registrypb.Unit_STATE_RETIRED, timestamppb.New(now)
		s.tell(u)
	case n < 11:
		what = "hold"
		resp, err := s.compliance.PlaceHold(ctx, &compliancepb.PlaceHoldRequest{Parent: u.GetName(), Hold: &compliancepb.Hold{Reason: "odd sound", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}})
		expected(err)
		s.holds = append(s.holds, resp.GetHold().GetName())
		return
	case n < 13 && len(s.holds) > 0:
		what = "lift"
		name := s.holds[len(s.holds)-1]
		s.holds = s.holds[:len(s.holds)-1]
		_, err := s.compliance.LiftHold(ctx, &compliancepb.LiftHoldRequest{Name: name, Reason: "it was the hose"})
		expected(err)
		return
	case n < 16:
		what = "allocate"
		from := now.Add(time.Duration(s.rng.IntN(72)) * time.Hour)
		_, err := s.availability.AllocateUnits(ctx, &compliancepb.AllocateUnitsRequest{
			Parent: s.rig.org, Shop: s.rig.org + "/shops/" + []string{"north", "south"}[s.rng.IntN(2)], StartTime: timestamppb.New(from), EndTime: timestamppb.New(from.Add(8 * time.Hour)),
			ExpectedDives: 2, Confirm: s.rng.IntN(2) == 0, RequestId: uuid.NewString(),
			Outfits: []*compliancepb.Outfit{{Count: int32(1 + s.rng.IntN(2)), Items: []*compliancepb.Outfit_Item{item([]string{"regulator-set", "bcd"}[s.rng.IntN(2)], "", 1)}}},
		})
		expected(err, "NOT_AVAILABLE")
		return
	case n < 18:
		live := s.list(&compliancepb.ListAllocationsRequest{States: []compliancepb.Allocation_State{compliancepb.Allocation_STATE_HELD, compliancepb.Allocation_STATE_CONFIRMED}})
		if len(live) == 0 {
			return
		}
		a := live[s.rng.IntN(len(live))]
		if what = "release"; s.rng.IntN(2) == 0 {
			_, err := s.availability.ReleaseAllocations(ctx, &compliancepb.ReleaseAllocationsRequest{Parent: s.rig.org, Allocations: names(a)})
			expected(err, "ALLOCATION_STATE")
			return
		}
		what = "hand out"
		_, err := s.availability.HandOutUnits(ctx, &compliancepb.HandOutUnitsRequest{Parent: s.rig.org, Allocations: names(a), RequestId: uuid.NewString()})
		expected(err, "HAND_OUT_REFUSED", "ALLOCATION_STATE", "GATE_SHUT")
		return
	case n < 19 && s.rng.IntN(3) == 0:
		what = "recall"
		id := "recall-" + strconv.Itoa(len(s.done)+s.rng.IntN(1e9))
		recall := seats()
		recall.Scope = &compliancepb.Scope{Kinds: []string{[]string{"bcd", "first-stage"}[s.rng.IntN(2)]}}
		_, err := s.recallClient.OpenRecall(ctx, &compliancepb.OpenRecallRequest{Parent: s.rig.org, RecallId: id, Recall: recall})
		expected(err)
		s.recalls = append(s.recalls, s.rig.org+"/recalls/"+id)
		return
	case n < 20 && len(s.recalls) > 0:
		what = "withdraw"
		_, err := s.recallClient.WithdrawRecall(ctx, &compliancepb.WithdrawRecallRequest{Name: s.recalls[len(s.recalls)-1], Reason: "another lot"})
		expected(err)
		s.recalls = s.recalls[:len(s.recalls)-1]
		return
	}
	if what == "" {
		what = "time"
		s.clock.Advance([]time.Duration{time.Minute, time.Hour, 24 * time.Hour, 9 * 24 * time.Hour}[s.rng.IntN(4)])
		if err := s.server.notifier.Look(ctx, s.org); err != nil {
			s.t.Fatal(err)
		}
	}
	s.done[what]++
	s.pull()
}

// TestCopiesEndEqual lets everything happen to a fleet while clients of the org and of two shops follow it, go away at random messages and
// come back with their last token, to this server or another. Whenever they say that they have everything, their copies are what a new
// stream gives, and what the other RPCs say.
func TestCopiesEndEqual(t *testing.T) {
	t.Parallel()
	s := newSeason(t, 30)
	other := s.second(Config{Poll: 5 * time.Millisecond, Watch: WatchConfig{Batch: 7}})
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var clients []*watchClient
	var following sync.WaitGroup
	failed := make(chan error, 3)
	for i, shop := range []string{"", s.rig.org + "/shops/north", s.rig.org + "/shops/south"} {
		c := &watchClient{shop: shop, servers: []*rig{s.rig, other}, rng: rand.New(rand.NewPCG(s.rng.Uint64(), uint64(i))), copy: newKept(), arrived: make(chan struct{})}
		clients = append(clients, c)
		following.Go(func() {
			if err := c.follow(ctx); err != nil && ctx.Err() == nil {
				failed <- err
				stop()
			}
		})
	}
	steps, all := 180, 900 // all for everything to happen
	if testing.Short() {
		steps, all = 60, 60
	}
	for i := 0; i < steps || i < all && (s.missing() != "" || i%20 > 0); i++ {
		s.step()
		if i%20 < 19 {
			continue
		}
		head, err := s.server.store.WatchHead(t.Context(), s.org)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range clients {
			select {
			case err := <-failed:
				t.Fatal(err)
			default:
			}
			copy := c.reach(t, head)
			gotUnits, gotAllocations := copy.present(c.shop)
			wantUnits, wantAllocations := s.fresh(c.shop).present(c.shop)
			if d := cmp.Diff(wantUnits, gotUnits, protocmp.Transform()); d != "" {
				t.Fatalf("step %d, %q: units differ from a new stream's:\n%s", i, c.shop, d)
			}
			if d := cmp.Diff(wantAllocations, gotAllocations, protocmp.Transform()); d != "" {
				t.Fatalf("step %d, %q: allocations differ from a new stream's:\n%s", i, c.shop, d)
			}
			s.agrees(c.shop, gotUnits, gotAllocations)
		}
	}
	stop()
	following.Wait()
	resumed := 0
	for _, c := range clients {
		resumed += c.resumed
	}
	t.Logf("%d streams; %v", resumed, s.done)
	if resumed < steps/6 {
		t.Errorf("only %d streams", resumed)
	}
	if what := s.missing(); what != "" && all > steps {
		t.Errorf("%s never happened", what)
	}
}

// TestPromisesOfARenamedUnit: people find a unit by its tag, so that who keeps a copy is told of its promises again when it gets another.
func TestPromisesOfARenamedUnit(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	a := r.named(24, 48, 0, "bcd", units["B-1"])
	kept := r.fresh("")
	resume := func() {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		stream, err := r.availability.WatchAvailability(ctx, &compliancepb.WatchAvailabilityRequest{Parent: r.org, ResumeToken: kept.token})
		if err != nil {
			t.Fatal(err)
		}
		for kept.complete = nil; kept.complete == nil; {
			m, err := stream.Recv()
			if err != nil {
				t.Fatal(err)
			}
			kept.take(m)
		}
	}
	for tag, known := range map[string]func(){
		"B-8": func() { r.standing(units["B-1"]) },
		"B-9": func() {
			if _, err := r.compliance.RebuildProjection(t.Context(), &compliancepb.RebuildProjectionRequest{Parent: r.org}); err != nil {
				t.Fatal(err)
			}
		},
	} {
		r.unitAs(units["B-1"], "bcd", tag, "north", func(*registrypb.Unit) {})
		known()
		resume()
		if got := kept.allocations[a.GetName()]; got.GetAssetTag() != tag || kept.units[units["B-1"]].GetAssetTag() != tag {
			t.Errorf("the copy has %v of %v", got, kept.units[units["B-1"]])
		}
	}
}

// missing returns something that has not happened yet; empty if everything has.
func (s *season) missing() string {
	for _, what := range []string{"dives", "test", "move", "rename", "fit", "unfit", "hold", "allocate", "release", "hand out", "time"} {
		if s.done[what] == 0 {
			return what
		}
	}
	return ""
}

// agrees wants a copy to say what GetStanding and ListAllocations do.
func (s *season) agrees(shop string, units map[string]*compliancepb.UnitState, allocations map[string]*compliancepb.Allocation) {
	s.t.Helper()
	want := map[string]*compliancepb.UnitState{}
	for _, u := range s.units {
		if u.GetState() != registrypb.Unit_STATE_ACTIVE || shop != "" && u.GetShop() != shop {
			continue
		}
		st := s.standing(u.GetName())
		w := &compliancepb.UnitState{
			Unit: u.GetName(), AssetTag: st.GetAssetTag(), Kind: st.GetKind(), Size: st.GetSize(), Shop: st.GetShop(), Host: st.GetHost(), MayHandOut: st.GetMayHandOut(),
		}
		seen := map[string]bool{}
		for _, r := range st.GetReasons() {
			for _, b := range r.GetBlocks() {
				if b == compliancepb.Use_USE_HAND_OUT && !seen[r.GetCode().String()] {
					seen[r.GetCode().String()] = true
					w.Reasons = append(w.Reasons, r.GetCode())
				}
			}
		}
		want[u.GetName()] = w
	}
	said := cmp.Options{protocmp.Transform(), protocmp.IgnoreFields(&compliancepb.UnitState{}, "use_by_date", "dives_left", "running_time_left", "fills_left"),
		protocmp.SortRepeatedFields(&compliancepb.UnitState{}, "reasons")}
	if d := cmp.Diff(want, units, said); d != "" {
		s.t.Fatalf("%q: units are not what GetStanding says:\n%s", shop, d)
	}
	live := map[string]*compliancepb.Allocation{}
	for _, a := range s.list(&compliancepb.ListAllocationsRequest{Shop: shop, States: []compliancepb.Allocation_State{
		compliancepb.Allocation_STATE_HELD, compliancepb.Allocation_STATE_CONFIRMED, compliancepb.Allocation_STATE_OUT}}) {
		live[a.GetName()] = a
	}
	if d := cmp.Diff(live, allocations, protocmp.Transform()); d != "" {
		s.t.Fatalf("%q: allocations are not what ListAllocations says:\n%s", shop, d)
	}
}
