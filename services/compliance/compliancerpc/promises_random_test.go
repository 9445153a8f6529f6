package compliancerpc

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// bookings is a rig in which things happen at random, and what was promised there.
type bookings struct {
	*rig
	rng   *rand.Rand
	units map[string]*registrypb.Unit
	order []string // names of the units
	holds []string
	made  map[string]bool // names of all allocations ever made
	did   map[string]int
}

var bookedSizes = []string{"S", "M"}

func newBookings(t *testing.T, seed uint64) *bookings {
	b := &bookings{rig: newRig(t), rng: rand.New(rand.NewPCG(seed, 5)), units: map[string]*registrypb.Unit{}, made: map[string]bool{}, did: map[string]int{}}
	b.publish("house", housePack)
	b.catalogue("regulator-set", "first-stage", "bcd")
	for i := range 14 {
		kind := []string{"regulator-set", "bcd"}[i%2]
		u := &registrypb.Unit{
			Name: b.org + "/units/" + uuid.NewString(), AssetTag: fmt.Sprintf("U-%02d", i), Model: b.org + "/models/" + kind, Kind: kind, Shop: b.org + "/shops/north",
			Size: bookedSizes[b.rng.IntN(2)], State: registrypb.Unit_STATE_ACTIVE, CommissionDate: &date.Date{Year: 2025, Month: 12, Day: 1},
			Placements: []*registrypb.Placement{{Shop: b.org + "/shops/north", StartTime: timestamppb.New(now.AddDate(0, -6, 0))}},
		}
		b.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: u}})
		b.units[u.GetName()] = u
		b.order = append(b.order, u.GetName())
		if kind == "regulator-set" {
			b.record(u.GetName(), now.AddDate(0, -1, 0), dives(int64(40+b.rng.IntN(59))))
			part := b.unit("first-stage", fmt.Sprintf("F-%02d", i), "north")
			b.fit(part, u.GetName())
			if b.rng.IntN(2) == 0 {
				b.order = append(b.order, part) // things happen to parts, too
			}
		}
	}
	b.pull()
	return b
}

// may fails the test unless err is nil or of one of the codes; it says whether it is nil.
func (b *bookings) may(what string, err error, refusals ...codes.Code) bool {
	b.t.Helper()
	if err != nil && !slices.Contains(refusals, status.Code(err)) {
		b.t.Fatalf("%s: %v", what, err)
	}
	b.did[what+" "+status.Code(err).String()]++
	return err == nil
}

func (b *bookings) live() []*compliancepb.Allocation {
	return b.list(&compliancepb.ListAllocationsRequest{})
}

