package compliancerpc

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// allocation is a row of allocations, as far as a search depends on it.
type allocation struct {
	unit       string
	start, end time.Time
	dives      int64
	state      compliancepb.Allocation_State
	expires    time.Time
}

// promise writes allocations past all who would refuse them.
func (r *rig) promise(all ...allocation) {
	r.t.Helper()
	conn, err := pgx.Connect(r.t.Context(), r.data.DSN())
	if err != nil {
		r.t.Fatal(err)
	}
	defer func() { _ = conn.Close(r.t.Context()) }()
	for _, a := range all {
		var expires, out, finished *time.Time
		switch a.state {
		case compliancepb.Allocation_STATE_HELD:
			expires = &a.expires
		case compliancepb.Allocation_STATE_OUT:
			out = &a.start
		case compliancepb.Allocation_STATE_RELEASED:
			finished = &a.start
		}
		if _, err := conn.Exec(r.t.Context(), `insert into compliance.allocations (org_id, allocation_id, group_id, outfit, kind, size, shop, unit_id, during, dives, hours, fills, state,
				expires, pinned, reference, created, creator, handed_out, finished, number)
			values ($1, $2, $2, 1, 'regulator-set', '', 'north', $3, tstzrange($4, $5), $6, 0, 0, $7, $8, false, '', $9, 'test', $10, $11, 1)`,
			tenant.Must("reef").UUID, uuid.New(), uuid.MustParse(a.unit[strings.LastIndex(a.unit, "/")+1:]), a.start, a.end, a.dives, int16(a.state), expires, now, out, finished); err != nil {
			r.t.Fatal(err)
		}
	}
}

// answers are the units of an answer, each with the codes and sentences of its reasons.
func answers(resp *compliancepb.SearchAvailabilityResponse) (out []string) {
	for _, u := range resp.GetUnits() {
		l := u.GetAssetTag()
		for _, reason := range u.GetReasons() {
			l += fmt.Sprintf(" | %s: %s", strings.TrimPrefix(reason.GetCode().String(), "REASON_"), reason.GetSentence())
		}
		out = append(out, l)
	}
	return out
}

