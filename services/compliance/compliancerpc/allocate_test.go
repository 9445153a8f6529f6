package compliancerpc

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// hours is an instant so many hours after the rig's clock began.
func hours(n int) *timestamppb.Timestamp {
	return timestamppb.New(now.Add(time.Duration(n) * time.Hour))
}

func item(kind, size string, count int32) *compliancepb.Outfit_Item {
	return &compliancepb.Outfit_Item{Kind: kind, Size: size, Count: count}
}

// wish asks for one outfit at the shop north, confirmed.
func (r *rig) wish(from, to int, dives int64, items ...*compliancepb.Outfit_Item) *compliancepb.AllocateUnitsRequest {
	return &compliancepb.AllocateUnitsRequest{
		Parent: r.org, Shop: r.org + "/shops/north", StartTime: hours(from), EndTime: hours(to), ExpectedDives: dives, Confirm: true,
		Outfits: []*compliancepb.Outfit{{Items: items}}, RequestId: uuid.NewString(),
	}
}

func (r *rig) allocate(req *compliancepb.AllocateUnitsRequest) []*compliancepb.Allocation {
	r.t.Helper()
	resp, err := r.availability.AllocateUnits(r.t.Context(), req)
	if err != nil {
		r.t.Fatal(err)
	}
	return resp.GetAllocations()
}

// refused fails unless req is refused as not available, and returns what the violations say.
func (r *rig) refused(req *compliancepb.AllocateUnitsRequest) string {
	r.t.Helper()
	resp, err := r.availability.AllocateUnits(r.t.Context(), req)
	if err == nil {
		r.t.Fatalf("allocated %s", tags(resp.GetAllocations()))
	}
	wantReason(r.t, err, codes.FailedPrecondition, "NOT_AVAILABLE")
	return saidBy(err)
}

// saidBy joins what the violations of an error say.
func saidBy(err error) string {
	var out []string
	for _, d := range status.Convert(err).Details() {
		if p, ok := d.(*errdetails.PreconditionFailure); ok {
			for _, v := range p.GetViolations() {
				out = append(out, v.GetType()+" "+v.GetSubject()+": "+v.GetDescription())
			}
		}
	}
	return strings.Join(out, "\n")
}

// named allocates one unit by name, confirmed.
func (r *rig) named(from, to int, dives int64, kind, unit string) *compliancepb.Allocation {
	r.t.Helper()
	it := item(kind, "", 1)
	it.Unit = unit
	return r.allocate(r.wish(from, to, dives, it))[0]
}

func (r *rig) allocation(name string) *compliancepb.Allocation {
	r.t.Helper()
	resp, err := r.availability.GetAllocation(r.t.Context(), &compliancepb.GetAllocationRequest{Name: name})
	if err != nil {
		r.t.Fatal(err)
	}
	return resp.GetAllocation()
}

func (r *rig) recalls() compliancepb.RecallServiceClient {
	return compliancepb.NewRecallServiceClient(r.conn(auth.RoleChainManager, "reef"))
}

// pull applies what the feeds hold, and reviews the promises.
func (r *rig) pull() {
	r.t.Helper()
	org := tenant.Must("reef")
	if _, err := r.server.applier.Pull(r.t.Context(), org); err != nil {
		r.t.Fatal(err)
	}
	if _, err := r.server.reviewer.Look(r.t.Context(), org); err != nil {
		r.t.Fatal(err)
	}
}

func tags(all []*compliancepb.Allocation) string {
	out := make([]string, len(all))
	for i, a := range all {
		out[i] = a.GetAssetTag()
	}
	return strings.Join(out, " ")
}

func names(all ...*compliancepb.Allocation) *compliancepb.AllocationSet {
	s := &compliancepb.AllocationSet{}
	for _, a := range all {
		s.Names = append(s.Names, a.GetName())
	}
	return s
}

