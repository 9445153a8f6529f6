package compliancerpc

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func (r *rig) chain(req *compliancepb.SummarizeChainRequest) *compliancepb.SummarizeChainResponse {
	r.t.Helper()
	req.Parent, req.AtLeast = r.org, r.position
	resp, err := r.availability.SummarizeChain(r.t.Context(), req)
	if err != nil {
		r.t.Fatal(err)
	}
	return resp
}

// each returns a number for each of so many days, and others on some.
func each(days int, n int64, on map[int]int64) []int64 {
	out := slices.Repeat([]int64{n}, days)
	for day, n := range on {
		out[day] = n
	}
	return out
}

// TestSummarizeChain is written out by hand: ten days from Monday, 1 June 2026, 10:00 in London and 21:00 in Auckland. In the north two BCDs are
// promised for Saturday and Sunday, of which one is held then; one regulator set is out until Tuesday, one has five dives left, one none. In the
// south there are two BCDs.
func TestSummarizeChain(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage", "bcd")
	sets := []string{r.unit("regulator-set", "R-1", "north"), r.unit("regulator-set", "R-2", "north"), r.unit("regulator-set", "R-3", "north")}
	r.fit(r.unit("first-stage", "F-1", "north"), sets[1])
	r.record(sets[1], now.AddDate(0, -1, 0), dives(95))
	r.record(sets[2], now.AddDate(0, -1, 0), dives(100))
	b1, b2 := r.unit("bcd", "B-1", "north"), r.unit("bcd", "B-2", "north")
	s1, _ := r.unit("bcd", "S-1", "south"), r.unit("bcd", "S-2", "south")
	r.pull()
	from, to := time.Date(2026, 6, 6, 8, 0, 0, 0, time.UTC), time.Date(2026, 6, 7, 17, 0, 0, 0, time.UTC)
	weekend := &compliancepb.AllocateUnitsRequest{
		Parent: r.org, Shop: r.org + "/shops/north", StartTime: timestamppb.New(from), EndTime: timestamppb.New(to), ExpectedDives: 4, Confirm: true,
		Outfits: []*compliancepb.Outfit{{Items: []*compliancepb.Outfit_Item{item("bcd", "", 2)}}},
	}
	both := r.allocate(weekend)
	out := r.wish(0, 25, 3, &compliancepb.Outfit_Item{Kind: "regulator-set", Unit: sets[0]})
	r.taken(r.allocate(out)...)
	r.hold(b1)
	r.pull()
	broken := both[slices.IndexFunc(both, func(a *compliancepb.Allocation) bool { return a.GetUnit() == b1 })]
	if both[0].GetUnit() == both[1].GetUnit() || broken.GetUnit() == b2 {
		t.Fatalf("promised: %v", both)
	}

	const days = 10
	first := &date.Date{Year: 2026, Month: 6, Day: 1}
	got := r.chain(&compliancepb.SummarizeChainRequest{Days: days})
	want := []*compliancepb.ChainRow{
		{
			Shop: r.org + "/shops/north", Kind: "bcd", FirstDate: first, Owned: 2, Ready: each(days, 1, nil), Promised: each(days, 0, map[int]int64{5: 2, 6: 2}), Out: each(days, 0, nil),
			Pulled: each(days, 1, nil), DueSoon: each(days, 0, nil), Overdue: each(days, 0, nil), Short: each(days, 0, map[int]int64{5: 1, 6: 1}),
		},
		{
			Shop: r.org + "/shops/north", Kind: "regulator-set", FirstDate: first, Owned: 3, Ready: each(days, 2, nil), Promised: each(days, 0, nil), Out: each(days, 0, map[int]int64{0: 1, 1: 1}),
			Pulled: each(days, 0, nil), DueSoon: each(days, 1, nil), Overdue: each(days, 1, nil), Short: each(days, 0, nil),
		},
		{
			Shop: r.org + "/shops/south", Kind: "bcd", FirstDate: first, Owned: 2, Ready: each(days, 2, nil), Promised: each(days, 0, nil), Out: each(days, 0, nil),
			Pulled: each(days, 0, nil), DueSoon: each(days, 0, nil), Overdue: each(days, 0, nil), Short: each(days, 0, nil),
		},
	}
	if d := cmp.Diff(want, got.GetRows(), protocmp.Transform()); d != "" {
		t.Errorf("rows: %s", d)
	}
	move := &compliancepb.Move{
		FromShop: r.org + "/shops/south", ToShop: r.org + "/shops/north", Kind: "bcd", Units: []string{s1}, AssetTags: []string{"S-1"},
		FirstDate: &date.Date{Year: 2026, Month: 6, Day: 6}, LastDate: &date.Date{Year: 2026, Month: 6, Day: 7}, Allocations: []string{broken.GetName()},
		Sentence: "Take 1 BCD (S-1) from south to north for 2026-06-06 to 2026-06-07, where promises cannot be kept; nobody has said how long the way takes.",
	}
	moves := func(req *compliancepb.SummarizeChainRequest, want ...*compliancepb.Move) {
		t.Helper()
		if d := cmp.Diff(want, r.chain(req).GetMoves(), protocmp.Transform()); d != "" {
			t.Errorf("moves for %v: %s", req, d)
		}
	}
	moves(&compliancepb.SummarizeChainRequest{Days: days}, move)

	// A day and a half on the way: it leaves on Friday morning, as Auckland has it. A shop that wants both of its own gives none.
	if _, err := r.availability.SetTransferTime(t.Context(), r.way("south", "north", 36*time.Hour)); err != nil {
		t.Fatal(err)
	}
	move.TransferTime = durationpb.New(36 * time.Hour)
	move.Sentence = "Take 1 BCD (S-1) from south to north for 2026-06-06 to 2026-06-07, where promises cannot be kept; the way takes 1 day 12 hours, so they leave by 2026-06-05 08:00 by the clock of south."
	moves(&compliancepb.SummarizeChainRequest{Days: days}, move)
	moves(&compliancepb.SummarizeChainRequest{Days: days, Spare: 1, Kind: "bcd", Shop: r.org + "/shops/north"}, move)
	moves(&compliancepb.SummarizeChainRequest{Days: days, Spare: 2, Kind: "bcd"})
	moves(&compliancepb.SummarizeChainRequest{Days: days, Shop: r.org + "/shops/south"})
	moves(&compliancepb.SummarizeChainRequest{Days: days, Kind: "regulator-set"})
	if _, err := r.availability.SetTransferTime(t.Context(), r.way("south", "north", 6*24*time.Hour)); err != nil {
		t.Fatal(err)
	}
	moves(&compliancepb.SummarizeChainRequest{Days: days})

	// With one to spare, on the weekend the north has none left: one is promised, the other held.
	got = r.chain(&compliancepb.SummarizeChainRequest{Days: days, Spare: 1, Shop: r.org + "/shops/north", Kind: "bcd"})
	if rows := got.GetRows(); len(rows) != 1 || !slices.Equal(rows[0].GetShort(), each(days, 0, map[int]int64{5: 2, 6: 2})) {
		t.Errorf("with one to spare: %v", rows)
	}

	// In November the BCDs come due: on 1 January 2027, a year after they were commissioned, and soon for 30 days before. None is promised.
	got = r.chain(&compliancepb.SummarizeChainRequest{Days: 60, Shop: r.org + "/shops/south", Instant: timestamppb.New(time.Date(2026, 11, 15, 12, 0, 0, 0, time.UTC))})
	soon, late := each(60, 0, nil), each(60, 0, nil)
	ready := each(60, 2, nil)
	for day := range 60 { // the first is 16 November in Auckland
		switch on := time.Date(2026, 11, 16+day, 0, 0, 0, 0, time.UTC); {
		case on.After(time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)):
			late[day], ready[day] = 2, 0
		case !on.Before(time.Date(2026, 12, 2, 0, 0, 0, 0, time.UTC)):
			soon[day] = 2
		}
	}
	if rows := got.GetRows(); len(rows) != 1 || rows[0].GetFirstDate().GetDay() != 16 || !slices.Equal(rows[0].GetReady(), ready) || !slices.Equal(rows[0].GetDueSoon(), soon) || !slices.Equal(rows[0].GetOverdue(), late) {
		t.Errorf("in November: %v", rows)
	}

	if rows := r.chain(&compliancepb.SummarizeChainRequest{}).GetRows(); len(rows) != 3 || len(rows[0].GetReady()) != 90 {
		t.Errorf("by default: %v", rows)
	}
	for _, c := range []struct {
		req    *compliancepb.SummarizeChainRequest
		code   codes.Code
		reason string
	}{
		{&compliancepb.SummarizeChainRequest{Parent: r.org, Instant: timestamppb.New(now.Add(-25 * time.Hour))}, codes.InvalidArgument, "INVALID_FIELD"},
		{&compliancepb.SummarizeChainRequest{Parent: r.org, Shop: r.org + "/shops/nowhere"}, codes.NotFound, "NOT_FOUND"},
		{&compliancepb.SummarizeChainRequest{Parent: r.org, Days: 91}, codes.InvalidArgument, "INVALID_FIELD"},
		{&compliancepb.SummarizeChainRequest{Parent: r.org, Spare: -1}, codes.InvalidArgument, "INVALID_FIELD"},
	} {
		_, err := r.availability.SummarizeChain(t.Context(), c.req)
		wantReason(t, err, c.code, c.reason)
	}
	if _, err := r.availability.SummarizeChain(t.Context(), &compliancepb.SummarizeChainRequest{Parent: r.org, Instant: timestamppb.New(now.Add(-23 * time.Hour))}); err != nil {
		t.Errorf("from this morning: %v", err)
	}
}

