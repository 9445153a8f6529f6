package compliancerpc

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// ledger takes entries into the rig's feed as history does: the same one once, another of the same id never. Returns against the real history are
// tested in internal/systemtest.
type ledger struct {
	historypb.HistoryServiceClient
	r *rig

	mu     sync.Mutex
	have   map[string]*historypb.Entry
	last   int64
	down   bool // before it takes anything
	lose   bool // its answer, after it has taken everything
	refuse bool // the usage of a retired unit
	calls  int
}

func newLedger(r *rig) *ledger {
	l := &ledger{r: r, have: map[string]*historypb.Entry{}, last: r.position.GetHistory()}
	r.server.peers = &Peers{History: l}
	return l
}

func (l *ledger) fault(set func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	set()
}

func (l *ledger) GetEntry(_ context.Context, req *historypb.GetEntryRequest, _ ...grpc.CallOption) (*historypb.GetEntryResponse, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.down {
		return nil, status.Error(codes.Unavailable, "down")
	}
	if e := l.have[req.GetName()]; e != nil {
		return &historypb.GetEntryResponse{Entry: e}, nil
	}
	return nil, status.Error(codes.NotFound, "no such entry")
}

func (l *ledger) AppendEntries(_ context.Context, req *historypb.AppendEntriesRequest, _ ...grpc.CallOption) (*historypb.AppendEntriesResponse, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.calls++
	var vs []errs.Violation
	for i, e := range req.GetEntries() {
		if have := l.have[e.GetName()]; have != nil && !proto.Equal(have, e) {
			vs = append(vs, errs.Violation{Field: "entries[" + string(rune('0'+i)) + "].name", Description: "in use", Reason: "ENTRY_ID_REUSED"})
		}
		if l.refuse && e.GetUsage() != nil {
			vs = append(vs, errs.Violation{Field: "entries[" + string(rune('0'+i)) + "].occurred_time", Description: "the unit was retired", Reason: "UNIT_RETIRED"})
		}
	}
	switch {
	case l.down:
		return nil, status.Error(codes.Unavailable, "down")
	case len(vs) > 0:
		return nil, rpc.Status(errs.Fields(vs...)).Err()
	}
	for _, e := range req.GetEntries() {
		if l.have[e.GetName()] == nil {
			l.have[e.GetName()] = proto.Clone(e).(*historypb.Entry)
			added := proto.Clone(e).(*historypb.Entry)
			added.RecordedTime = timestamppb.New(l.r.clock.Now())
			l.last = l.r.history.add(l.r.org, &feedpb.Change{Resource: &feedpb.Change_Entry{Entry: added}})
		}
	}
	if l.lose {
		return nil, status.Error(codes.Unavailable, "the connection broke")
	}
	return &historypb.AppendEntriesResponse{Position: &typepb.Position{History: l.last}}, nil
}

func (r *rig) back(all ...*compliancepb.ReturnUnitsRequest_Return) (*compliancepb.ReturnUnitsResponse, error) {
	return r.availability.ReturnUnits(r.t.Context(), &compliancepb.ReturnUnitsRequest{Parent: r.org, Returns: all, RequestId: uuid.NewString()})
}

