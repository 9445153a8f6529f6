package compliancerpc

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// taken hands out allocations that must pass the gate.
func (r *rig) taken(all ...*compliancepb.Allocation) *compliancepb.HandOutUnitsResponse {
	r.t.Helper()
	resp, err := r.availability.HandOutUnits(r.t.Context(), &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: names(all...), RequestId: uuid.NewString()})
	if err != nil {
		r.t.Fatal(err, saidBy(err))
	}
	return resp
}

// stopped fails unless the gate refuses allocations, and returns what it says.
func (r *rig) stopped(all ...*compliancepb.Allocation) string {
	r.t.Helper()
	resp, err := r.availability.HandOutUnits(r.t.Context(), &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: names(all...)})
	if err == nil {
		r.t.Fatalf("handed out %s", tags(resp.GetAllocations()))
	}
	wantReason(r.t, err, codes.FailedPrecondition, "HAND_OUT_REFUSED")
	for _, a := range all {
		if got := r.allocation(a.GetName()); got.GetHandOutTime() != nil || got.GetState() == compliancepb.Allocation_STATE_OUT {
			r.t.Fatalf("refused, and %s is out", got.GetAssetTag())
		}
	}
	return saidBy(err)
}

func says(t testing.TB, text string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("it does not say %q:\n%s", w, text)
		}
	}
}

func pulled(what string) func(*historypb.Entry) {
	return func(e *historypb.Entry) {
		e.Detail = &historypb.Entry_Condition{Condition: &historypb.Condition{Condition: what, Severity: historypb.Condition_SEVERITY_PULL}}
	}
}

func TestHandOut(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	all := r.allocate(r.wish(0, 6, 2, item("regulator-set", "", 1), item("bcd", "", 1)))
	req := &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: &compliancepb.AllocationSet{Group: all[0].GetGroup()}, RequestId: uuid.NewString(), ValidateOnly: true}
	dry, err := r.availability.HandOutUnits(t.Context(), req)
	if err != nil || len(dry.GetAllocations()) != 2 || r.allocation(all[0].GetName()).GetState() != compliancepb.Allocation_STATE_CONFIRMED {
		t.Fatalf("only asked: %v, %v", dry, err)
	}
	req.ValidateOnly = false
	got, err := r.availability.HandOutUnits(t.Context(), req)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range got.GetAllocations() {
		p := a.GetHandOutPosition()
		if a.GetState() != compliancepb.Allocation_STATE_OUT || !a.GetHandOutTime().AsTime().Equal(now) || a.GetHander() != "test:chain-manager" ||
			p.GetRegistry() != r.position.GetRegistry() || p.GetHistory() != r.position.GetHistory() || p.GetCompliance() != got.GetPosition().GetCompliance() {
			t.Errorf("handed out: %v", a)
		}
		if now := r.allocation(a.GetName()); !proto.Equal(now, a) {
			t.Errorf("stored %v\nand answered %v", now, a)
		}
	}
	if c := got.GetCautions(); len(c) != 1 || c[0] != "Local code and the maker's manual win." {
		t.Errorf("cautions %q", c)
	}
	// A repeat is answered as the first was: nobody is asked, and what came since does not matter.
	r.history.fault(func(f *fakeFeed) { f.down = true })
	again, err := r.availability.HandOutUnits(t.Context(), req)
	if err != nil || !proto.Equal(again, got) {
		t.Errorf("the repeat: %v, %v", again, err)
	}
	req.Allocations = names(all[0])
	if _, err := r.availability.HandOutUnits(t.Context(), req); err == nil {
		t.Error("another request with the same id")
	} else {
		wantReason(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
	}
	r.history.fault(func(f *fakeFeed) { f.down = false })
	_, err = r.availability.HandOutUnits(t.Context(), &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: names(all...)})
	wantReason(t, err, codes.FailedPrecondition, "ALLOCATION_STATE")
	_, err = r.availability.HandOutUnits(t.Context(), &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: &compliancepb.AllocationSet{Names: []string{r.org + "/allocations/" + uuid.NewString()}}})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
}