// counter is a rig with three regulator sets, two jackets and what is known of them applied.
func counter(t *testing.T) (r *rig, units map[string]string) {
	t.Helper()
	r = newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "bcd")
	units = map[string]string{}
	for _, tag := range []string{"R-1", "R-2", "R-3"} {
		units[tag] = r.unit("regulator-set", tag, "north")
	}
	for _, tag := range []string{"B-1", "B-2"} {
		units[tag] = r.unit("bcd", tag, "north")
	}
	r.record(units["R-1"], now.AddDate(0, -1, 0), dives(40)) // 60 left
	r.record(units["R-2"], now.AddDate(0, -1, 0), dives(90)) // 10 left
	r.record(units["R-3"], now.AddDate(0, -1, 0), dives(70)) // 30 left
	r.standing(units["R-1"])
	return r, units
}

func TestAllocateTakesTheLeastToWaste(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	// 10, 30 and 60 dives are left: what is asked for takes the one that comes closest.
	for _, c := range []struct {
		dives int64
		want  string
	}{{4, "R-2"}, {20, "R-3"}, {60, "R-1"}} {
		if got := tags(r.allocate(r.wish(24, 48, c.dives, item("regulator-set", "", 1)))); got != c.want {
			t.Errorf("for %d dives: %s, want %s", c.dives, got, c.want)
		}
	}
	// On the days after, what is promised counts: 6 of R-2 are left, 10 of R-3, none of R-1.
	if got := tags(r.allocate(r.wish(48, 72, 6, item("regulator-set", "", 1)))); got != "R-2" {
		t.Errorf("for 6 dives more: %s, want R-2", got)
	}
	if got := tags(r.allocate(r.wish(48, 72, 1, item("regulator-set", "", 1)))); got != "R-3" {
		t.Errorf("for one dive more: %s, want R-3", got)
	}
	text := r.refused(r.wish(48, 72, 10, item("regulator-set", "", 1)))
	for _, want := range []string{"1 regulator set wanted, and 0 can be promised at north for the window; the others: 3 with too little use left, 2 promised already"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q does not say %q", text, want)
		}
	}
}