// step lets one thing happen.
func (b *bookings) step() {
	unit := b.order[b.rng.IntN(len(b.order))]
	refused := []codes.Code{codes.FailedPrecondition, codes.InvalidArgument}
	live := b.live()
	if len(live) > 0 && b.rng.IntN(4) == 0 {
		a := live[b.rng.IntN(len(live))]
		switch b.rng.IntN(4) {
		case 0:
			_, err := b.availability.ReleaseAllocations(b.t.Context(), &compliancepb.ReleaseAllocationsRequest{Parent: b.org, Allocations: names(a)})
			b.may("release", err, refused...)
		case 1:
			_, err := b.availability.ExtendAllocations(b.t.Context(), &compliancepb.ExtendAllocationsRequest{Parent: b.org, Allocations: names(a), EndTime: timestamppb.New(a.GetEndTime().AsTime().Add(time.Duration(b.rng.IntN(48)-12) * time.Hour))})
			b.may("extend", err, refused...)
		case 2:
			_, err := b.availability.SwapAllocation(b.t.Context(), &compliancepb.SwapAllocationRequest{Name: a.GetName()})
			b.may("swap", err, refused...)
		case 3:
			_, err := b.availability.HandOutUnits(b.t.Context(), &compliancepb.HandOutUnitsRequest{Parent: b.org, Allocations: names(a)})
			b.may("hand out", err, refused...)
		}
		return
	}
	at := b.clock.Now()
	switch b.rng.IntN(14) {
	case 0, 1, 2, 3, 4:
		b.book()
	case 5:
		resp, err := b.compliance.PlaceHold(b.t.Context(), &compliancepb.PlaceHoldRequest{Parent: unit, Hold: &compliancepb.Hold{Reason: "dropped", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}})
		if b.may("hold", err) {
			b.holds = append(b.holds, resp.GetHold().GetName())
		}
	case 6, 7:
		if len(b.holds) == 0 {
			return
		}
		i := b.rng.IntN(len(b.holds))
		_, err := b.compliance.LiftHold(b.t.Context(), &compliancepb.LiftHoldRequest{Name: b.holds[i], Reason: "fine"})
		b.may("lift", err)
		b.holds = slices.Delete(b.holds, i, i+1)
	case 8:
		b.record(unit, at, dives(int64(1+b.rng.IntN(6))))
	case 9:
		b.record(unit, at, test("overhaul", historypb.Outcome_OUTCOME_FAIL))
	case 10, 11:
		b.record(unit, at, func(e *historypb.Entry) {
			e.Detail = &historypb.Entry_Service{Service: &historypb.Service{Activities: []string{"overhaul", "inspection"}, Outcome: historypb.Outcome_OUTCOME_PASS}}
		})
	case 12:
		u := b.units[unit]
		if u == nil {
			return
		}
		u = proto.CloneOf(u)
		u.Shop = b.org + "/shops/" + []string{"north", "north", "south"}[b.rng.IntN(3)]
		u.Placements = append(u.Placements, &registrypb.Placement{Shop: u.GetShop(), StartTime: timestamppb.New(at)})
		b.units[unit] = u
		b.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: u}})
	case 13:
		b.clock.Advance(time.Duration(1+b.rng.IntN(10)) * time.Hour)
		conn := b.connAt(auth.RoleChainManager, "reef", b.clock.Now())
		b.compliance, b.availability = compliancepb.NewComplianceServiceClient(conn), compliancepb.NewAvailabilityServiceClient(conn)
	}
}

func (b *bookings) book() {
	from := int(b.clock.Now().Sub(now).Hours()) + b.rng.IntN(72)
	it := item([]string{"regulator-set", "bcd"}[b.rng.IntN(2)], []string{"", "S", "M"}[b.rng.IntN(3)], int32(1+b.rng.IntN(2)))
	req := b.wish(from, from+2+b.rng.IntN(60), int64(b.rng.IntN(5)), it)
	if b.rng.IntN(4) == 0 {
		unit := b.units[b.order[b.rng.IntN(len(b.order))]]
		if unit == nil {
			return
		}
		it.Kind, it.Size, it.Count, it.Unit = unit.GetKind(), "", 1, unit.GetName()
	}
	if b.rng.IntN(3) == 0 {
		req.Confirm, req.HoldFor = false, durationpb.New(time.Duration(1+b.rng.IntN(20))*time.Hour)
	}
	resp, err := b.availability.AllocateUnits(b.t.Context(), req)
	if b.may("allocate", err, codes.FailedPrecondition, codes.InvalidArgument) {
		for _, a := range resp.GetAllocations() {
			b.made[a.GetName()] = true
		}
	}
}

// settle applies what the feeds hold and reviews until nothing changes any more.
func (b *bookings) settle() {
	b.t.Helper()
	org := tenant.Must("reef")
	if _, err := b.server.applier.Pull(b.t.Context(), org); err != nil {
		b.t.Fatal(err)
	}
	for range 10 {
		r, err := b.server.reviewer.Look(b.t.Context(), org)
		if err != nil {
			b.t.Fatal(err)
		}
		for _, a := range r.Changed {
			if len(a.Conflicts) > 0 {
				b.did["conflict"]++
			} else {
				b.did["substitute or clear"]++
			}
		}
		if len(r.Changed) == 0 {
			return
		}
	}
	b.t.Fatal("reviews do not come to an end")
}