// TestTheGateSeesWhatWasAcknowledged: nobody follows the feeds here, so that all that the gate knows it has looked for itself.
func TestTheGateSeesWhatWasAcknowledged(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	r.catalogue("first-stage")
	part := r.unit("first-stage", "F-1", "north")
	r.fit(part, units["R-1"])
	one := item("regulator-set", "", 1)
	one.Unit = units["R-1"]
	set := r.allocate(r.wish(0, 6, 2, one))[0]
	jacket := r.allocate(r.wish(0, 6, 2, item("bcd", "", 1)))[0]
	if r.allocation(set.GetName()).GetUnit() != units["R-1"] {
		t.Fatal("another unit")
	}
	r.record(part, now.Add(-time.Minute), test("leak-test", historypb.Outcome_OUTCOME_FAIL))
	// One of two is enough to keep both, and it says which, what, and what would clear it.
	says(t, r.stopped(jacket, set), "HOLD_OPEN units/R-1", "R-1: F-1, which is fitted to it: The leak-test of 2026-06-01 failed.", "A pass of leak-test")
	r.record(part, now, test("leak-test", historypb.Outcome_OUTCOME_PASS))
	h, err := r.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: units["R-1"], Hold: &compliancepb.Hold{Reason: "Second look.", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}})
	if err != nil {
		t.Fatal(err)
	}
	says(t, r.stopped(jacket, set), "HOLD_OPEN units/R-1: R-1: Second look.")
	if _, err := r.compliance.LiftHold(t.Context(), &compliancepb.LiftHoldRequest{Name: h.GetHold().GetName(), Reason: "fine"}); err != nil {
		t.Fatal(err)
	}
	r.taken(jacket, set)
}

// TestTheGateKnowsTheFuture: what was recorded as later than now counts all the same, because some clock is ahead.
func TestTheGateKnowsTheFuture(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	a := r.allocate(r.wish(0, 6, 10, item("regulator-set", "", 1)))[0] // R-2 with 10 left
	if a.GetUnit() != units["R-2"] {
		t.Fatal(a)
	}
	late := r.record(units["R-2"], now.Add(8*time.Hour), pulled("free-flow")) // after the window, by a clock that is far ahead
	says(t, r.stopped(a), "HOLD_OPEN units/R-2", "free-flow")
	r.record(units["R-2"], now.Add(9*time.Hour), func(e *historypb.Entry) {
		e.Detail = &historypb.Entry_Amendment{Amendment: &historypb.Amendment{CorrectedEntry: late, Reason: "another unit"}}
	})
	r.record(units["R-2"], now.Add(time.Hour), dives(1))
	says(t, r.stopped(a), "USAGE_LEFT_TOO_LITTLE units/R-2", "9 dives left, 10 dives expected")
}

func TestTheGateIsShut(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	a := r.allocate(r.wish(0, 6, 2, item("bcd", "", 1)))[0]
	for name, c := range map[string]struct {
		feed    *fakeFeed
		set     func(*fakeFeed)
		service string
		says    string
	}{
		"history is down":      {r.history, func(f *fakeFeed) { f.down = true }, "history", "history cannot be reached"},
		"registry is down":     {r.registry, func(f *fakeFeed) { f.down = true }, "registry", "registry cannot be reached"},
		"history hangs":        {r.history, func(f *fakeFeed) { f.hang = true }, "history", "history did not answer in time"},
		"the feed is short":    {r.history, func(f *fakeFeed) { f.short = 1 }, "history", "gives nothing after"},
		"another copy answers": {r.registry, func(f *fakeFeed) { f.behind = 2 }, "registry", "another copy of it that lags"},
	} {
		r.record(a.GetUnit(), now.AddDate(0, 0, -1), dives(0)) // something is new each time
		c.feed.fault(c.set)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		started := time.Now()
		_, err := r.availability.HandOutUnits(ctx, &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: names(a), RequestId: uuid.NewString()})
		took := time.Since(started)
		cancel()
		c.feed.fault(func(f *fakeFeed) { f.down, f.hang, f.short, f.behind = false, false, 0, 0 })
		if err == nil {
			t.Fatalf("%s, and the unit was handed out", name)
		}
		meta := wantReason(t, err, codes.Unavailable, "GATE_SHUT")
		if meta["service"] != c.service || meta["shop"] != r.org+"/shops/north" || meta["paperList"] != r.org+"/shops/north:paperList" || !strings.Contains(status.Convert(err).Message(), c.says) {
			t.Errorf("%s: %v, %v", name, err, meta)
		}
		if took > 950*time.Millisecond {
			t.Errorf("%s: the answer took %v of the second there was", name, took)
		}
	}
	r.taken(a)
}