func TestReturn(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	l := newLedger(r)
	req := r.wish(0, 6, 2, item("regulator-set", "", 3), item("bcd", "", 1))
	req.Reference = "B-77"
	out := r.taken(r.allocate(req)...).GetAllocations()
	r.clock.Set(now.Add(3 * time.Hour))
	back := []*compliancepb.ReturnUnitsRequest_Return{
		{Allocation: out[1].GetName(), Dives: 2, Estimated: true, RunningTime: durationpb.New(90 * time.Minute)},
		{Allocation: out[0].GetName()}, // a jacket: nothing to say
		{Allocation: out[2].GetName(), Dives: 1, Condition: "free-flow", Note: "at 12 m, both dives"},
		{Allocation: out[3].GetName(), Condition: "scratched", NoteOnly: true, MissingParts: []string{"mouthpiece", "hose"}},
	}
	request := &compliancepb.ReturnUnitsRequest{Parent: r.org, Returns: back, RequestId: uuid.NewString()}
	got, err := r.availability.ReturnUnits(t.Context(), request)
	if err != nil {
		t.Fatal(err)
	}
	var notes []string
	for i, a := range got.GetAllocations() {
		if a.GetName() != back[i].GetAllocation() || a.GetState() != compliancepb.Allocation_STATE_RETURNED || !a.GetFinishTime().AsTime().Equal(r.clock.Now()) ||
			!a.GetEndTime().AsTime().Equal(r.clock.Now()) || a.GetFinisher() != "test:chain-manager" || !proto.Equal(a, r.allocation(a.GetName())) {
			t.Errorf("return %d: %v", i, a)
		}
		for _, name := range a.GetEntries() {
			e := l.have[name]
			if !strings.HasPrefix(name, a.GetUnit()+"/entries/") || !e.GetOccurredTime().AsTime().Equal(r.clock.Now()) || e.GetShop() != r.org+"/shops/north" {
				t.Errorf("entry %s: %v", name, e)
			}
			notes = append(notes, a.GetAssetTag()+" "+e.GetNote())
		}
	}
	tag := func(i int) string { return got.GetAllocations()[i].GetAssetTag() }
	want := []string{
		tag(0) + " Returned by test:chain-manager.",
		tag(2) + " at 12 m, both dives. Returned by test:chain-manager.",
		tag(2) + " Returned by test:chain-manager.",
		tag(3) + " Returned by test:chain-manager.",
		tag(3) + " Missing: mouthpiece, hose. Returned by test:chain-manager.",
	}
	if strings.Join(notes, "\n") != strings.Join(want, "\n") {
		t.Errorf("notes\n%s\nwant\n%s", strings.Join(notes, "\n"), strings.Join(want, "\n"))
	}
	if u := l.have[got.GetAllocations()[0].GetEntries()[0]].GetUsage(); u.GetReference() != "B-77" || !u.GetEstimated() || u.GetIncrement().GetDives() != 2 || u.GetIncrement().GetRunningTime().AsDuration() != 90*time.Minute {
		t.Errorf("usage %v", u)
	}
	// Where they stand is after all that.
	for i, may := range []bool{true, true, false, false} {
		if s := got.GetStandings()[i]; s.GetMayHandOut() != may || s.GetUnit() != got.GetAllocations()[i].GetUnit() {
			t.Errorf("standing %d: %v", i, s)
		}
	}
	if got.GetPosition().GetHistory() != l.last {
		t.Errorf("answered at %v, and history is at %d", got.GetPosition(), l.last)
	}
	// A repeat is answered as the first was; one with another id finds it done, and makes no entry.
	entries := len(l.have)
	again, err := r.availability.ReturnUnits(t.Context(), request)
	if err != nil || !proto.Equal(again, got) {
		t.Errorf("the repeat: %v, %v", again, err)
	}
	r.clock.Advance(time.Hour)
	again, err = r.back(back...)
	if err != nil || !proto.Equal(again.GetAllocations()[0], got.GetAllocations()[0]) || len(l.have) != entries {
		t.Errorf("the repeat with another id: %v, %v; %d entries", again, err, len(l.have))
	}
	back[0].Dives = 3
	_, err = r.back(back[0])
	wantReason(t, err, codes.FailedPrecondition, "ALLOCATION_STATE")
	says(t, status.Convert(err).Message(), "says something else", "amendments")
	_ = units
}

// TestReturnOfWhatPartsWereTakenOff: of the parts of a set, one stays, one is taken off while it is out and another put on, one is taken off before it goes out, and one with a part
// of its own is taken off to be fitted elsewhere. The dives count for whatever may have made them.
func TestReturnOfWhatPartsWereTakenOff(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	l := newLedger(r)
	r.catalogue("first-stage")
	r.publish("parts", `
title: Parts of the tests
effectiveDate: {year: 2020, month: 1, day: 1}
cautions: [Local code and the maker's manual win.]
rules:
  - {id: stages, title: Service every 200 dives, activity: service, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [first-stage]}, limit: {dives: 200}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`)
	parts := map[string]string{}
	for _, tag := range []string{"stays", "taken", "put on", "before", "moved", "its part"} {
		parts[tag] = r.unit("first-stage", "F "+tag, "north")
	}
	month := now.AddDate(0, -1, 1) // after the dives of before
	set := units["R-1"]
	r.fitted(parts["stays"], set, month)
	taken, before, moved := r.fitted(parts["taken"], set, month), r.fitted(parts["before"], set, month), r.fitted(parts["moved"], set, month)
	r.fitted(parts["its part"], parts["moved"], month)
	before(now.Add(-time.Hour))
	a := r.taken(r.named(0, 6, 3, "regulator-set", set)).GetAllocations()[0]
	r.clock.Set(now.Add(time.Hour))
	taken(r.clock.Now())
	r.fitted(parts["put on"], set, r.clock.Now())
	moved(r.clock.Now())
	r.fitted(parts["moved"], units["R-3"], r.clock.Now())
	r.clock.Set(now.Add(2 * time.Hour))
	back := &compliancepb.ReturnUnitsRequest_Return{Allocation: a.GetName(), Dives: 3, Note: "all fine"}
	l.fault(func() { l.lose = true })
	_, err := r.back(back)
	wantReason(t, err, codes.Unavailable, "UNAVAILABLE")
	l.fault(func() { l.lose = false })
	got, err := r.back(back)
	if err != nil || len(got.GetAllocations()[0].GetEntries()) != 3 || len(l.have) != 3 {
		t.Fatalf("%v, %v, %d entries", got, err, len(l.have))
	}
	r.position.History = l.last
	for tag, want := range map[string]int64{"stays": 3, "taken": 3, "put on": 3, "before": 0, "moved": 3, "its part": 3} {
		var used int64 = -1
		for _, c := range r.standing(parts[tag]).GetClocks() {
			if c.GetRule() == r.org+"/rulePacks/parts/rules/stages" {
				used = c.GetDivesUsed()
			}
		}
		if used != want {
			t.Errorf("%q was used for %d dives, want %d", tag, used, want)
		}
	}
}