func TestAllocateAllOrNothing(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	group := r.wish(24, 48, 2, item("regulator-set", "M", 1), item("bcd", "M", 1))
	group.Outfits[0].Count = 3 // three divers, and two jackets
	if text := r.refused(group); !strings.Contains(text, "3 BCDs of size M wanted, and 2 can be promised at north for the window; there are no others") {
		t.Error(text)
	}
	if list := r.list(&compliancepb.ListAllocationsRequest{}); len(list) != 0 {
		t.Fatalf("of a refused request there is %s", tags(list))
	}
	group.Outfits[0].Count = 2
	dry := proto.Clone(group).(*compliancepb.AllocateUnitsRequest)
	dry.ValidateOnly = true
	if got := len(r.allocate(dry)); got != 4 || len(r.list(&compliancepb.ListAllocationsRequest{})) != 0 {
		t.Errorf("asking only gives %d and leaves %s", got, tags(r.list(&compliancepb.ListAllocationsRequest{})))
	}
	first := r.allocate(group)
	if got := tags(first); got != "R-2 B-1 R-3 B-2" {
		t.Errorf("for two divers: %s", got)
	}
	for i, a := range first {
		if a.GetOutfit() != int32(i/2+1) || a.GetGroup() != first[0].GetGroup() || a.GetState() != compliancepb.Allocation_STATE_CONFIRMED || a.GetCreator() != "test:chain-manager" {
			t.Errorf("allocation %d: %v", i, a)
		}
	}
	// The same request once more is the same answer; the id with another request is refused.
	if again := r.allocate(group); tags(again) != tags(first) || again[0].GetName() != first[0].GetName() {
		t.Errorf("the same request again: %s", tags(again))
	}
	group.ExpectedDives = 3
	_, err := r.availability.AllocateUnits(t.Context(), group)
	wantReason(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")

	// A named unit, and one more in the group.
	one := r.wish(24, 48, 2, &compliancepb.Outfit_Item{Kind: "regulator-set", Unit: units["R-3"]})
	if text := r.refused(one); !strings.Contains(text, "ALREADY_PROMISED") || !strings.Contains(text, "R-3") {
		t.Error(text)
	}
	one.RequestId, one.Outfits[0].Items[0].Unit, one.Group = uuid.NewString(), units["R-1"], first[0].GetGroup()
	joined := r.allocate(one)[0]
	if joined.GetAssetTag() != "R-1" || !joined.GetPinned() || joined.GetOutfit() != 3 || joined.GetGroup() != first[0].GetGroup() {
		t.Errorf("joined: %v", joined)
	}
	one.RequestId, one.Group = uuid.NewString(), uuid.NewString()
	_, err = r.availability.AllocateUnits(t.Context(), one)
	wantReason(t, err, codes.NotFound, "NOT_FOUND")

	nowhere := r.wish(24, 48, 2, item("bcd", "", 1))
	nowhere.Shop = r.org + "/shops/nowhere"
	_, err = r.availability.AllocateUnits(t.Context(), nowhere)
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
}

// list returns all allocations of a list, page by page of two.
func (r *rig) list(req *compliancepb.ListAllocationsRequest) (out []*compliancepb.Allocation) {
	r.t.Helper()
	req.Parent, req.PageSize = r.org, 2
	for {
		resp, err := r.availability.ListAllocations(r.t.Context(), req)
		if err != nil {
			r.t.Fatal(err)
		}
		out = append(out, resp.GetAllocations()...)
		if req.PageToken = resp.GetNextPageToken(); req.PageToken == "" {
			return out
		}
	}
}

func TestAllocateRefusesWhatIsMalformed(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	for name, c := range map[string]struct {
		change func(*compliancepb.AllocateUnitsRequest)
		field  string
	}{
		"end before start":   {func(q *compliancepb.AllocateUnitsRequest) { q.EndTime = hours(24) }, "end_time"},
		"in the past":        {func(q *compliancepb.AllocateUnitsRequest) { q.StartTime, q.EndTime = hours(-48), hours(-1) }, "end_time"},
		"longer than a year": {func(q *compliancepb.AllocateUnitsRequest) { q.EndTime = hours(24 * 400) }, "end_time"},
		"held and confirmed": {func(q *compliancepb.AllocateUnitsRequest) { q.HoldFor = durationpb.New(time.Hour) }, "hold_for"},
		"one unit twice": {func(q *compliancepb.AllocateUnitsRequest) {
			q.Outfits[0].Items[0].Unit, q.Outfits[0].Items[0].Count = units["B-1"], 2
		}, "outfits[0].items[0].unit"},
		"a named unit in two outfits": {func(q *compliancepb.AllocateUnitsRequest) {
			q.Outfits[0].Items[0].Unit, q.Outfits[0].Count = units["B-1"], 2
		}, "outfits[0].items[0].unit"},
		"too many":        {func(q *compliancepb.AllocateUnitsRequest) { q.Outfits[0].Count, q.Outfits[0].Items[0].Count = 100, 11 }, "outfits"},
		"a group no UUID": {func(q *compliancepb.AllocateUnitsRequest) { q.Group = "divers" }, "group"},
	} {
		req := r.wish(24, 48, 0, item("bcd", "", 1))
		c.change(req)
		_, err := r.availability.AllocateUnits(t.Context(), req)
		if meta := wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD"); meta["field"] != c.field {
			t.Errorf("%s: the error names %q, want %q: %v", name, meta["field"], c.field, err)
		}
	}
}

