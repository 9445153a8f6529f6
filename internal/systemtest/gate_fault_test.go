package systemtest

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/rounds"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// gear is a unit that the test plays with. Its events are told in an order of their own, some weeks ago, so that no clock that is wrong by minutes can
// turn a failure and the pass after it round.
type gear struct {
	name, kind string

	mu     sync.Mutex
	cursor time.Time
	open   []pull // that may still hold it
	host   *gear  // parts: where it is, as far as is known
}

type pull struct {
	hold     string // activity that lifts it, or the name of a hold that was placed
	occurred time.Time
}

// next moves the unit's own time on.
func (g *gear) next(rng *rand.Rand) time.Time {
	step := time.Duration(1+rng.IntN(20)) * time.Second
	if time.Since(g.cursor) < 24*time.Hour { // it was told of something that happened just now
		step /= 1000
	}
	g.cursor = g.cursor.Add(step)
	return g.cursor
}

// out is an allocation that somebody holds in hand.
type out struct {
	name, unit string
	handed     bool // as far as is known
	doubts     int  // how often that was wrong
}

// play is the test while it runs.
type play struct {
	*gateWorld
	wanted       int
	budget       atomic.Int64
	clock        atomic.Int64 // numbers what happens
	stops, skews int
	chains       []*chain
	mu           sync.Mutex
	calls        []*call
	cuts         []cut
	answers      map[string]int
}

// chain is one org that plays. There are several, because what is written in an org is written one after the other.
type chain struct {
	*play
	id     string
	f      *fleet
	sets   []*gear // handed out
	parts  []*gear // fitted to them, or spare
	byName map[string]*gear
	slots  time.Time

	own      sync.Mutex
	live     []*out
	returned map[string][]string // allocation -> its entries, as answered
	dives    map[string]int64    // allocation -> dives of a return that was answered OK
}

// hand is one caller.
type hand struct {
	*chain
	rng          *rand.Rand
	registry     registrypb.RegistryServiceClient
	history      historypb.HistoryServiceClient
	compliance   [2]compliancepb.ComplianceServiceClient
	availability [2]compliancepb.AvailabilityServiceClient
}

func (p *play) tick() int64 { return p.clock.Add(1) }

// record keeps a call.
func (p *play) record(c *call) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.calls = append(p.calls, c)
}

