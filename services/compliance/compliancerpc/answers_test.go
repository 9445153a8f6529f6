package compliancerpc

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

func TestGetStanding(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage", "torch")
	host, part, torch := r.unit("regulator-set", "R-1", "north"), r.unit("first-stage", "F-1", "north"), r.unit("torch", "L-1", "north")
	r.fit(part, host)
	r.record(host, now.AddDate(0, -1, 0), dives(95))

	s := r.standing(host)
	if !s.GetMayHandOut() || s.GetAssetTag() != "R-1" || s.GetKind() != "regulator-set" || s.GetSize() != "M" || s.GetShop() != r.org+"/shops/north" ||
		!slices.Equal(s.GetParts(), []string{part}) || s.GetState() != compliancepb.Clock_STATE_DUE_SOON || len(s.GetCautions()) != 1 {
		t.Errorf("standing of the set: %v", s)
	}
	for _, c := range s.GetClocks() {
		if c.GetDivesUsed() != 95 || c.GetDivesLeft() != 5 || len(c.GetExplanation()) == 0 {
			t.Errorf("the set's dives reach its parts: %v", c)
		}
	}
	if got := reasons(r.standing(part).GetReasons()); !slices.Equal(got, []string{"REASON_FITTED_ELSEWHERE"}) {
		t.Errorf("a fitted part: %v", got)
	}
	if got := reasons(r.standing(torch).GetReasons()); !slices.Equal(got, []string{"REASON_NO_RULE"}) {
		t.Errorf("a unit without any rule: %v", got)
	}

	failed := r.record(part, now.AddDate(0, 0, -1), test("overhaul", historypb.Outcome_OUTCOME_FAIL))
	s = r.standing(host)
	if s.GetMayHandOut() || len(s.GetHolds()) != 1 || s.GetHolds()[0].GetEntry() != failed || s.GetReasons()[0].GetUnit() != part {
		t.Errorf("the set of a part that failed: %v", s)
	}

	// The day before, and as it was known before the failure was recorded.
	for _, req := range []*compliancepb.GetStandingRequest{
		{Unit: host, Instant: timestamppb.New(now.AddDate(0, 0, -2))},
		{Unit: host, KnownTime: timestamppb.New(now.Add(-time.Microsecond))},
	} {
		resp, err := r.compliance.GetStanding(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		if !resp.GetStanding().GetMayHandOut() && req.KnownTime == nil {
			t.Errorf("%v: %v", req, resp.GetStanding())
		}
		if req.KnownTime != nil && (len(resp.GetStanding().GetHolds()) > 0 || resp.GetStanding().GetKnownTime() == nil) {
			t.Errorf("%v: %v", req, resp.GetStanding())
		}
		if !proto3Equal(resp.GetPosition(), r.position) {
			t.Errorf("position %v, want %v", resp.GetPosition(), r.position)
		}
	}

	batch, err := r.compliance.BatchGetStandings(t.Context(), &compliancepb.BatchGetStandingsRequest{Parent: r.org, Units: []string{torch, host, part, host}})
	if err != nil {
		t.Fatal(err)
	}
	for i, unit := range []string{torch, host, part, host} {
		if diff := cmp.Diff(r.standing(unit), batch.GetStandings()[i], protocmp.Transform()); diff != "" {
			t.Errorf("unit %d of the batch differs from its own standing:\n%s", i, diff)
		}
	}

	missing := r.org + "/units/" + uuid.NewString()
	_, err = r.compliance.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: missing})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	_, err = r.compliance.BatchGetStandings(t.Context(), &compliancepb.BatchGetStandingsRequest{Parent: r.org, Units: []string{host, missing}})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	_, err = r.compliance.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: host, Instant: &timestamppb.Timestamp{Seconds: -62135596800}})
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
	foreign := compliancepb.NewComplianceServiceClient(r.conn(auth.RoleChainManager, "atoll"))
	_, err = foreign.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: host})
	wantReason(t, err, codes.PermissionDenied, "ORG_MISMATCH")
}

func proto3Equal(a, b *typepb.Position) bool { return cmp.Equal(a, b, protocmp.Transform()) }

