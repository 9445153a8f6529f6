package historyrpc_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"

	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/historyrpc"
)

// The feed is the ledger: positions are sequences, a change's instant is when it was recorded, and what changed is the entry.
func TestFeed(t *testing.T) {
	t.Parallel()
	r := newRig(t, func(c *historyrpc.Config) { c.FeedPoll = time.Hour }) // so that it is the appends that wake the followers
	shop, units := r.fleet(orgA, 1)
	_, others := r.fleet(orgB, 1)
	f := r.feed()
	empty, err := f.ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: "orgs/" + orgA})
	if err != nil || len(empty.GetChanges()) != 0 || empty.GetHead() != 0 {
		t.Fatalf("before the first entry: %v, %v", empty, err)
	}
	appendEntries(t, r.client(orgB), orgB, dives(others[0], start, 1))

	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	heads, err := f.FollowHeads(ctx, &feedpb.FollowHeadsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	next := func(org string, head int64) {
		t.Helper()
		got, err := heads.Recv()
		if err != nil || got.GetOrg() != "orgs/"+org || got.GetHead() != head {
			t.Fatalf("followed to %v, %v; want %s at %d", got, err, org, head)
		}
	}
	next(orgB, 1)
	entries := everyShape(units[0], shop)
	n := int64(len(entries))
	appendEntries(t, r.client(orgA), orgA, entries...)
	next(orgA, n)
	r.clock.Advance(time.Minute)
	if _, err := importEntries(t.Context(), r.client(orgA), orgA, []*historypb.Entry{dives(units[0], start, 1)}); err != nil {
		t.Fatal(err)
	}
	next(orgA, n+1)

	all := r.list(orgA, &historypb.ListEntriesRequest{})
	for after := int64(0); after <= n+1; {
		page, err := f.ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: "orgs/" + orgA, After: after, Limit: 5})
		if err != nil {
			t.Fatal(err)
		}
		if page.GetHead() != n+1 {
			t.Errorf("head %d, want %d", page.GetHead(), n+1)
		}
		if after == n+1 {
			if len(page.GetChanges()) > 0 {
				t.Errorf("changes after the last: %v", page)
			}
			break
		}
		for _, ch := range page.GetChanges() {
			after++
			e := all[after-1]
			want := &feedpb.Change{Position: after, ChangeTime: e.GetRecordedTime(), Resource: &feedpb.Change_Entry{Entry: e}}
			if d := cmp.Diff(want, ch, protocmp.Transform()); d != "" {
				t.Errorf("change %d (-want +got)\n%s", after, d)
			}
		}
	}
}