func (p *play) count(what string, err error) {
	if err != nil {
		what += " " + status.Code(err).String()
		if r := reasonOf(err); !strings.HasPrefix(r, "an error") {
			what += " " + r
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.answers[what]++
}

// try makes a call until it is known what became of it, or for a few times. One that may have had its effect and was refused afterwards may have it yet.
func (h *hand) try(c *call, what string, limit time.Duration, do func(ctx context.Context, replica int) error) fate {
	c.begin = h.tick()
	replica, doubt := h.rng.IntN(2), false
	c.replica = replica
	for attempt := 0; ; attempt++ {
		h.budget.Add(-1)
		ctx, cancel := context.WithTimeout(h.t.Context(), limit)
		err := do(ctx, replica)
		cancel()
		c.end = h.tick()
		h.count(what, err)
		switch {
		case err == nil:
			c.fate = done
		case definite(err) && !doubt:
			c.fate = refused
		default:
			c.fate, doubt = unknown, doubt || !definite(err)
		}
		c.shut = err != nil && reasonOf(err) == "GATE_SHUT"
		if c.fate != unknown || attempt == 3 || h.rng.IntN(4) == 0 {
			return c.fate
		}
		if other := h.rng.IntN(2); other != replica {
			replica, c.replica = other, -1
		}
	}
}

const usual = 3 * time.Second

// slot returns a window: three days each, one after the other.
func (c *chain) slot(n int) (from, to time.Time) {
	return c.slots.AddDate(0, 0, 3*n), c.slots.AddDate(0, 0, 3*n+3)
}

func (h *hand) allocate() {
	n := []int{0, 0, 0, 0, 0, 0, 1, 1, 2}[h.rng.IntN(9)]
	from, to := h.slot(n)
	req := &compliancepb.AllocateUnitsRequest{
		Parent: h.f.org, Shop: h.f.org + "/shops/north", StartTime: timestamppb.New(from), EndTime: timestamppb.New(to), ExpectedDives: int64(h.rng.IntN(3)), Confirm: true, RequestId: uuid.NewString(),
	}
	var pinned *gear
	item := &compliancepb.Outfit_Item{Kind: []string{"regulator-set", "bcd"}[h.rng.IntN(2)], Count: int32(1 + h.rng.IntN(2))}
	if h.rng.IntN(3) > 0 {
		pinned = h.sets[h.rng.IntN(len(h.sets))]
		item = &compliancepb.Outfit_Item{Kind: pinned.kind, Unit: pinned.name}
	}
	req.Outfits = []*compliancepb.Outfit{{Items: []*compliancepb.Outfit_Item{item}}}
	c := &call{deed: allocating, from: from, to: to}
	var got []*compliancepb.Allocation
	h.try(c, "allocate", usual, func(ctx context.Context, replica int) error {
		r, err := h.availability[replica].AllocateUnits(ctx, req)
		got = r.GetAllocations()
		return err
	})
	if c.fate != done {
		return
	}
	h.own.Lock()
	defer h.own.Unlock()
	for _, a := range got {
		h.live = append(h.live, &out{name: a.GetName(), unit: a.GetUnit()})
	}
	if pinned != nil {
		c.unit, c.allocation = pinned.name, got[0].GetName()
		h.record(c)
	}
}

// pick takes an allocation away from the others.
func (h *hand) pick(handed bool) *out {
	h.own.Lock()
	defer h.own.Unlock()
	for range 8 {
		if len(h.live) == 0 {
			return nil
		}
		i := h.rng.IntN(len(h.live))
		if h.live[i].handed == handed {
			o := h.live[i]
			h.live = slices.Delete(h.live, i, i+1)
			return o
		}
	}
	return nil
}

func (h *hand) putBack(o *out) {
	h.own.Lock()
	defer h.own.Unlock()
	h.live = append(h.live, o)
}

func (h *hand) handOut() {
	if o := h.pick(false); o != nil {
		h.handOutOf(o)
	}
}

// rush hands out what was just pulled, or what it is fitted to, as long as there is an allocation of it: nobody knows of it yet but who recorded it.
func (h *hand) rush(units ...string) {
	h.own.Lock()
	var o *out
	for i, l := range h.live {
		if !l.handed && slices.Contains(units, l.unit) {
			o = l
			h.live = slices.Delete(h.live, i, i+1)
			break
		}
	}
	h.own.Unlock()
	if o != nil {
		h.handOutOf(o)
	}
}

func (h *hand) handOutOf(o *out) {
	c := &call{deed: handing, unit: o.unit, allocation: o.name}
	req := &compliancepb.HandOutUnitsRequest{Parent: h.f.org, Allocations: &compliancepb.AllocationSet{Names: []string{o.name}}, RequestId: uuid.NewString()}
	limit := time.Duration(600+h.rng.IntN(1900)) * time.Millisecond
	var last error
	h.try(c, "hand out", limit, func(ctx context.Context, replica int) error {
		var r *compliancepb.HandOutUnitsResponse
		if r, last = h.availability[replica].HandOutUnits(ctx, req); last == nil {
			c.unit = r.GetAllocations()[0].GetUnit() // another may have taken its place
		}
		return last
	})
	h.record(c)
	h.settle(o, c.fate == done || c.fate == unknown, c.fate != refused || reasonOf(last) != "ALLOCATION_STATE")
}

// settle puts an allocation back that is out, or is not, as far as is known; sure is false where it was thought to be otherwise.
func (h *hand) settle(o *out, handed, sure bool) {
	if !sure {
		if o.doubts++; o.doubts > 5 { // it has ended, by a call of which nobody heard
			return
		}
		handed = !o.handed
	}
	o.handed = handed
	h.putBack(o)
}

func (h *hand) takeBack() {
	o := h.pick(true)
	if o == nil {
		return
	}
	back := &compliancepb.ReturnUnitsRequest_Return{Allocation: o.name, Dives: int64(h.rng.IntN(2))}
	c := &call{deed: ending, unit: o.unit, allocation: o.name}
	var damage *call
	if h.rng.IntN(60) == 0 {
		back.MissingParts = []string{"mouthpiece"}
		damage = &call{deed: pulling, hold: "inspection"}
	}
	req := &compliancepb.ReturnUnitsRequest{Parent: h.f.org, Returns: []*compliancepb.ReturnUnitsRequest_Return{back}, RequestId: uuid.NewString()}
	var last error
	h.try(c, "return", usual, func(ctx context.Context, replica int) error {
		var r *compliancepb.ReturnUnitsResponse
		if r, last = h.availability[replica].ReturnUnits(ctx, req); last == nil {
			a := r.GetAllocations()[0]
			h.own.Lock()
			h.returned[o.name], h.dives[o.name] = a.GetEntries(), back.GetDives()
			h.own.Unlock()
			if damage != nil {
				damage.unit, damage.occurred = a.GetUnit(), a.GetFinishTime().AsTime()
			}
		}
		return last
	})
	h.record(c)
	if damage != nil && c.fate == done {
		damage.begin, damage.end, damage.fate = c.begin, c.end, done
		h.record(damage)
		if g := h.byName[damage.unit]; g != nil {
			g.mu.Lock()
			g.open = append(g.open, pull{damage.hold, damage.occurred})
			if damage.occurred.After(g.cursor) {
				g.cursor = damage.occurred // its own time goes on from there
			}
			g.mu.Unlock()
		}
	}
	if c.fate != done {
		h.settle(o, true, c.fate != refused || reasonOf(last) != "ALLOCATION_STATE")
	}
}

func (h *hand) release() {
	o := h.pick(false)
	if o == nil {
		return
	}
	c := &call{deed: ending, allocation: o.name}
	req := &compliancepb.ReleaseAllocationsRequest{Parent: h.f.org, Allocations: &compliancepb.AllocationSet{Names: []string{o.name}}, RequestId: uuid.NewString()}
	h.try(c, "release", usual, func(ctx context.Context, replica int) error {
		_, err := h.availability[replica].ReleaseAllocations(ctx, req)
		return err
	})
	h.record(c)
	if c.fate == unknown {
		h.putBack(o)
	}
}

func (h *hand) any() *gear {
	if h.rng.IntN(2) == 0 {
		return h.parts[h.rng.IntN(len(h.parts))]
	}
	return h.sets[h.rng.IntN(len(h.sets))]
}

// fail records a failed test or a damage, or places a hold; as a rule somebody hands the unit out at once.
func (h *hand) fail() {
	g := h.any()
	g.mu.Lock()
	units := []string{g.name}
	if g.host != nil {
		units = append(units, g.host.name)
	}
	h.pull(g)
	g.mu.Unlock()
	if h.rng.IntN(4) > 0 {
		h.rush(units...)
	}
}

func (h *hand) pull(g *gear) {
	if len(g.open) > 1 {
		return
	}
	if h.rng.IntN(4) == 0 {
		id := uuid.NewString()
		c := &call{deed: pulling, unit: g.name, hold: id}
		req := &compliancepb.PlaceHoldRequest{Parent: g.name, HoldId: id, Hold: &compliancepb.Hold{Reason: "A look.", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}, RequestId: uuid.NewString()}
		h.try(c, "place hold", usual, func(ctx context.Context, replica int) error {
			_, err := h.compliance[replica].PlaceHold(ctx, req)
			return err
		})
		h.record(c)
		if c.fate != refused {
			g.open = append(g.open, pull{hold: id})
		}
		return
	}
	c := &call{deed: pulling, unit: g.name, hold: "leak-test", occurred: g.next(h.rng)}
	e := tested(g.name, c.occurred, c.hold, historypb.Outcome_OUTCOME_FAIL)
	if h.rng.IntN(3) == 0 {
		c.hold = "inspection"
		e.Detail = &historypb.Entry_Condition{Condition: &historypb.Condition{Condition: "free-flow", Severity: historypb.Condition_SEVERITY_PULL, ClearedBy: []string{c.hold}}}
	}
	h.try(c, "fail", usual, h.appends(e))
	h.record(c)
	if c.fate != refused {
		g.open = append(g.open, pull{c.hold, c.occurred})
	}
}

func (h *hand) appends(e *historypb.Entry) func(context.Context, int) error {
	return func(ctx context.Context, _ int) error {
		_, err := h.history.AppendEntries(ctx, &historypb.AppendEntriesRequest{Parent: h.f.org, Entries: []*historypb.Entry{e}})
		return err
	}
}

// pass lifts one of the things that may hold a unit.
func (h *hand) pass() {
	for range 20 {
		g := h.any()
		if !g.mu.TryLock() {
			continue
		}
		if len(g.open) == 0 {
			g.mu.Unlock()
			continue
		}
		defer g.mu.Unlock()
		i := h.rng.IntN(len(g.open))
		p := g.open[i]
		c := &call{deed: lifting, unit: g.name, hold: p.hold, occurred: g.next(h.rng)}
		if p.occurred.IsZero() {
			name := g.name + "/holds/" + p.hold
			req := &compliancepb.LiftHoldRequest{Name: name, Reason: "fine", RequestId: uuid.NewString()}
			h.try(c, "lift hold", usual, func(ctx context.Context, replica int) error {
				_, err := h.compliance[replica].LiftHold(ctx, req)
				return err
			})
		} else {
			h.try(c, "pass", usual, h.appends(tested(g.name, c.occurred, p.hold, historypb.Outcome_OUTCOME_PASS)))
		}
		h.record(c)
		if c.fate == done || c.fate == refused && p.occurred.IsZero() { // a hold that was never placed
			g.open = slices.DeleteFunc(g.open, func(q pull) bool { return q.hold == p.hold && q.occurred.Before(c.occurred) })
		}
		return
	}
}

// swap takes a part off, or fits one.
func (h *hand) swap() {
	g := h.parts[h.rng.IntN(len(h.parts))]
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.host != nil {
		c := &call{deed: unfitting, unit: g.name}
		req := unfit(g.name, g.next(h.rng))
		req.RequestId = uuid.NewString()
		h.try(c, "unfit", usual, func(ctx context.Context, _ int) error {
			_, err := h.registry.UnfitUnit(ctx, req)
			return err
		})
		h.record(c)
		if c.fate != unknown { // one that was refused was taken off by a call of which nobody heard
			g.host = nil
		}
		return
	}
	host := h.sets[h.rng.IntN(len(h.sets)/2)] // the regulator sets
	c := &call{deed: fitting, unit: g.name, host: host.name}
	req := &registrypb.FitUnitRequest{Parent: g.name, RequestId: uuid.NewString(), Fitting: &registrypb.Fitting{Host: host.name, FitTime: timestamppb.New(g.next(h.rng))}}
	h.try(c, "fit", usual, func(ctx context.Context, _ int) error {
		_, err := h.registry.FitUnit(ctx, req)
		return err
	})
	h.record(c)
	g.host = host // one that was refused is fitted, there or elsewhere
}

// more says whether to go on: until there were enough calls, and on a busy machine, on which more of them fail, until enough of those that matter most
// succeeded, or there were twice as many.
func (p *play) more() bool {
	left := p.budget.Load()
	if left > 0 || p.t.Context().Err() != nil {
		return p.t.Context().Err() == nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return int(-left) < p.wanted && (p.answers["hand out"] < p.wanted/handed || p.answers["return"] < p.wanted/returned)
}

// Of how many calls one at least is a hand-out, and a return, that succeeds.
const handed, returned = 80, 100

func (h *hand) run() {
	for h.more() {
		switch n := h.rng.IntN(100); {
		case n < 22:
			h.allocate()
		case n < 54:
			h.handOut()
		case n < 72:
			h.takeBack()
		case n < 75:
			h.release()
		case n < 85:
			h.fail()
		case n < 95: // fewer than needed: some of the fleet is always pulled
			h.pass()
		default:
			h.swap()
		}
	}
}

// disturb changes the world until ctx ends: it cuts services off, stops them and starts them anew, and sets their clocks wrong.
func (p *play) disturb(ctx context.Context) {
	unreachable := func(replicas []int, begin, end func()) {
		begin()
		from := p.tick()
		wait(ctx, time.Duration(150+p.rng.IntN(900))*time.Millisecond)
		to := p.tick()
		p.mu.Lock()
		for _, r := range replicas {
			p.cuts = append(p.cuts, cut{from, to, r})
		}
		p.mu.Unlock()
		end()
	}
	day := false
	for ctx.Err() == nil {
		wait(ctx, time.Duration(400+p.rng.IntN(1200))*time.Millisecond)
		switch p.rng.IntN(6) {
		case 0, 1: // a feed is cut off, with or without an answer
			r, source, how := p.rng.IntN(2), p.rng.IntN(2), int32(1+p.rng.IntN(2))
			unreachable([]int{r}, func() { p.faults.cutOff[r][source].Store(how) }, func() { p.faults.cutOff[r][source].Store(0) })
		case 2: // registry or history dies
			n := []*node{p.registry, p.history}[p.rng.IntN(2)]
			p.stops++
			unreachable([]int{0, 1}, func() { n.stop(p.t, time.Duration(p.rng.IntN(60))*time.Millisecond) }, func() { n.start(p.t) })
		case 3: // a compliance dies
			n := p.compliance[p.rng.IntN(2)]
			p.stops++
			n.stop(p.t, time.Duration(p.rng.IntN(60))*time.Millisecond)
			wait(ctx, time.Duration(p.rng.IntN(200))*time.Millisecond)
			n.start(p.t)
		default: // clocks are wrong by up to ten minutes; once, one is wrong by a day
			p.skews++
			for _, c := range p.clocks {
				c.set(time.Duration(p.rng.IntN(1201)-600) * time.Second)
			}
			if !day && p.skews > 3 {
				day = true
				c := p.clocks[p.rng.IntN(len(p.clocks))]
				c.set(time.Duration(48*p.rng.IntN(2)-24) * time.Hour)
				wait(ctx, 1500*time.Millisecond)
				c.set(0)
			}
		}
	}
	for _, c := range p.clocks {
		c.set(0)
	}
}

// TestNothingPulledIsHandedOut is invariant 3 under fire: counters allocate, hand out and take back, benches record failures and passes, parts are swapped
// and holds placed, all at random and at once, over two compliances on one database, while calls are delayed, lost, repeated and overtaken, feeds are cut
// off or told short, services die and come back, and clocks are wrong. A recorder writes down every call with when it began and when it was answered; a
// checker that knows nothing of the service looks for what must not have happened in whatever order they took effect.
//
// GATE_SEED plays the same again, as far as the machine does; GATE_CALLS plays longer.
func TestNothingPulledIsHandedOut(t *testing.T) {
	t.Parallel()
	seed, calls := rounds.Seed(t), 10_200
	if testing.Short() {
		calls = 1_000
	}
	if s, err := strconv.ParseUint(os.Getenv("GATE_SEED"), 10, 64); err == nil {
		seed = s
	}
	if n, err := strconv.Atoi(os.Getenv("GATE_CALLS")); err == nil {
		calls = n
	}
	t.Logf("GATE_SEED=%d", seed)
	p := &play{gateWorld: newGateWorld(t, seed), answers: map[string]int{}}
	var setting, world, hands sync.WaitGroup
	for _, id := range []string{"atoll", "reef", "shoal", "wreck"} {
		c := &chain{play: p, id: id, returned: map[string][]string{}, dives: map[string]int64{}, byName: map[string]*gear{}, slots: time.Now().Add(-time.Hour).Truncate(time.Microsecond)}
		p.chains = append(p.chains, c)
		setting.Go(c.setUp)
	}
	setting.Wait()
	if t.Failed() {
		return
	}
	p.wanted = calls
	p.budget.Store(int64(calls))
	started := time.Now()
	p.faults.on.Store(true)
	ctx, calm := context.WithCancel(t.Context())
	world.Go(func() { p.disturb(ctx) })
	for i := range 8 * len(p.chains) {
		h := p.chains[i%len(p.chains)].hand(rand.New(rand.NewPCG(seed, uint64(100+i))))
		hands.Go(h.run)
	}
	hands.Wait()
	calm()
	world.Wait()
	p.faults.on.Store(false)
	p.faults.later.Wait()
	took := time.Since(started)
	for _, bad := range checkGate(p.calls, p.cuts) {
		t.Error(bad)
	}
	for _, c := range p.chains {
		c.ledgerHoldsReturns()
	}
	p.report(took, calls)
}

// setUp registers the fleet: sets with two parts each, and jackets.
func (c *chain) setUp() {
	t := c.t
	roles := func(n *node) func(role, org string) *grpc.ClientConn {
		return func(role, org string) *grpc.ClientConn { return c.caller(n, role, org, nil, false) }
	}
	c.f = newFleetAt(t, c.id, roles(c.registry), roles(c.history), roles(c.compliance[0]))
	rng := rand.New(rand.NewPCG(uint64(len(c.id)), 3))
	began := time.Now().AddDate(0, 0, -30).Truncate(time.Microsecond)
	add := func(kind, tag string) *gear {
		g := &gear{name: c.f.unit(kind, tag), kind: kind, cursor: began}
		c.byName[g.name] = g
		return g
	}
	for i := range 10 {
		set := add("regulator-set", fmt.Sprintf("R-%02d", i))
		c.sets = append(c.sets, set)
		for _, kind := range []string{"first-stage", "second-stage"} {
			part := add(kind, fmt.Sprintf("%s-%02d", strings.ToUpper(kind[:1]), i))
			part.host = set
			c.f.fit(part.name, set.name, part.next(rng))
			c.record(&call{deed: fitting, begin: c.tick(), end: c.tick(), fate: done, unit: part.name, host: set.name})
			c.parts = append(c.parts, part)
		}
	}
	for i := range 10 {
		c.sets = append(c.sets, add("bcd", fmt.Sprintf("B-%02d", i)))
	}
	c.f.standing(c.sets[0].name)
}

func (c *chain) hand(rng *rand.Rand) *hand {
	conn := func(n *node, k uint64) *grpc.ClientConn {
		return c.caller(n, auth.RoleChainManager, c.id, rand.New(rand.NewPCG(rng.Uint64(), k)), true)
	}
	h := &hand{chain: c, rng: rng, registry: registrypb.NewRegistryServiceClient(conn(c.registry, 1)), history: historypb.NewHistoryServiceClient(conn(c.history, 2))}
	for i := range h.compliance {
		cc := conn(c.compliance[i], uint64(3+i))
		h.compliance[i], h.availability[i] = compliancepb.NewComplianceServiceClient(cc), compliancepb.NewAvailabilityServiceClient(cc)
	}
	return h
}

// ledgerHoldsReturns sees that each return that was answered is in the ledger once, and that none has two entries of the same thing.
func (c *chain) ledgerHoldsReturns() {
	t := c.t
	found := map[string]int{}
	usage := map[string]int64{} // by reference
	times := map[string]int{}
	for token := ""; ; {
		r, err := c.f.history.ListEntries(t.Context(), &historypb.ListEntriesRequest{Parent: c.f.org + "/units/-", PageSize: 1000, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range r.GetEntries() {
			found[e.GetName()]++
			if ref := e.GetUsage().GetReference(); ref != "" {
				usage[ref] += e.GetUsage().GetIncrement().GetDives()
				times[ref]++
			}
		}
		if token = r.GetNextPageToken(); token == "" {
			break
		}
	}
	for allocation, entries := range c.returned {
		for _, name := range entries {
			if found[name] != 1 {
				t.Errorf("%s, of the return of %s, is in the ledger %d times", name, allocation, found[name])
			}
		}
		ref := strings.TrimPrefix(allocation, c.f.org+"/")
		if usage[ref] != c.dives[allocation] {
			t.Errorf("%s was returned with %d dives, and the ledger has %d", allocation, c.dives[allocation], usage[ref])
		}
	}
	for ref, n := range times {
		if n > 1 {
			t.Errorf("the usage of %s is in the ledger %d times", ref, n)
		}
	}
	if _, err := c.f.history.VerifyLedger(t.Context(), &historypb.VerifyLedgerRequest{Name: c.f.org}); err != nil {
		t.Error(err)
	}
}

// report prints what was played, and fails if it was too little to mean anything.
func (p *play) report(took time.Duration, calls int) {
	t, f := p.t, &p.faults
	var keys []string
	total := 0
	for k, n := range p.answers {
		keys = append(keys, k)
		total += n
	}
	slices.Sort(keys)
	for _, k := range keys {
		t.Logf("%6d %s", p.answers[k], k)
	}
	pulled := 0
	for k, n := range p.answers {
		if strings.HasPrefix(k, "hand out") && strings.HasSuffix(k, "HAND_OUT_REFUSED") {
			pulled += n
		}
	}
	t.Logf("%d calls in %v; %d recorded; %d times cut off, %d services stopped, %d times clocks set", total, took.Round(time.Millisecond), len(p.calls), len(p.cuts), p.stops, p.skews)
	t.Logf("%d delayed, %d lost before and %d after their effect, %d doubled, %d repeated late, %d met a cut, %d pages short, %d of a copy that lags", f.delayed.Load(), f.lostBefore.Load(),
		f.lostAfter.Load(), f.twice.Load(), f.late.Load(), f.cutCalls.Load(), f.short.Load(), f.stale.Load())
	shut, otherwise := 0, 0
	for _, c := range p.calls {
		if c.deed != handing || !slices.ContainsFunc(p.cuts, func(x cut) bool { return c.replica == x.replica && x.begin < c.begin && c.end < x.end }) {
			continue
		}
		if c.shut {
			shut++
		} else {
			otherwise++
		}
	}
	t.Logf("of hand-outs in cuts %d were answered that the gate is shut, %d had no answer", shut, otherwise)
	for what, c := range map[string]struct{ have, want int }{
		"calls":                          {total, calls},
		"hand-outs that succeeded":       {p.answers["hand out"], calls / handed},
		"hand-outs that were refused":    {pulled, calls / 200},
		"returns that succeeded":         {p.answers["return"], calls / returned},
		"failures":                       {p.answers["fail"], calls / 50},
		"passes":                         {p.answers["pass"], calls / 40},
		"fittings":                       {p.answers["fit"] + p.answers["unfit"], calls / 50},
		"holds":                          {p.answers["place hold"] + p.answers["lift hold"], calls / 100},
		"calls delayed":                  {int(f.delayed.Load()), calls / 20},
		"calls lost before their effect": {int(f.lostBefore.Load()), calls / 200},
		"calls lost after their effect":  {int(f.lostAfter.Load()), calls / 100},
		"calls doubled":                  {int(f.twice.Load()), calls / 100},
		"calls repeated late":            {int(f.late.Load()), calls / 200},
		"short pages":                    {int(f.short.Load()), calls / 1000},
		"answers that the gate is shut":  {shut, calls / 1000},
		"cuts":                           {len(p.cuts), calls / 1000},
		"services stopped":               {p.stops, calls / 2000},
		"clocks set":                     {p.skews, calls / 2000},
	} {
		if c.have < c.want {
			t.Errorf("only %d %s, want at least %d: the test says little", c.have, what, c.want)
		}
	}
}