// TestReturnAfterFailures loses calls and answers between the steps. A repeat goes on with the same entries, whenever and by whomever it is made.
func TestReturnAfterFailures(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	l := newLedger(r)
	out := r.taken(r.allocate(r.wish(0, 6, 2, item("regulator-set", "", 2)))...).GetAllocations()
	back := []*compliancepb.ReturnUnitsRequest_Return{{Allocation: out[0].GetName(), Dives: 2}, {Allocation: out[1].GetName(), Dives: 1, Condition: "leak"}}
	unavailable := func(what string) {
		t.Helper()
		_, err := r.back(back...)
		wantReason(t, err, codes.Unavailable, "UNAVAILABLE")
		for _, a := range out {
			if got := r.allocation(a.GetName()); got.GetState() != compliancepb.Allocation_STATE_OUT {
				t.Fatalf("%s, and %s was taken back", what, got.GetAssetTag())
			}
		}
		r.clock.Advance(time.Minute)
	}
	r.clock.Set(now.Add(time.Hour))
	r.history.fault(func(f *fakeFeed) { f.down = true })
	unavailable("the feed is down")
	r.history.fault(func(f *fakeFeed) { f.down = false })
	l.fault(func() { l.down = true })
	unavailable("history is down")
	l.fault(func() { l.down, l.lose = false, true })
	unavailable("the answer was lost")
	l.fault(func() { l.lose = false })
	if len(l.have) != 3 {
		t.Fatalf("%d entries", len(l.have))
	}
	// What was said first holds, and it is said where that is.
	other := proto.Clone(back[1]).(*compliancepb.ReturnUnitsRequest_Return)
	other.Condition = ""
	_, err := r.back(back[0], other)
	meta := wantReason(t, err, codes.FailedPrecondition, "ALLOCATION_STATE")
	if l.have[meta["entry1"]] == nil || l.have[meta["entry2"]] == nil {
		t.Errorf("it names %v", meta)
	}
	// One of them, by somebody else, on another server's clock.
	r.clock.Set(now.Add(-time.Minute))
	manager := compliancepb.NewAvailabilityServiceClient(r.connAt("client-app", "reef", now.Add(-time.Hour)))
	got, err := manager.ReturnUnits(t.Context(), &compliancepb.ReturnUnitsRequest{Parent: r.org, Returns: back[1:]})
	if err != nil {
		t.Fatal(err)
	}
	if a := got.GetAllocations()[0]; a.GetFinisher() != "test:chain-manager" || !a.GetFinishTime().AsTime().Equal(now.Add(time.Hour+time.Minute)) || len(a.GetEntries()) != 2 {
		t.Errorf("returned %v", a)
	}
	r.clock.Set(now.Add(2 * time.Hour))
	if got, err = r.back(back...); err != nil || len(l.have) != 3 || len(got.GetAllocations()[0].GetEntries()) != 1 {
		t.Errorf("%v, %v, %d entries", got, err, len(l.have))
	}
}

// TestReturnsThatHistoryRefuses: what will never be taken was not begun, so that it can be said in another way.
func TestReturnsThatHistoryRefuses(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	l := newLedger(r)
	out := r.taken(r.allocate(r.wish(0, 6, 2, item("bcd", "", 2)))...).GetAllocations()
	l.fault(func() { l.refuse = true })
	_, err := r.back(&compliancepb.ReturnUnitsRequest_Return{Allocation: out[0].GetName(), Condition: "leak"}, &compliancepb.ReturnUnitsRequest_Return{Allocation: out[1].GetName(), Dives: 2})
	wantReason(t, err, codes.InvalidArgument, "UNIT_RETIRED")
	says(t, status.Convert(err).Message(), "nothing was taken back", "returns[1]", "the unit was retired")
	// Also what was begun before, and got no answer then.
	l.fault(func() { l.down = true })
	worn := &compliancepb.ReturnUnitsRequest_Return{Allocation: out[1].GetName(), Dives: 2, Condition: "worn"}
	_, err = r.back(worn)
	wantReason(t, err, codes.Unavailable, "UNAVAILABLE")
	l.fault(func() { l.down = false })
	_, err = r.back(worn)
	wantReason(t, err, codes.InvalidArgument, "UNIT_RETIRED")
	// Without the usage it goes, and without any entry also when history is down.
	if _, err := r.back(&compliancepb.ReturnUnitsRequest_Return{Allocation: out[0].GetName(), Condition: "leak"}); err != nil {
		t.Fatal(err)
	}
	l.fault(func() { l.down = true })
	r.history.fault(func(f *fakeFeed) { f.down = true })
	calls := l.calls
	got, err := r.back(&compliancepb.ReturnUnitsRequest_Return{Allocation: out[1].GetName(), Note: "all fine"})
	if err != nil || l.calls != calls || len(got.GetAllocations()[0].GetEntries()) != 0 {
		t.Errorf("%v, %v, history was asked %d times", got, err, l.calls-calls)
	}
}