// TestAtLeast waits for what a position asks, and refuses rather than answer from something older.
func TestAtLeast(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("bcd")
	unit := r.unit("bcd", "B-1", "north")
	// An org that the registry never told of is refused, not answered with an empty list, which would look like a fleet in order.
	nobody := compliancepb.NewComplianceServiceClient(r.conn(auth.RoleChainManager, "atoll"))
	_, err := nobody.ListDue(t.Context(), &compliancepb.ListDueRequest{Parent: "orgs/atoll"})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	_, err = nobody.SummarizeFleet(t.Context(), &compliancepb.SummarizeFleetRequest{Parent: "orgs/atoll"})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	// Before anything was pulled of an org that is there, the first question pulls it.
	if _, err = r.compliance.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: unit}); err != nil {
		t.Errorf("the first question: %v", err)
	}
	if s := r.standing(unit); !s.GetMayHandOut() {
		t.Fatalf("standing: %v", s)
	}

	ask := func(d time.Duration, p *typepb.Position) error {
		ctx, cancel := context.WithTimeout(t.Context(), d)
		defer cancel()
		_, err := r.compliance.GetStanding(ctx, &compliancepb.GetStandingRequest{Unit: unit, AtLeast: p})
		return err
	}
	ahead := &typepb.Position{History: 1}
	// The refusal comes before the deadline does: the caller hears the reason, not DEADLINE_EXCEEDED.
	meta := wantReason(t, ask(2*time.Second, ahead), codes.Unavailable, "NOT_CAUGHT_UP")
	if meta["wantedHistory"] != "1" || meta["history"] != "0" {
		t.Errorf("metadata %v", meta)
	}
	wantReason(t, ask(5*time.Second, &typepb.Position{Compliance: 99}), codes.Unavailable, "NOT_CAUGHT_UP")
	r.history.fault(func(f *fakeFeed) { f.down = true })
	wantReason(t, ask(5*time.Second, ahead), codes.Unavailable, "NOT_CAUGHT_UP")
	r.history.fault(func(f *fakeFeed) { f.down, f.hang = false, true })
	wantReason(t, ask(2*time.Second, ahead), codes.Unavailable, "NOT_CAUGHT_UP")
	r.history.fault(func(f *fakeFeed) { f.hang = false })

	// What is written while the read waits is seen by it.
	answer := make(chan error, 1)
	go func() { answer <- ask(10*time.Second, ahead) }()
	r.record(unit, now.AddDate(0, 0, -1), test("inspection", historypb.Outcome_OUTCOME_FAIL))
	if err := <-answer; err != nil {
		t.Fatal(err)
	}
	if s := r.standing(unit); s.GetMayHandOut() {
		t.Errorf("a failed unit: %v", s)
	}
	// Every read of compliance takes at_least.
	far := &typepb.Position{History: 1 << 40}
	for name, call := range map[string]func(context.Context) error{
		"BatchGetStandings": func(ctx context.Context) error {
			_, err := r.compliance.BatchGetStandings(ctx, &compliancepb.BatchGetStandingsRequest{Parent: r.org, Units: []string{unit}, AtLeast: far})
			return err
		},
		"ListDue": func(ctx context.Context) error {
			_, err := r.compliance.ListDue(ctx, &compliancepb.ListDueRequest{Parent: r.org, AtLeast: far})
			return err
		},
		"SummarizeFleet": func(ctx context.Context) error {
			_, err := r.compliance.SummarizeFleet(ctx, &compliancepb.SummarizeFleetRequest{Parent: r.org, AtLeast: far})
			return err
		},
		"ListHolds": func(ctx context.Context) error {
			_, err := r.compliance.ListHolds(ctx, &compliancepb.ListHoldsRequest{Parent: r.org + "/units/-", AtLeast: far})
			return err
		},
		"SearchAvailability": func(ctx context.Context) error {
			_, err := r.availability.SearchAvailability(ctx, &compliancepb.SearchAvailabilityRequest{Parent: r.org, StartTime: timestamppb.New(now), EndTime: timestamppb.New(now.Add(time.Hour)), AtLeast: far})
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
			defer cancel()
			wantReason(t, call(ctx), codes.Unavailable, "NOT_CAUGHT_UP")
		})
	}
}

// TestLargePages reads a feed whose pages do not fit one message.
func TestLargePages(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set")
	unit := r.unit("regulator-set", "R-1", "north")
	for range 60 {
		r.record(unit, now.AddDate(0, 0, -1), dives(1))
	}
	r.history.fault(func(f *fakeFeed) { f.tooBig = 25 })
	if got := r.standing(unit).GetClocks()[0].GetDivesUsed(); got != 60 {
		t.Errorf("%d dives of 60", got)
	}
}