// TestTheLatestClockCounts: the last day of use is tomorrow, and one of three clocks is two days ahead.
func TestTheLatestClockCounts(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	r.clock.Set(time.Date(2026, 12, 31, 9, 0, 0, 0, time.UTC)) // jackets are due on 1 January 2027
	r.availability = compliancepb.NewAvailabilityServiceClient(r.connAt("chain-manager", "reef", r.clock.Now()))
	hour := func(n int) *timestamppb.Timestamp {
		return timestamppb.New(r.clock.Now().Add(time.Duration(n) * time.Hour))
	}
	req := r.wish(0, 1, 0, item("bcd", "", 1))
	req.StartTime, req.EndTime = hour(0), hour(6)
	a := r.allocate(req)[0]
	for _, f := range []*fakeFeed{r.registry, r.history} {
		f.fault(func(f *fakeFeed) { f.shows = r.clock.Now().AddDate(0, 0, 2) })
		says(t, r.stopped(a), "DATE_LIMIT_PASSED", "the last day of use was 2027-01-01")
		f.fault(func(f *fakeFeed) { f.shows = r.clock.Now().AddDate(0, 0, -2) })
	}
	// On record is the earlier of this service's clock and history's: the ledger takes nothing from its future.
	if got := r.taken(a).GetAllocations()[0]; !got.GetHandOutTime().AsTime().Equal(r.clock.Now().AddDate(0, 0, -2)) {
		t.Errorf("handed out at %v", got.GetHandOutTime().AsTime())
	}
}

func TestTheGateAndOtherPromises(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	named := func(from, to int, dives int64, tag string) *compliancepb.Allocation {
		it := item("regulator-set", "", 1)
		it.Unit = units[tag]
		return r.allocate(r.wish(from, to, dives, it))[0]
	}
	morning, evening := named(1, 4, 2, "R-2"), named(5, 9, 3, "R-2")
	// Early: the window begins with the hand-out. Not when somebody else has the unit until then.
	says(t, r.stopped(evening), "ALREADY_PROMISED units/R-2")
	early := r.taken(morning).GetAllocations()[0]
	if !early.GetStartTime().AsTime().Equal(now) || !early.GetEndTime().AsTime().Equal(morning.GetEndTime().AsTime()) {
		t.Errorf("the window is from %v to %v", early.GetStartTime().AsTime(), early.GetEndTime().AsTime())
	}
	r.clock.Set(now.Add(6 * time.Hour))
	says(t, r.stopped(evening), "OUT units/R-2")
	_, err := r.availability.HandOutUnits(t.Context(), &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: names(named(7, 8, 0, "R-1"), named(9, 10, 0, "R-1"))})
	wantReason(t, err, codes.FailedPrecondition, "HAND_OUT_REFUSED") // one unit cannot be handed out twice at once

	// What others expect of a unit counts too: 30 dives are left of R-3.
	first := named(7, 20, 10, "R-3")
	named(30, 40, 20, "R-3")
	r.record(units["R-3"], now, dives(1))
	says(t, r.stopped(first), "USAGE_LEFT_TOO_LITTLE units/R-3")

	// At another shop.
	u := &registrypb.Unit{
		Name: units["R-1"], AssetTag: "R-1", Model: r.org + "/models/regulator-set", Kind: "regulator-set", Shop: r.org + "/shops/south", State: registrypb.Unit_STATE_ACTIVE,
		Placements: []*registrypb.Placement{{Shop: r.org + "/shops/north", StartTime: timestamppb.New(now.AddDate(0, -5, 0))}, {Shop: r.org + "/shops/south", StartTime: timestamppb.New(now)}},
	}
	moved := named(20, 21, 0, "R-1")
	r.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: u}})
	says(t, r.stopped(moved), "OTHER_SHOP units/R-1", "at south")
}