func TestReturnRefusesNonsense(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	newLedger(r)
	a := r.taken(r.allocate(r.wish(0, 6, 2, item("bcd", "", 1)))...).GetAllocations()[0].GetName()
	waiting := r.allocate(r.wish(0, 6, 2, item("bcd", "", 1)))[0].GetName()
	for name, c := range map[string]struct {
		give  []*compliancepb.ReturnUnitsRequest_Return
		field string
	}{
		"twice":               {[]*compliancepb.ReturnUnitsRequest_Return{{Allocation: a}, {Allocation: a, Dives: 1}}, "returns[1].allocation"},
		"a note of nothing":   {[]*compliancepb.ReturnUnitsRequest_Return{{Allocation: a, NoteOnly: true}}, "returns[0].note_only"},
		"about no dives":      {[]*compliancepb.ReturnUnitsRequest_Return{{Allocation: a, Estimated: true}}, "returns[0].estimated"},
		"no word":             {[]*compliancepb.ReturnUnitsRequest_Return{{Allocation: a, Condition: "Free flow"}}, "returns[0].condition"},
		"a long note":         {[]*compliancepb.ReturnUnitsRequest_Return{{Allocation: a, Note: strings.Repeat("x", 701)}}, "returns[0].note"},
		"more than 300":       {make([]*compliancepb.ReturnUnitsRequest_Return, 301), "returns"},
		"another org's":       {[]*compliancepb.ReturnUnitsRequest_Return{{Allocation: "orgs/wreck" + strings.TrimPrefix(a, r.org)}}, ""},
		"negative dives":      {[]*compliancepb.ReturnUnitsRequest_Return{{Allocation: a, Dives: -1}}, "returns[0].dives"},
		"not handed out":      {[]*compliancepb.ReturnUnitsRequest_Return{{Allocation: a}, {Allocation: waiting}}, ""},
		"nothing of the kind": {[]*compliancepb.ReturnUnitsRequest_Return{{Allocation: r.org + "/allocations/" + uuid.NewString()}}, ""},
	} {
		for i := range c.give {
			if c.give[i] == nil {
				c.give[i] = &compliancepb.ReturnUnitsRequest_Return{Allocation: a}
			}
		}
		_, err := r.back(c.give...)
		if err == nil || c.field != "" && (status.Code(err) != codes.InvalidArgument || !strings.HasPrefix(status.Convert(err).Message(), c.field+":")) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if got := r.allocation(a); got.GetState() != compliancepb.Allocation_STATE_OUT {
		t.Errorf("it was taken back: %v", got)
	}
	// The longest that there can be fits an entry.
	long := &compliancepb.ReturnUnitsRequest_Return{Allocation: a, Note: strings.Repeat("n", 700)}
	for i := range 20 {
		long.MissingParts = append(long.MissingParts, strings.Repeat("p", 46)+string(rune('a'+i)))
	}
	if _, err := r.back(long); err != nil {
		t.Error(err)
	}
}

// TestManyReturnAtOnce has the same units returned by many callers of two request ids: they come back once.
func TestManyReturnAtOnce(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	l := newLedger(r)
	out := r.taken(r.allocate(r.wish(0, 6, 2, item("regulator-set", "", 2)))...).GetAllocations()
	back := []*compliancepb.ReturnUnitsRequest_Return{{Allocation: out[0].GetName(), Dives: 2}, {Allocation: out[1].GetName(), Dives: 1}}
	ids := []string{uuid.NewString(), uuid.NewString(), ""}
	var wg sync.WaitGroup
	for i := range 24 {
		wg.Go(func() {
			_, err := r.availability.ReturnUnits(t.Context(), &compliancepb.ReturnUnitsRequest{Parent: r.org, Returns: back, RequestId: ids[i%3]})
			if err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if len(l.have) != 2 {
		t.Errorf("%d entries", len(l.have))
	}
}