func TestSearchAvailability(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage", "bcd")
	a, b, part := r.unit("regulator-set", "R-2", "north"), r.unit("regulator-set", "R-1", "north"), r.unit("first-stage", "F-1", "north")
	south, bcd := r.unit("regulator-set", "R-0", "south"), r.unit("bcd", "B-1", "north")
	r.fit(part, b)
	r.record(a, now.AddDate(0, -1, 0), dives(97))
	ask := func(change func(*compliancepb.SearchAvailabilityRequest)) *compliancepb.SearchAvailabilityResponse {
		t.Helper()
		req := &compliancepb.SearchAvailabilityRequest{
			Parent: r.org, Kind: "regulator-set", Shop: r.org + "/shops/north", StartTime: timestamppb.New(now.AddDate(0, 0, 4)), EndTime: timestamppb.New(now.AddDate(0, 0, 6)),
			ExpectedDives: 3, AtLeast: r.position,
		}
		change(req)
		resp, err := r.availability.SearchAvailability(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	lines := func(resp *compliancepb.SearchAvailabilityResponse) (out []string) {
		for _, u := range resp.GetUnits() {
			l := u.GetAssetTag()
			for _, reason := range u.GetReasons() {
				l += " " + strings.TrimPrefix(reason.GetCode().String(), "REASON_")
			}
			if u.GetAvailable() != (len(u.GetReasons()) == 0) {
				l += " contradicts itself"
			}
			out = append(out, l)
		}
		return out
	}
	same := func(*compliancepb.SearchAvailabilityRequest) {}
	want := func(got *compliancepb.SearchAvailabilityResponse, available int64, want ...string) {
		t.Helper()
		if l := lines(got); !slices.Equal(l, want) || got.GetAvailableCount() != available || got.GetAvailableCount()+got.GetUnavailableCount() < int64(len(want)) {
			t.Errorf("got %v (%d available, %d not), want %v", l, got.GetAvailableCount(), got.GetUnavailableCount(), want)
		}
	}
	want(ask(same), 2, "R-1", "R-2")
	// Three dives are left of R-2's hundred.
	want(ask(func(q *compliancepb.SearchAvailabilityRequest) { q.ExpectedDives = 4 }), 1, "R-1", "R-2 USAGE_LEFT_TOO_LITTLE")
	want(ask(func(q *compliancepb.SearchAvailabilityRequest) { q.Shop = "" }), 3, "R-0", "R-1", "R-2")
	want(ask(func(q *compliancepb.SearchAvailabilityRequest) { q.Size = "XL" }), 0)
	// Fitted parts are shown only where their kind is asked for.
	want(ask(func(q *compliancepb.SearchAvailabilityRequest) { q.Kind = "first-stage" }), 0, "F-1 FITTED_ELSEWHERE")
	want(ask(func(q *compliancepb.SearchAvailabilityRequest) { q.Kind = "" }), 3, "B-1", "R-1", "R-2")
	// The last day of use is 2027-01-01; the return day counts in the shop's zone. 2027-01-01T12:00Z is 2 January in Auckland.
	window := func(q *compliancepb.SearchAvailabilityRequest) {
		q.Shop, q.StartTime, q.EndTime = "", timestamppb.New(time.Date(2026, 12, 30, 9, 0, 0, 0, time.UTC)), timestamppb.New(time.Date(2027, 1, 1, 12, 0, 0, 0, time.UTC))
	}
	want(ask(window), 2, "R-1", "R-2", "R-0 DATE_LIMIT_BEFORE_RETURN")
	// A part's hold stands against its set, and tells of the part.
	r.record(part, now.AddDate(0, 0, -1), test("overhaul", historypb.Outcome_OUTCOME_FAIL))
	got := ask(same)
	want(got, 1, "R-2", "R-1 HOLD_OPEN")
	if reason := got.GetUnits()[1].GetReasons()[0]; reason.GetUnit() != part || reason.GetHold() == "" {
		t.Errorf("the reason does not name the part and its hold: %v", reason)
	}
	// A window that began before the failure is not promised on what has been overtaken.
	want(ask(func(q *compliancepb.SearchAvailabilityRequest) {
		q.StartTime, q.EndTime = timestamppb.New(now.AddDate(0, 0, -3)), timestamppb.New(now.AddDate(0, 0, 1))
	}), 1, "R-2", "R-1 HOLD_OPEN")
	_ = []string{south, bcd}

	// Pages: every unit once, counts of all on each.
	for i := range 7 {
		r.unit("bcd", "P-"+string(rune('a'+i)), "north")
	}
	var walked []string
	token := ""
	for {
		resp := ask(func(q *compliancepb.SearchAvailabilityRequest) {
			q.Kind, q.Shop, q.PageSize, q.PageToken = "", "", 3, token
		})
		if resp.GetAvailableCount() != 10 || resp.GetUnavailableCount() != 1 {
			t.Errorf("counts %d and %d on a page", resp.GetAvailableCount(), resp.GetUnavailableCount())
		}
		walked = append(walked, lines(resp)...)
		if token = resp.GetNextPageToken(); token == "" {
			break
		}
	}
	if want := []string{"B-1", "P-a", "P-b", "P-c", "P-d", "P-e", "P-f", "P-g", "R-0", "R-2", "R-1 HOLD_OPEN"}; !slices.Equal(walked, want) {
		t.Errorf("walked %v, want %v", walked, want)
	}

	for name, c := range map[string]struct {
		change func(*compliancepb.SearchAvailabilityRequest)
		reason string
	}{
		"end before start": {func(q *compliancepb.SearchAvailabilityRequest) { q.EndTime = timestamppb.New(now.AddDate(-1, 0, 0)) }, "INVALID_FIELD"},
		"end at start":     {func(q *compliancepb.SearchAvailabilityRequest) { q.EndTime = q.GetStartTime() }, "INVALID_FIELD"},
		"no start":         {func(q *compliancepb.SearchAvailabilityRequest) { q.StartTime = nil }, "INVALID_FIELD"},
		"absurd start": {func(q *compliancepb.SearchAvailabilityRequest) {
			q.StartTime = &timestamppb.Timestamp{Seconds: -1 << 60}
		}, "INVALID_FIELD"},
		"token of another": {func(q *compliancepb.SearchAvailabilityRequest) { q.PageToken = "bm8" }, "PAGE_TOKEN_INVALID"},
	} {
		req := &compliancepb.SearchAvailabilityRequest{Parent: r.org, StartTime: timestamppb.New(now), EndTime: timestamppb.New(now.Add(time.Hour))}
		c.change(req)
		_, err := r.availability.SearchAvailability(t.Context(), req)
		t.Log(name)
		wantReason(t, err, codes.InvalidArgument, c.reason)
	}
}

func TestListDue(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage")
	host, part := r.unit("regulator-set", "R-1", "north"), r.unit("first-stage", "F-1", "north")
	r.fit(part, host)
	for i := range 5 {
		u := r.unit("regulator-set", "S-"+string(rune('a'+i)), "south")
		r.record(u, now.AddDate(0, 0, -40+i), test("overhaul", historypb.Outcome_OUTCOME_PASS))
		r.record(u, now.AddDate(0, 0, -30), dives(int64(20*i+15)))
	}
	due := func(change func(*compliancepb.ListDueRequest)) *compliancepb.ListDueResponse {
		t.Helper()
		req := &compliancepb.ListDueRequest{Parent: r.org, HorizonDays: 3650, AtLeast: r.position}
		change(req)
		resp, err := r.compliance.ListDue(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	tags := func(resp *compliancepb.ListDueResponse) (out []string) {
		for _, i := range resp.GetItems() {
			out = append(out, i.GetAssetTag())
		}
		return out
	}
	all := due(func(*compliancepb.ListDueRequest) {})
	for _, i := range all.GetItems() {
		if i.GetAssetTag() == "F-1" && (i.GetHost() != host || i.GetHostTag() != "R-1") {
			t.Errorf("the part's item: %v", i)
		}
		if i.GetClock().GetDueDate() == nil || len(i.GetClock().GetExplanation()) > 0 || i.GetShop() == "" || i.GetKind() == "" {
			t.Errorf("item: %v", i)
		}
	}
	south := due(func(q *compliancepb.ListDueRequest) { q.Shop = r.org + "/shops/south" })
	if got := tags(south); !slices.Equal(got, []string{"S-a", "S-b", "S-c", "S-d", "S-e"}) {
		t.Errorf("by date: %v", got)
	}
	if got := tags(due(func(q *compliancepb.ListDueRequest) { q.Kind = "first-stage" })); !slices.Equal(got, []string{"F-1"}) {
		t.Errorf("by kind: %v", got)
	}
	// S-e has used 95 of 100 dives: inside the lead of ten, whatever the horizon.
	if got := tags(due(func(q *compliancepb.ListDueRequest) {
		q.LimitKind, q.HorizonDays = compliancepb.LimitKind_LIMIT_KIND_USAGE, 0
	})); !slices.Equal(got, []string{"S-e"}) {
		t.Errorf("by usage: %v", got)
	}

	// Pages hold still while the clock and the fleet move: no gap, no repeat among what was there.
	var walked []string
	token := ""
	for n := 0; ; n++ {
		resp := due(func(q *compliancepb.ListDueRequest) { q.PageSize, q.PageToken = 2, token })
		walked = append(walked, tags(resp)...)
		r.clock.Advance(time.Hour)
		u := r.unit("regulator-set", "N-"+string(rune('a'+n)), "north")
		r.record(u, r.clock.Now(), test("overhaul", historypb.Outcome_OUTCOME_PASS))
		if token = resp.GetNextPageToken(); token == "" {
			break
		}
		_, err := r.compliance.ListDue(t.Context(), &compliancepb.ListDueRequest{Parent: r.org, HorizonDays: 10, PageSize: 2, PageToken: token})
		wantReason(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")
	}
	walked = slices.DeleteFunc(walked, func(s string) bool { return strings.HasPrefix(s, "N-") })
	if !slices.Equal(walked, tags(all)) {
		t.Errorf("walked %v, want %v", walked, tags(all))
	}
	_, err := r.compliance.ListDue(t.Context(), &compliancepb.ListDueRequest{Parent: r.org, HorizonDays: 4000})
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
}

func TestSummarizeFleet(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage", "bcd")
	host, part := r.unit("regulator-set", "R-1", "north"), r.unit("first-stage", "F-1", "north")
	r.fit(part, host)
	r.unit("bcd", "B-1", "north")
	spent := r.unit("regulator-set", "R-2", "south")
	r.record(spent, now.AddDate(0, 0, -3), dives(100))
	r.record(part, now.AddDate(0, 0, -3), test("overhaul", historypb.Outcome_OUTCOME_INCONCLUSIVE))
	resp, err := r.compliance.SummarizeFleet(t.Context(), &compliancepb.SummarizeFleetRequest{Parent: r.org, HorizonDays: 250, AtLeast: r.position})
	if err != nil {
		t.Fatal(err)
	}
	want := &compliancepb.SummarizeFleetResponse{
		Org: &compliancepb.ShopSummary{
			Counts: &compliancepb.FleetCounts{Units: 4, Fitted: 1, Ready: 1, Pulled: 2, DueByUsage: 1, DueWithin: 4},
			Kinds: []*compliancepb.ShopSummary_KindCounts{
				{Kind: "bcd", Counts: &compliancepb.FleetCounts{Units: 1, Ready: 1, DueWithin: 1}},
				{Kind: "first-stage", Counts: &compliancepb.FleetCounts{Units: 1, Fitted: 1, Pulled: 1, DueWithin: 1}},
				{Kind: "regulator-set", Counts: &compliancepb.FleetCounts{Units: 2, Pulled: 1, DueByUsage: 1, DueWithin: 2}},
			},
		},
		Shops: []*compliancepb.ShopSummary{
			{
				Shop: r.org + "/shops/north", DisplayName: "north", Counts: &compliancepb.FleetCounts{Units: 3, Fitted: 1, Ready: 1, Pulled: 2, DueWithin: 3},
				Kinds: []*compliancepb.ShopSummary_KindCounts{
					{Kind: "bcd", Counts: &compliancepb.FleetCounts{Units: 1, Ready: 1, DueWithin: 1}},
					{Kind: "first-stage", Counts: &compliancepb.FleetCounts{Units: 1, Fitted: 1, Pulled: 1, DueWithin: 1}},
					{Kind: "regulator-set", Counts: &compliancepb.FleetCounts{Units: 1, Pulled: 1, DueWithin: 1}},
				},
			},
			{
				Shop: r.org + "/shops/south", DisplayName: "south", Counts: &compliancepb.FleetCounts{Units: 1, DueByUsage: 1, DueWithin: 1},
				Kinds: []*compliancepb.ShopSummary_KindCounts{{Kind: "regulator-set", Counts: &compliancepb.FleetCounts{Units: 1, DueByUsage: 1, DueWithin: 1}}},
			},
		},
		Position: r.position,
	}
	if diff := cmp.Diff(want, resp, protocmp.Transform()); diff != "" {
		t.Errorf("summary:\n%s", diff)
	}
}