// TestSearchBesidePromises refuses what is promised or out, for windows that overlap and no others, and counts the use that is promised.
func TestSearchBesidePromises(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set")
	day := func(d, hour int) time.Time { return time.Date(2026, 6, 1+d, hour, 0, 0, 0, time.UTC) }
	var units []string
	for i := range 6 {
		units = append(units, r.unit("regulator-set", fmt.Sprint("R-", i), "north"))
	}
	south := r.unit("regulator-set", "S-0", "south")
	r.record(units[4], now.AddDate(0, -1, 0), dives(90))
	// 8:00 to 16:00 in UTC is 9:00 to 17:00 in the summer of the north, and 20:00 to 4:00 in the winter of the south.
	r.promise(
		allocation{unit: units[0], start: day(4, 8), end: day(6, 16), state: compliancepb.Allocation_STATE_CONFIRMED, dives: 4},
		allocation{unit: units[1], start: day(4, 8), end: day(6, 16), state: compliancepb.Allocation_STATE_HELD, expires: now.Add(time.Minute)},
		allocation{unit: units[2], start: day(4, 8), end: day(6, 16), state: compliancepb.Allocation_STATE_RELEASED},
		allocation{unit: units[3], start: day(-3, 8), end: day(-1, 16), state: compliancepb.Allocation_STATE_OUT},
		allocation{unit: units[4], start: day(20, 8), end: day(21, 16), state: compliancepb.Allocation_STATE_CONFIRMED, dives: 8},
		allocation{unit: south, start: day(4, 8), end: day(6, 16), state: compliancepb.Allocation_STATE_CONFIRMED},
	)
	ask := func(change func(*compliancepb.SearchAvailabilityRequest)) *compliancepb.SearchAvailabilityResponse {
		t.Helper()
		req := &compliancepb.SearchAvailabilityRequest{Parent: r.org, Kind: "regulator-set", Shop: r.org + "/shops/north", StartTime: timestamppb.New(day(5, 8)), EndTime: timestamppb.New(day(6, 8)), ExpectedDives: 2, AtLeast: r.position}
		change(req)
		resp, err := r.availability.SearchAvailability(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	want := func(resp *compliancepb.SearchAvailabilityResponse, available int64, want ...string) {
		t.Helper()
		if got := answers(resp); !slices.Equal(got, want) || resp.GetAvailableCount() != available || resp.GetAvailableCount()+resp.GetUnavailableCount() != int64(len(want)) {
			t.Errorf("%d available and %d not:\n%s\nwant %d:\n%s", resp.GetAvailableCount(), resp.GetUnavailableCount(), strings.Join(got, "\n"), available, strings.Join(want, "\n"))
		}
	}
	const taken = " | ALREADY_PROMISED: The unit is promised from 2026-06-05 09:00 to 2026-06-07 17:00, by the clock of its shop."
	const late = "R-3 | OUT: The unit is out, and due back at 2026-05-31 17:00 by the clock of its shop."
	want(ask(func(*compliancepb.SearchAvailabilityRequest) {}), 3, "R-2", "R-4", "R-5", "R-0"+taken, "R-1"+taken, late)
	// Half-open: who comes as another goes may have it.
	want(ask(func(q *compliancepb.SearchAvailabilityRequest) {
		q.StartTime, q.EndTime = timestamppb.New(day(2, 8)), timestamppb.New(day(4, 8))
	}), 5, "R-0", "R-1", "R-2", "R-4", "R-5", late)
	// Ten dives are left of R-4, of which eight are promised, in a window that does not overlap this one.
	want(ask(func(q *compliancepb.SearchAvailabilityRequest) { q.ExpectedDives = 3 }), 2, "R-2", "R-5", "R-0"+taken, "R-1"+taken, late,
		"R-4 | USAGE_LEFT_TOO_LITTLE: Overhaul every 100 dives or 12 months: 10 dives left, 8 dives of that promised already, 3 dives expected.")
	want(ask(func(q *compliancepb.SearchAvailabilityRequest) { q.Shop = r.org + "/shops/south" }), 0,
		"S-0 | ALREADY_PROMISED: The unit is promised from 2026-06-05 20:00 to 2026-06-08 04:00, by the clock of its shop.")
	// A held promise that is over by now counts no more, whether anybody has noticed or not.
	r.clock.Advance(2 * time.Minute)
	want(ask(func(*compliancepb.SearchAvailabilityRequest) {}), 4, "R-1", "R-2", "R-4", "R-5", "R-0"+taken, late)
}

// TestSearchOfAShopThatIsNot: a shop that was misspelt has nothing, and must not look like one that is sold out.
func TestSearchOfAShopThatIsNot(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	req := &compliancepb.SearchAvailabilityRequest{Parent: r.org, Shop: r.org + "/shops/west", StartTime: timestamppb.New(now), EndTime: timestamppb.New(now.AddDate(0, 0, 1))}
	_, err := r.availability.SearchAvailability(t.Context(), req)
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	req.Shop, req.Kind = r.org+"/shops/north", "wetsuit"
	if resp, err := r.availability.SearchAvailability(t.Context(), req); err != nil || resp.GetAvailableCount()+resp.GetUnavailableCount() != 0 {
		t.Errorf("of a kind that the shop has none of: %v, %v", resp, err)
	}
}

// TestSearchSaysWhatIsGained counts what one rule's work, one recall and one hold keep from being promised, each alone.
func TestSearchSaysWhatIsGained(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage")
	unit := map[string]string{}
	for _, tag := range []string{"due-a", "due-b", "due-taken", "due-held", "failed", "fine", "held", "part-due", "too-much"} {
		unit[tag] = r.unit("regulator-set", tag, "north")
	}
	part := r.unit("first-stage", "stage", "north")
	r.fit(part, unit["part-due"])
	for _, tag := range []string{"due-a", "due-b", "due-taken", "due-held"} {
		r.record(unit[tag], now.AddDate(0, -1, 0), dives(100))
	}
	r.record(part, now.AddDate(0, -1, 0), dives(100))
	r.record(unit["failed"], now.AddDate(0, 0, -1), test("inspection", historypb.Outcome_OUTCOME_FAIL))
	r.record(unit["too-much"], now.AddDate(0, -1, 0), dives(98))
	for _, tag := range []string{"held", "due-held"} {
		resp, err := r.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: unit[tag], Hold: &compliancepb.Hold{Reason: "To be looked at.", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}, RequestId: uuid.NewString()})
		if err != nil {
			t.Fatal(err)
		}
		r.position.Compliance = resp.GetPosition().GetCompliance()
	}
	r.promise(
		allocation{unit: unit["due-taken"], start: now.AddDate(0, 0, 4), end: now.AddDate(0, 0, 6), state: compliancepb.Allocation_STATE_CONFIRMED},
		allocation{unit: unit["too-much"], start: now.AddDate(0, 0, 14), end: now.AddDate(0, 0, 16), state: compliancepb.Allocation_STATE_CONFIRMED, dives: 99},
	)
	resp, err := r.availability.SearchAvailability(t.Context(), &compliancepb.SearchAvailabilityRequest{
		Parent: r.org, Kind: "regulator-set", StartTime: timestamppb.New(now.AddDate(0, 0, 4)), EndTime: timestamppb.New(now.AddDate(0, 0, 6)), ExpectedDives: 2, AtLeast: r.position, Explain: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	holds := map[string]string{} // by unit, what each is called
	for _, tag := range []string{"failed", "held"} {
		standing := r.standing(unit[tag])
		if len(standing.GetHolds()) != 1 {
			t.Fatalf("%s has the holds %v", tag, standing.GetHolds())
		}
		holds[tag] = standing.GetHolds()[0].GetName()
	}
	var got []string
	for _, g := range resp.GetGains() {
		got = append(got, fmt.Sprintf("%s (%s) %d %v", g.GetCleared(), g.GetTitle(), g.GetCount(), g.GetAssetTags()))
	}
	want := []string{
		r.org + "/rulePacks/house/rules/regulator (Overhaul every 100 dives or 12 months) 3 [due-a due-b part-due]",
		holds["failed"] + " (The inspection of 2026-05-31 failed) 1 [failed]",
		holds["held"] + " (To be looked at) 1 [held]",
	}
	if !slices.Equal(got, want) || resp.GetAvailableCount() != 1 {
		t.Errorf("%d available; gains %q, want %q", resp.GetAvailableCount(), got, want)
	}
}