// check compares every promise with what the histories of the units say, worked out unit by unit and without any of what promises are kept by.
func (b *bookings) check() {
	b.t.Helper()
	at := b.clock.Now()
	live := b.live()
	if err := overlapping(live); err != nil {
		b.t.Fatal(err)
	}
	all := b.list(&compliancepb.ListAllocationsRequest{States: []compliancepb.Allocation_State{1, 2, 3, 4, 5, 6}})
	if len(all) != len(b.made) {
		b.t.Fatalf("%d were made, and there are %d", len(b.made), len(all))
	}
	if _, err := b.server.read(b.t.Context(), tenant.Must("reef"), nil, func(ctx context.Context, r *compliancepg.Reader) error {
		sets, err := b.sets(ctx, r)
		if err != nil {
			return err
		}
		for _, a := range live {
			keeps := b.keeps(sets, live, a, a.GetUnit(), at)
			if keeps == (len(a.GetConflicts()) > 0) {
				b.t.Errorf("at %s: %v\nkept: %v", at, a, keeps)
			}
			if keeps || a.GetPinned() || a.GetState() == compliancepb.Allocation_STATE_OUT {
				continue
			}
			for name, u := range b.units {
				if u.GetKind() != a.GetKind() || a.GetSize() != "" && u.GetSize() != a.GetSize() {
					continue
				}
				if b.keeps(sets, live, a, name, at) {
					b.t.Errorf("at %s: %v\ncould have %s", at, a, u.GetAssetTag())
				}
			}
		}
		return nil
	}); err != nil {
		b.t.Fatal(err)
	}
}

// sets derives every unit, with what is fitted to it, from its history.
func (b *bookings) sets(ctx context.Context, r *compliancepg.Reader) (map[string]*compliance.Set, error) {
	var ids []uuid.UUID
	for name := range b.units {
		ids = append(ids, uuid.MustParse(name[strings.LastIndexByte(name, '/')+1:]))
	}
	all, err := r.Derive(ctx, ids, time.Time{}, time.Time{})
	out := map[string]*compliance.Set{}
	for _, s := range all {
		out[b.org+"/units/"+s.Unit.String()] = s
	}
	return out, err
}

// keeps says whether a promise could be kept with a unit for the rest of its window.
func (b *bookings) keeps(sets map[string]*compliance.Set, live []*compliancepb.Allocation, a *compliancepb.Allocation, unit string, at time.Time) bool {
	from, to := a.GetStartTime().AsTime(), a.GetEndTime().AsTime()
	out := a.GetState() == compliancepb.Allocation_STATE_OUT
	if out || from.Before(at) {
		from = at
	}
	if !to.After(from) {
		to = from.Add(time.Second)
	}
	expected := a.GetExpectedDives()
	for _, o := range live {
		if o.GetUnit() != unit || o.GetName() == a.GetName() {
			continue
		}
		expected += o.GetExpectedDives()
		late := o.GetState() == compliancepb.Allocation_STATE_OUT && !o.GetEndTime().AsTime().After(at)
		if late || o.GetStartTime().AsTime().Before(to) && from.Before(o.GetEndTime().AsTime()) {
			return false
		}
	}
	if !out && b.units[unit].GetShop() != a.GetShop() {
		return false
	}
	return len(sets[unit].Window(from, to, due.Amount{Dives: expected})) == 0
}

// TestPromisesWhateverHappens lets several hundred things happen at random, and after each compares every promise with what the unit's history says: it is in conflict
// if and only if it cannot be kept and nothing could take its unit's place; none overlap; none is lost.
func TestPromisesWhateverHappens(t *testing.T) {
	t.Parallel()
	seeds, steps := 2, 140
	if testing.Short() {
		seeds, steps = 1, 60
	}
	total := map[string]int{}
	for seed := range seeds {
		b := newBookings(t, uint64(seed)+1)
		last := seed == seeds-1 // which goes on until everything has happened
		for i := 0; (i < steps || last && !testing.Short() && i < 6*steps && missing(total, b.did) != "") && !t.Failed(); i++ {
			b.step()
			b.settle()
			b.check()
		}
		if t.Failed() {
			t.Fatalf("seed %d", seed+1)
		}
		for k, n := range b.did {
			total[k] += n
		}
	}
	t.Log(total)
	if k := missing(total); k != "" && !testing.Short() {
		t.Errorf("never %q: too little happened", k)
	}
}

// missing returns something that should happen and has not; empty if everything has.
func missing(counts ...map[string]int) string {
	for _, k := range []string{"allocate OK", "allocate FailedPrecondition", "conflict", "substitute or clear", "hand out OK", "hand out FailedPrecondition", "release OK", "extend OK", "swap OK", "lift OK"} {
		n := 0
		for _, c := range counts {
			n += c[k]
		}
		if n == 0 {
			return k
		}
	}
	return ""
}