// TestPartsThatAreAway: a part is with a customer if it went out by itself, or with what it was fitted to then, until that is back; whatever it is fitted to by now.
func TestPartsThatAreAway(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	newLedger(r)
	r.catalogue("first-stage")
	part, other := r.unit("first-stage", "F-1", "north"), r.unit("first-stage", "F-2", "north")
	off := r.fitted(other, units["R-2"], now.AddDate(0, -1, 0))
	r.standing(part)
	alone := r.taken(r.named(0, 6, 0, "first-stage", part)).GetAllocations()[0]
	set := r.taken(r.named(0, 6, 0, "regulator-set", units["R-2"])).GetAllocations()[0]
	blocked := func(want string) {
		t.Helper()
		if got := fmt.Sprint(r.paper().GetBlockedTags()); got != want {
			t.Errorf("on paper %s must not be handed out, want %s", got, want)
		}
	}

	// One is fitted while it is out, as if it were here.
	r.clock.Advance(time.Hour)
	r.fitted(part, units["R-1"], r.clock.Now())
	host := r.named(1, 8, 0, "regulator-set", units["R-1"])
	says(t, r.stopped(host), "OUT units/R-1", "R-1: F-1, which is fitted to it, is out, and due back at 2026-06-01 16:00 by the clock of its shop.", "The return of F-1.")
	blocked("[R-1 R-2]")
	if _, err := r.back(&compliancepb.ReturnUnitsRequest_Return{Allocation: alone.GetName(), Dives: 2}); err != nil {
		t.Fatal(err)
	}
	r.taken(host)

	// The other is taken off a set while that is out, and its dives are not known before the set is back.
	off(r.clock.Now())
	r.standing(other)
	r.clock.Advance(time.Hour)
	off = r.fitted(other, units["R-3"], r.clock.Now())
	host = r.named(3, 8, 0, "regulator-set", units["R-3"])
	says(t, r.stopped(host), "OUT units/R-3", "R-3: F-2, which is fitted to it, went out with R-2, which is due back at 2026-06-01 16:00 by the clock of its shop.", "The return of R-2.")
	blocked("[R-3 R-1 R-2]")
	off(r.clock.Now().Add(time.Minute))
	r.clock.Advance(time.Hour)
	r.standing(other)
	single := r.named(4, 8, 0, "first-stage", other)
	says(t, r.stopped(single), "OUT units/F-2", "F-2: The unit went out with R-2")
	blocked("[F-2 R-1 R-2]")
	r.taken(host)
	if _, err := r.back(&compliancepb.ReturnUnitsRequest_Return{Allocation: set.GetName(), Dives: 2}); err != nil {
		t.Fatal(err)
	}
	r.taken(single)
}

// TestAUnitIsOutOnce hands one unit out for two allocations, and each of these with one request id again and again, from many callers of two servers.
func TestAUnitIsOutOnce(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	other := New(Config{DB: r.data.Open(t, compliancepg.Schema), Clock: r.clock, Pages: page.NewSigner([]byte("test")), Registry: r.registry, History: r.history})
	one := r.allocate(r.wish(1, 4, 0, item("bcd", "", 1)))[0]
	it := item("bcd", "", 1)
	it.Unit = one.GetUnit()
	two := r.allocate(r.wish(4, 9, 0, it))[0]
	r.clock.Set(now.Add(3 * time.Hour))
	ids := []string{uuid.NewString(), uuid.NewString()}
	var mu sync.Mutex
	ok, refused := 0, 0
	var wg sync.WaitGroup
	for i := range 32 {
		wg.Go(func() {
			a, server := []*compliancepb.Allocation{one, two}[i%2], []*Server{r.server, other}[i/2%2]
			_, err := server.HandOutUnits(r.inside(), &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: names(a), RequestId: ids[i%2]})
			mu.Lock()
			defer mu.Unlock()
			switch {
			case a == one && err == nil:
				ok++
			case a == two && errs.Is(err, "HAND_OUT_REFUSED"):
				refused++
			default:
				t.Errorf("%s: %v", a.GetName(), err)
			}
		})
	}
	wg.Wait()
	if ok != 16 || refused != 16 {
		t.Errorf("%d and %d", ok, refused)
	}
	if got := r.list(&compliancepb.ListAllocationsRequest{Parent: r.org, Unit: one.GetUnit(), States: []compliancepb.Allocation_State{compliancepb.Allocation_STATE_OUT}}); len(got) != 1 {
		t.Errorf("out %d times", len(got))
	}
}

// inside is the context of a call as the chain of interceptors hands it on.
func (r *rig) inside() context.Context {
	return tenant.WithCaller(r.t.Context(), tenant.Caller{Org: tenant.Must("reef"), Subject: "test", Role: "chain-manager"})
}