func TestHeldAllocationsExpire(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	held := r.wish(24, 48, 0, item("bcd", "", 2))
	held.Confirm, held.HoldFor = false, durationpb.New(10*time.Minute)
	first := r.allocate(held)
	if first[0].GetState() != compliancepb.Allocation_STATE_HELD || !first[0].GetExpireTime().AsTime().Equal(now.Add(10*time.Minute)) {
		t.Errorf("held: %v", first[0])
	}
	r.clock.Advance(10*time.Minute - time.Microsecond)
	r.refused(r.wish(24, 48, 0, item("bcd", "", 1)))
	r.clock.Advance(time.Microsecond)
	if a := r.allocation(first[0].GetName()); a.GetState() != compliancepb.Allocation_STATE_EXPIRED || !a.GetFinishTime().AsTime().Equal(now.Add(10*time.Minute)) {
		t.Errorf("after its time: %v", a)
	}
	_, err := r.availability.ConfirmAllocations(t.Context(), &compliancepb.ConfirmAllocationsRequest{Parent: r.org, Allocations: names(first[0])})
	wantReason(t, err, codes.FailedPrecondition, "ALLOCATION_STATE")
	second := r.allocate(r.wish(24, 48, 0, item("bcd", "", 2)))
	if tags(second) != tags(first) {
		t.Errorf("after the expiry: %s", tags(second))
	}
	// The row says so by now, too, and the list of what is live has the new ones alone.
	if got := r.list(&compliancepb.ListAllocationsRequest{States: []compliancepb.Allocation_State{compliancepb.Allocation_STATE_EXPIRED}}); len(got) != 2 {
		t.Errorf("expired: %v", got)
	}
	if got := r.list(&compliancepb.ListAllocationsRequest{}); tags(got) != tags(second) && len(got) != 2 {
		t.Errorf("live: %v", got)
	}
	// Confirmed, and not collected by the end of its window.
	r.clock.Advance(48 * time.Hour)
	r.availability = compliancepb.NewAvailabilityServiceClient(r.connAt(auth.RoleClientApp, "reef", r.clock.Now()))
	if a := r.allocation(second[0].GetName()); a.GetState() != compliancepb.Allocation_STATE_EXPIRED || a.GetFinishReason() != "not collected" {
		t.Errorf("not collected: %v", a)
	}
	for range 2 { // before that is written, and after
		_, err = r.availability.HandOutUnits(t.Context(), &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: names(second[0])})
		if meta := wantReason(t, err, codes.FailedPrecondition, "ALLOCATION_STATE"); meta["state"] != "expired" || !strings.Contains(err.Error(), "is expired, as it was not collected, since 2026-06-03T09:00:00Z, and must be held or confirmed") {
			t.Errorf("handing out what was not collected: %v", err)
		}
		r.pull()
	}
	if a := r.allocation(second[0].GetName()); a.GetState() != compliancepb.Allocation_STATE_EXPIRED || a.GetFinishReason() != "not collected" {
		t.Errorf("not collected, written: %v", a)
	}
	var live int
	if err := r.db.ReadOrg(t.Context(), tenant.Must("reef"), func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select count(*) from allocations where state <= 3`).Scan(&live)
	}); err != nil || live != 0 {
		t.Errorf("%d rows are live, %v: who keeps a copy would not be told", live, err)
	}
}

func TestConfirmReleaseExtendSwap(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	req := r.wish(24, 48, 5, item("regulator-set", "", 1), item("bcd", "", 1))
	req.Confirm = false
	held := r.allocate(req)
	group := &compliancepb.AllocationSet{Group: held[0].GetGroup()}
	confirmed, err := r.availability.ConfirmAllocations(t.Context(), &compliancepb.ConfirmAllocationsRequest{Parent: r.org, Allocations: group})
	if err != nil || len(confirmed.GetAllocations()) != 2 || confirmed.GetAllocations()[0].GetState() != compliancepb.Allocation_STATE_CONFIRMED || confirmed.GetAllocations()[0].GetExpireTime() != nil {
		t.Fatalf("confirmed: %v, %v", confirmed, err)
	}
	reg := held[0] // R-2, with 10 dives left and 5 promised
	if reg.GetAssetTag() != "R-2" {
		reg = held[1]
	}

	// The day after is promised to somebody else: no longer, unless another takes that.
	next := r.allocate(r.wish(48, 72, 5, &compliancepb.Outfit_Item{Kind: "regulator-set", Unit: units["R-2"]}))[0]
	extend := &compliancepb.ExtendAllocationsRequest{Parent: r.org, Allocations: names(reg), EndTime: hours(60)}
	_, err = r.availability.ExtendAllocations(t.Context(), extend)
	wantReason(t, err, codes.FailedPrecondition, "NOT_AVAILABLE")
	if text := saidBy(err); !strings.Contains(text, "ALREADY_PROMISED") {
		t.Error(text)
	}
	six := int64(6)
	_, err = r.availability.ExtendAllocations(t.Context(), &compliancepb.ExtendAllocationsRequest{Parent: r.org, Allocations: names(reg), EndTime: hours(48), ExpectedDives: &six})
	wantReason(t, err, codes.FailedPrecondition, "NOT_AVAILABLE")
	if text := saidBy(err); !strings.Contains(text, "USAGE_LEFT_TOO_LITTLE") || !strings.Contains(text, "10 dives left, 5 dives of that promised already, 6 dives expected.") {
		t.Error(text)
	}
	swapped, err := r.availability.SwapAllocation(t.Context(), &compliancepb.SwapAllocationRequest{Name: next.GetName(), Reason: "the first customer stays a day"})
	if err != nil || swapped.GetAllocation().GetAssetTag() != "R-3" || swapped.GetAllocation().GetSubstitutions()[0].GetAssetTag() != "R-2" || swapped.GetAllocation().GetSubstitutions()[0].GetReason() != "the first customer stays a day" {
		t.Fatalf("swapped: %v, %v", swapped, err)
	}
	if longer, err := r.availability.ExtendAllocations(t.Context(), extend); err != nil || !longer.GetAllocations()[0].GetEndTime().AsTime().Equal(now.Add(60*time.Hour)) {
		t.Fatalf("extended: %v, %v", longer, err)
	}
	// A unit of another kind, the one it has, one that is promised.
	for unit, reason := range map[string]string{"B-2": "NOT_AVAILABLE", "R-2": "NOT_AVAILABLE"} {
		_, err = r.availability.SwapAllocation(t.Context(), &compliancepb.SwapAllocationRequest{Name: next.GetName(), Unit: units[unit]})
		wantReason(t, err, codes.FailedPrecondition, reason)
	}
	_, err = r.availability.SwapAllocation(t.Context(), &compliancepb.SwapAllocationRequest{Name: next.GetName(), Unit: units["R-3"]})
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")

	released, err := r.availability.ReleaseAllocations(t.Context(), &compliancepb.ReleaseAllocationsRequest{Parent: r.org, Allocations: group, Reason: "the weather"})
	if err != nil || len(released.GetAllocations()) != 2 || released.GetAllocations()[0].GetState() != compliancepb.Allocation_STATE_RELEASED || released.GetAllocations()[0].GetFinishReason() != "the weather" {
		t.Fatalf("released: %v, %v", released, err)
	}
	_, err = r.availability.ReleaseAllocations(t.Context(), &compliancepb.ReleaseAllocationsRequest{Parent: r.org, Allocations: group})
	wantReason(t, err, codes.FailedPrecondition, "ALLOCATION_STATE")
	if got := tags(r.allocate(r.wish(24, 48, 5, item("regulator-set", "", 1)))); got != "R-2" {
		t.Errorf("after the release: %s", got)
	}
	for _, set := range []*compliancepb.AllocationSet{{}, {Names: []string{reg.GetName()}, Group: held[0].GetGroup()}} {
		_, err = r.availability.ReleaseAllocations(t.Context(), &compliancepb.ReleaseAllocationsRequest{Parent: r.org, Allocations: set})
		wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
	}
	_, err = r.availability.ReleaseAllocations(t.Context(), &compliancepb.ReleaseAllocationsRequest{Parent: r.org, Allocations: &compliancepb.AllocationSet{Names: []string{r.org + "/allocations/" + uuid.NewString()}}})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
}

func TestListAllocations(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	var all []string
	for day := range 6 {
		a := r.allocate(r.wish(24+24*day, 48+24*day, 0, &compliancepb.Outfit_Item{Kind: "bcd", Unit: units[fmt.Sprintf("B-%d", day%2+1)]}))[0]
		all = append(all, a.GetName())
	}
	ask := func(req *compliancepb.ListAllocationsRequest) (out []string) {
		for _, a := range r.list(req) {
			out = append(out, a.GetName())
		}
		return out
	}
	for what, c := range map[string]struct {
		req  *compliancepb.ListAllocationsRequest
		want []string
	}{
		"all":             {&compliancepb.ListAllocationsRequest{}, all},
		"of a shop":       {&compliancepb.ListAllocationsRequest{Shop: r.org + "/shops/north"}, all},
		"of another":      {&compliancepb.ListAllocationsRequest{Shop: r.org + "/shops/south"}, nil},
		"of a unit":       {&compliancepb.ListAllocationsRequest{Unit: units["B-1"]}, []string{all[0], all[2], all[4]}},
		"of a time":       {&compliancepb.ListAllocationsRequest{FromTime: hours(48), BeforeTime: hours(96)}, all[1:3]}, // half-open: the first ends at 48, the fourth begins at 96
		"in conflict":     {&compliancepb.ListAllocationsRequest{InConflict: true}, nil},
		"released by now": {&compliancepb.ListAllocationsRequest{States: []compliancepb.Allocation_State{compliancepb.Allocation_STATE_RELEASED}}, nil},
	} {
		if got := ask(c.req); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", what, got, c.want)
		}
	}
	_, err := r.availability.ListAllocations(t.Context(), &compliancepb.ListAllocationsRequest{Parent: r.org, FromTime: hours(2), BeforeTime: hours(1)})
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
}

// TestAllocateAnswersAsSearchDoes: a window that began before a hold was lifted began with the hold, for whoever searches and for whoever promises.
func TestAllocateAnswersAsSearchDoes(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	for _, tag := range []string{"B-1", "B-2"} {
		h, err := r.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: units[tag], Hold: &compliancepb.Hold{Reason: "dropped", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}})
		if err != nil {
			t.Fatal(err)
		}
		r.clock.Advance(time.Minute)
		if _, err := r.compliance.LiftHold(t.Context(), &compliancepb.LiftHoldRequest{Name: h.GetHold().GetName(), Reason: "fine"}); err != nil {
			t.Fatal(err)
		}
	}
	for minutes, want := range []int64{0, 1, 2} { // as many are lifted when the window begins
		req := r.wish(0, 6, 0, item("bcd", "", 2))
		req.StartTime, req.ValidateOnly = timestamppb.New(now.Add(time.Duration(minutes)*time.Minute)), true
		found, err := r.availability.SearchAvailability(t.Context(), &compliancepb.SearchAvailabilityRequest{Parent: r.org, Kind: "bcd", StartTime: req.GetStartTime(), EndTime: req.GetEndTime()})
		if err != nil || found.GetAvailableCount() != want {
			t.Errorf("from minute %d: %v, %v", minutes, found, err)
		}
		if want == 2 {
			r.allocate(req)
		} else {
			says(t, r.refused(req), "on hold")
		}
	}
}

// TestMoreThanCanBeCountedIsPromised: 300 windows of the most running time that one may ask for come to more nanoseconds than a number holds. Nothing limits the running time of a jacket.
func TestMoreThanCanBeCountedIsPromised(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	req := r.wish(24, 30, 0, &compliancepb.Outfit_Item{Kind: "bcd", Unit: units["B-1"]})
	req.ExpectedRunningTime = durationpb.New(10000 * time.Hour)
	r.allocate(req)
	if err := r.db.InOrg(t.Context(), tenant.Must("reef"), func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into allocations (org_id, allocation_id, group_id, outfit, kind, size, shop, unit_id, during, dives, hours, fills, state, pinned, reference, created, creator, number)
			select org_id, gen_random_uuid(), group_id, outfit, kind, size, shop, unit_id, tstzrange(lower(during) + n * interval '8 hours', upper(during) + n * interval '8 hours'),
				dives, hours, fills, state, pinned, reference, created, creator, number from allocations, generate_series(1, 299) as n`)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if got := tags(r.allocate(r.wish(1, 2, 0, item("bcd", "", 2)))); got != "B-1 B-2" {
		t.Errorf("promised %s", got)
	}
	r.pull()
	for _, a := range r.list(&compliancepb.ListAllocationsRequest{Unit: units["B-1"], InConflict: true}) {
		if len(a.GetConflicts()) > 0 {
			t.Fatalf("in conflict: %v", a)
		}
	}
}