// TestSummarizeChainAgainstSearch compares how many units are ready and not promised, as the shortages tell where very many are wanted spare, with how
// many a search finds for each whole day; and the promises with the list of allocations.
func TestSummarizeChainAgainstSearch(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	rng := rand.New(rand.NewPCG(12, 2026))
	r.manyPromises(rng)
	r.clock.Advance(5 * time.Hour) // some are late to be collected
	begin := now.Add(5 * time.Hour)
	all := r.list(&compliancepb.ListAllocationsRequest{PageSize: 1000})
	for n, a := range all {
		if n%4 == 0 && !a.GetStartTime().AsTime().After(begin) && a.GetEndTime().AsTime().After(begin) {
			r.taken(a)
		}
	}
	all = r.list(&compliancepb.ListAllocationsRequest{PageSize: 1000})
	const days, spare = 14, 1000
	got := r.chain(&compliancepb.SummarizeChainRequest{Days: days, Spare: spare})
	if len(got.GetRows()) < 5 {
		t.Fatalf("only %d rows", len(got.GetRows()))
	}
	free, promises := int64(0), int64(0)
	for _, row := range got.GetRows() {
		loc, err := time.LoadLocation(zoneFor(row.GetShop()[len(r.org+"/shops/"):]))
		if err != nil {
			t.Fatal(err)
		}
		for day := range days {
			d := row.GetFirstDate()
			start, end := time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay())+day, 0, 0, 0, 0, loc), time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay())+day+1, 0, 0, 0, 0, loc)
			if start.Before(begin) {
				start = begin
			}
			resp, err := r.availability.SearchAvailability(t.Context(), &compliancepb.SearchAvailabilityRequest{
				Parent: r.org, Kind: row.GetKind(), Shop: row.GetShop(), StartTime: timestamppb.New(start), EndTime: timestamppb.New(end.Add(-time.Microsecond)),
			})
			if err != nil {
				t.Fatal(err)
			}
			if n := spare - row.GetShort()[day]; n != resp.GetAvailableCount() {
				t.Errorf("%s of %s on %s: %d ready and not promised, and %d are found", row.GetKind(), row.GetShop(), start.Format(time.DateOnly), n, resp.GetAvailableCount())
			}
			free += resp.GetAvailableCount()
			var promised, out int64
			for _, a := range all {
				if a.GetShop() != row.GetShop() || a.GetKind() != row.GetKind() || !a.GetStartTime().AsTime().Before(end) {
					continue
				}
				switch ends := a.GetEndTime().AsTime(); {
				case !ends.After(start):
				case a.GetState() == compliancepb.Allocation_STATE_OUT:
					out++
				case ends.After(begin):
					promised++
				}
			}
			if row.GetPromised()[day] != promised || row.GetOut()[day] != out {
				t.Errorf("%s of %s on %s: %d promised and %d out, want %d and %d", row.GetKind(), row.GetShop(), start.Format(time.DateOnly), row.GetPromised()[day], row.GetOut()[day], promised, out)
			}
			promises += promised + out
		}
	}
	if free < 50 || promises < 10 {
		t.Errorf("%d free and %d promised over all days: too little was tried", free, promises)
	}
}
