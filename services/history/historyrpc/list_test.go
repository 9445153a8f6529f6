package historyrpc_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func kindOf(e *historypb.Entry) historypb.EntryKind {
	switch e.GetDetail().(type) {
	case *historypb.Entry_Usage:
		return historypb.EntryKind_ENTRY_KIND_USAGE
	case *historypb.Entry_Service:
		return historypb.EntryKind_ENTRY_KIND_SERVICE
	case *historypb.Entry_Test:
		return historypb.EntryKind_ENTRY_KIND_TEST
	case *historypb.Entry_Condition:
		return historypb.EntryKind_ENTRY_KIND_CONDITION
	case *historypb.Entry_Amendment:
		return historypb.EntryKind_ENTRY_KIND_AMENDMENT
	}
	return 0
}

// Every combination of filters, in pages of several sizes, against the same filters applied here to all entries.
func TestList(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	rng := rand.New(rand.NewPCG(1, 2))
	quay, units := r.fleet(orgA, 3)
	pier := r.registry.shop(orgA, "pier", "UTC")
	c := r.client(orgA)
	var all []*historypb.Entry
	for range 25 {
		r.clock.Advance(time.Duration(rng.IntN(3)) * time.Hour)
		var batch []*historypb.Entry
		for range 1 + rng.IntN(3) {
			shop := quay
			if rng.IntN(3) == 0 {
				shop = pier
			}
			batch = append(batch, everyShape(units[rng.IntN(3)], shop)[:7]...)
			batch[len(batch)-1].OccurredTime = timestamppb.New(r.clock.Now().Add(time.Duration(rng.IntN(400)-395) * time.Minute))
			late := dives(units[rng.IntN(3)], r.clock.Now().Add(5*time.Minute), 1) // as far ahead as a clock may be
			late.Shop = shop
			batch = append(batch, late)
		}
		for i, rec := range appendEntries(t, c, orgA, batch...).GetReceipts() {
			e := proto.CloneOf(batch[i])
			e.Sequence, e.RecordedTime = rec.GetSequence(), rec.GetRecordedTime()
			if e.Shop == "" {
				e.Shop = quay
			}
			all = append(all, e)
		}
	}
	instants := []*timestamppb.Timestamp{nil, timestamppb.New(start), timestamppb.New(start.Add(-47 * time.Hour)), timestamppb.New(start.Add(7 * time.Hour)), timestamppb.New(start.Add(24*time.Hour + 5*time.Minute)),
		all[40].GetRecordedTime(), all[len(all)-1].GetRecordedTime(), timestamppb.New(start.Add(-10000 * time.Hour)), timestamppb.New(start.Add(10000 * time.Hour)), timestamppb.New(start.Add(7*time.Hour + 1)),
		{Seconds: -62135596800}}
	pick := func() *timestamppb.Timestamp { return instants[rng.IntN(len(instants))] }
	in := func(at, from, before *timestamppb.Timestamp) bool {
		return (from == nil || !at.AsTime().Before(from.AsTime())) && (before == nil || at.AsTime().Before(before.AsTime()))
	}
	found := 0
	questions := 400
	if testing.Short() {
		questions = 40
	}
	for n := range questions {
		req := &historypb.ListEntriesRequest{
			Parent: append(units, "orgs/"+orgA+"/units/-", "orgs/"+orgA+"/units/-", "orgs/"+orgA+"/units/00000000-0000-0000-0000-000000000001")[rng.IntN(6)],
			Kind:   historypb.EntryKind(max(0, rng.IntN(9)-3)),
			Shop:   []string{"", "", quay, pier, "orgs/" + orgA + "/shops/none"}[rng.IntN(5)],
		}
		if rng.IntN(2) == 0 {
			req.OccurredFromTime, req.OccurredBeforeTime = pick(), pick()
		}
		if rng.IntN(2) == 0 {
			req.RecordedFromTime, req.RecordedBeforeTime = pick(), pick()
		}
		req.PageSize = []int32{0, 1, 7, 1000, 2000}[rng.IntN(5)]
		swapped := func(from, before *timestamppb.Timestamp) bool {
			return from != nil && before != nil && from.AsTime().After(before.AsTime())
		}
		if swapped(req.OccurredFromTime, req.OccurredBeforeTime) || swapped(req.RecordedFromTime, req.RecordedBeforeTime) {
			_, err := c.ListEntries(t.Context(), req)
			wantError(t, err, codes.InvalidArgument, "FILTER_INVALID")
			continue
		}
		var want, got []string
		for _, e := range all {
			if (req.Parent == "orgs/"+orgA+"/units/-" || e.GetName()[:len(e.GetName())-len("/entries/")-36] == req.Parent) && (req.Kind == 0 || kindOf(e) == req.Kind) &&
				(req.Shop == "" || e.GetShop() == req.Shop) && in(e.GetOccurredTime(), req.OccurredFromTime, req.OccurredBeforeTime) && in(e.GetRecordedTime(), req.RecordedFromTime, req.RecordedBeforeTime) {
				want = append(want, fmt.Sprint(e.GetSequence(), e.GetName()))
			}
		}
		for _, e := range r.list(orgA, proto.CloneOf(req)) {
			got = append(got, fmt.Sprint(e.GetSequence(), e.GetName()))
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("query %d: %v\n(-want +got)\n%s", n, req, d)
		}
		found += len(got)
	}
	if found < 5*questions {
		t.Errorf("the queries found %d entries in all: they test little", found)
	}
}

func TestListRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	appendEntries(t, c, orgA, dives(units[0], start, 1), dives(units[0], start, 1), dives(units[0], start, 1))
	base := &historypb.ListEntriesRequest{Parent: units[0], PageSize: 1}
	first, err := c.ListEntries(t.Context(), base)
	if err != nil || first.GetNextPageToken() == "" {
		t.Fatalf("%v, %v", first, err)
	}
	with := func(f func(*historypb.ListEntriesRequest)) *historypb.ListEntriesRequest {
		req := proto.CloneOf(base)
		req.PageToken = first.GetNextPageToken()
		f(req)
		return req
	}
	for name, req := range map[string]*historypb.ListEntriesRequest{
		"another unit":   with(func(q *historypb.ListEntriesRequest) { q.Parent = "orgs/" + orgA + "/units/-" }),
		"another kind":   with(func(q *historypb.ListEntriesRequest) { q.Kind = historypb.EntryKind_ENTRY_KIND_TEST }),
		"another shop":   with(func(q *historypb.ListEntriesRequest) { q.Shop = "orgs/" + orgA + "/shops/quay" }),
		"another time":   with(func(q *historypb.ListEntriesRequest) { q.RecordedFromTime = timestamppb.New(start) }),
		"time elsewhere": with(func(q *historypb.ListEntriesRequest) { q.OccurredBeforeTime = timestamppb.New(start) }),
		"altered":        with(func(q *historypb.ListEntriesRequest) { q.PageToken = "A" + q.PageToken[1:] }),
		"made up":        with(func(q *historypb.ListEntriesRequest) { q.PageToken = "next" }),
	} {
		if req.PageToken == first.GetNextPageToken() && name == "altered" {
			req.PageToken = "B" + req.PageToken[1:]
		}
		_, err := c.ListEntries(t.Context(), req)
		t.Log(name)
		wantError(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID", "page_token PAGE_TOKEN_INVALID")
	}
	// The page size may change from page to page.
	rest, err := c.ListEntries(t.Context(), with(func(q *historypb.ListEntriesRequest) { q.PageSize = 5 }))
	if err != nil || len(rest.GetEntries()) != 2 || rest.GetNextPageToken() != "" {
		t.Errorf("%v, %v", rest, err)
	}
	for field, req := range map[string]*historypb.ListEntriesRequest{
		"parent":               {Parent: "orgs/" + orgA + "/units/nothing"},
		"page_size":            {Parent: units[0], PageSize: -1},
		"kind":                 {Parent: units[0], Kind: 17},
		"shop":                 {Parent: units[0], Shop: "quay"},
		"occurred_before_time": {Parent: units[0], OccurredBeforeTime: &timestamppb.Timestamp{Nanos: -1}},
	} {
		_, err := c.ListEntries(t.Context(), req)
		wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", field+" INVALID_FIELD")
	}
	// Entries that come while somebody pages are at the end of his list, and none comes twice.
	got := []int64{first.GetEntries()[0].GetSequence()}
	for req := with(func(*historypb.ListEntriesRequest) {}); ; {
		if len(got) < 4 {
			appendEntries(t, c, orgA, dives(units[0], start, 1))
		}
		page, err := c.ListEntries(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page.GetEntries() {
			got = append(got, e.GetSequence())
		}
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	if !slices.Equal(got, []int64{1, 2, 3, 4, 5, 6}) {
		t.Errorf("paged %v", got)
	}
}
