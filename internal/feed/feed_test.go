package feed_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
)

func TestPagesFollowOneAnotherWithoutGaps(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	r.write(t, reef, labels(7)...)
	r.write(t, wreck, labels(2)...)
	var got []int64
	for after := int64(0); ; {
		page, err := r.client.ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: "orgs/reef", After: after, Limit: 3})
		if err != nil {
			t.Fatal(err)
		}
		if at := page.GetReadTime().AsTime(); !at.Equal(r.clock.Now()) {
			t.Errorf("read at %v, and the service's clock shows %v", at, r.clock.Now())
		}
		if page.GetHead() != 7 {
			t.Errorf("head %d, want 7", page.GetHead())
		}
		if len(page.GetChanges()) > 3 {
			t.Errorf("%d changes, want at most 3", len(page.GetChanges()))
		}
		if len(page.GetChanges()) == 0 {
			break
		}
		for _, c := range page.GetChanges() {
			got = append(got, c.GetPosition())
			after = c.GetPosition()
		}
	}
	for i, n := range got {
		if n != int64(i+1) {
			t.Fatalf("got %v", got)
		}
	}
	if len(got) != 7 {
		t.Errorf("got %v", got)
	}
}

func TestLimits(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	r.write(t, reef, labels(5100)...)
	for _, c := range []struct{ limit, want int }{{0, 1000}, {1, 1}, {5000, 5000}, {5001, 5000}, {1 << 30, 5000}} {
		page, err := r.client.ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: "orgs/reef", Limit: int32(c.limit)})
		if err != nil {
			t.Fatal(err)
		}
		if n := len(page.GetChanges()); n != c.want || page.GetHead() != 5100 {
			t.Errorf("limit %d: %d changes, head %d", c.limit, n, page.GetHead())
		}
	}
}

func TestALargePageIsCutToAMessage(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	big := strings.Repeat("x", 1<<20)
	r.write(t, reef, big, big, big, big, strings.Repeat("x", 3<<20), "small")
	var sizes []int
	for after := int64(0); after < 6; {
		page, err := r.client.ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: "orgs/reef", After: after})
		if err != nil {
			t.Fatal(err)
		}
		if len(page.GetChanges()) == 0 {
			t.Fatal("an empty page before the head")
		}
		sizes = append(sizes, len(page.GetChanges()))
		after = page.GetChanges()[len(page.GetChanges())-1].GetPosition()
	}
	// Two of 1 MiB and a little are under 3 MiB and three are over; one of 3 MiB goes alone.
	if want := []int{2, 2, 1, 1}; len(sizes) != len(want) || sizes[0] != 2 || sizes[1] != 2 || sizes[2] != 1 || sizes[3] != 1 {
		t.Errorf("pages of %v changes, want %v", sizes, want)
	}
}

func TestAnUnknownOrgHasNoChanges(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	page, err := r.client.ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: "orgs/nowhere"})
	if err != nil || len(page.GetChanges()) != 0 || page.GetHead() != 0 {
		t.Errorf("got %v, %v", page, err)
	}
}

func TestBadRequests(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	for name, req := range map[string]*feedpb.ReadFeedRequest{
		"no parent":      {},
		"another parent": {Parent: "shops/reef"},
		"a deep parent":  {Parent: "orgs/reef/shops/north"},
		"negative after": {Parent: "orgs/reef", After: -1},
		"negative limit": {Parent: "orgs/reef", Limit: -1},
	} {
		if _, err := r.client.ReadFeed(t.Context(), req); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

func TestOnlyServicesReadFeeds(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	r.write(t, reef, "one")
	for _, role := range auth.Roles() {
		if role == auth.RoleService {
			continue
		}
		org := "reef"
		if !auth.OfOrg(role) {
			org = ""
		}
		token, err := r.key.Mint(auth.Claims{Subject: "someone", Role: role, Org: org, Issued: start, Expires: start.Add(time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		client := r.as(t, grpc.WithPerRPCCredentials(rpc.BearerToken(token)))
		if _, err := client.ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: "orgs/reef"}); status.Code(err) != codes.PermissionDenied {
			t.Errorf("%s reads the feed: %v", role, err)
		}
		stream, err := client.FollowHeads(t.Context(), &feedpb.FollowHeadsRequest{})
		if err == nil {
			_, err = stream.Recv()
		}
		if status.Code(err) != codes.PermissionDenied {
			t.Errorf("%s follows the heads: %v", role, err)
		}
	}
}

// follower collects what a stream says.
type follower struct {
	stream grpc.ServerStreamingClient[feedpb.FollowHeadsResponse]
	seen   map[string]int64
}

func (r *rig) follow(t *testing.T, ctx context.Context) *follower {
	t.Helper()
	stream, err := r.client.FollowHeads(ctx, &feedpb.FollowHeadsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	return &follower{stream: stream, seen: map[string]int64{}}
}

// until reads on until the org's head is number; it never falls on the way.
func (f *follower) until(t *testing.T, org tenant.Org, number int64) {
	t.Helper()
	for f.seen[org.Name()] != number {
		m, err := f.stream.Recv()
		if err != nil {
			t.Fatalf("waiting for %s at %d, saw %v: %v", org.ID, number, f.seen, err)
		}
		if m.GetHead() < f.seen[m.GetOrg()] {
			t.Fatalf("%s went from %d to %d", m.GetOrg(), f.seen[m.GetOrg()], m.GetHead())
		}
		f.seen[m.GetOrg()] = m.GetHead()
	}
}

func TestAFollowerHearsAllHeadsFirst(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	r.write(t, reef, labels(3)...)
	r.write(t, wreck, labels(2)...)
	f := r.follow(t, t.Context())
	f.until(t, reef, 3)
	f.until(t, wreck, 2)
	// One that comes later hears them too, without another look at the database.
	looks := r.log.heads.Load()
	g := r.follow(t, t.Context())
	g.until(t, reef, 3)
	g.until(t, wreck, 2)
	if n := r.log.heads.Load(); n != looks {
		t.Errorf("the second follower cost %d more queries of all heads", n-looks)
	}
}

func TestMovedWakesAtOnceAndLooksAtThatOrgOnly(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour) // polling cannot be what does it
	r.write(t, reef, "one")
	f := r.follow(t, t.Context())
	f.until(t, reef, 1)
	looks := r.log.heads.Load()
	for n := int64(2); n < 6; n++ {
		r.write(t, reef, "more")
		r.server.Moved(reef)
		f.until(t, reef, n)
	}
	// An org that was not there at the start.
	r.write(t, wreck, "one")
	r.server.Moved(wreck)
	f.until(t, wreck, 1)
	if n := r.log.heads.Load(); n != looks {
		t.Errorf("all heads were read %d times", n-looks)
	}
}

func TestPollingAloneIsEnough(t *testing.T) {
	t.Parallel()
	r := newRig(t, 5*time.Millisecond)
	f := r.follow(t, t.Context())
	for n := int64(1); n < 4; n++ {
		r.write(t, reef, "more")
		f.until(t, reef, n)
	}
}

func TestManyMovedOrgsAreReadTogether(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	f := r.follow(t, t.Context())
	r.write(t, reef, "one")
	r.server.Moved(reef)
	f.until(t, reef, 1)
	orgs := make([]tenant.Org, 100)
	for i := range orgs {
		orgs[i] = tenant.Must("org-" + strings.Repeat("a", 1+i/10) + strings.Repeat("b", 1+i%10))
		r.write(t, orgs[i], "one")
	}
	reads := r.log.reads.Load()
	for _, o := range orgs {
		r.server.Moved(o)
	}
	for _, o := range orgs {
		f.until(t, o, 1)
	}
	if n := r.log.reads.Load() - reads; n >= 100 {
		t.Errorf("%d reads for 100 orgs", n)
	}
}

// The slow follower's messages fill the connection's window of 64 KiB, so that its call is stuck in Send while the log of
// moves runs out of room and drops what it has not been told.
func TestASlowFollowerGetsTheLastHead(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	long := tenant.Must(strings.Repeat("l", 40))
	r.write(t, reef, "one")
	narrow := *r
	narrow.client = r.as(t, grpc.WithPerRPCCredentials(rpc.ServiceToken(r.key, "compliance", r.clock)),
		grpc.WithStaticStreamWindowSize(64<<10), grpc.WithStaticConnWindowSize(64<<10))
	slow, fast := narrow.follow(t, t.Context()), r.follow(t, t.Context())
	const last = 3000
	for n := int64(1); n <= last; n++ {
		r.write(t, long, "more")
		r.server.Moved(long)
		if n%2 == 0 {
			fast.until(t, long, n) // so that moves do not melt into one
		}
	}
	slow.until(t, reef, 1) // until now it has read nothing
	slow.until(t, long, last)
}

func TestConcurrentWritersLoseNoHead(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	orgs := []tenant.Org{reef, wreck, tenant.Must("kelp"), tenant.Must("shoal")}
	followers := []*follower{r.follow(t, t.Context()), r.follow(t, t.Context()), r.follow(t, t.Context())}
	const each, writers = 25, 2
	var wg sync.WaitGroup
	for range writers {
		for _, o := range orgs {
			wg.Go(func() {
				for range each {
					if err := r.log.write(t.Context(), o, "more"); err != nil {
						t.Error(err)
						return
					}
					r.server.Moved(o)
				}
			})
		}
	}
	for _, f := range followers {
		for _, o := range orgs {
			f.until(t, o, each*writers)
		}
	}
	wg.Wait()
}

func TestNobodyFollowsNobodyLooks(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Millisecond)
	r.write(t, reef, "one")
	r.server.Moved(reef)
	if n := r.log.heads.Load() + r.log.reads.Load(); n != 0 {
		t.Fatalf("%d looks without a follower", n)
	}
	ctx, leave := context.WithCancel(t.Context())
	f := r.follow(t, ctx)
	f.until(t, reef, 1)
	leave()
	if _, err := f.stream.Recv(); status.Code(err) != codes.Canceled {
		t.Fatalf("got %v", err)
	}
	// The handler waits for the loop, and the server for the handler; after that nothing looks any more.
	bounded, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := r.grpc.Drain(bounded); err != nil {
		t.Fatal(err)
	}
	looks := r.log.heads.Load()
	time.Sleep(20 * time.Millisecond)
	if n := r.log.heads.Load(); n != looks {
		t.Errorf("%d looks after the last follower left", n-looks)
	}
}

func TestAFollowerHearsThatTheLogCannotBeRead(t *testing.T) {
	t.Parallel()
	r := newRig(t, 5*time.Millisecond)
	r.write(t, reef, "one")
	f := r.follow(t, t.Context())
	f.until(t, reef, 1)
	var broken error = errs.New(errs.Unavailable, "UNAVAILABLE", "the log cannot be read")
	r.log.fail.Store(&broken)
	if _, err := f.stream.Recv(); status.Code(err) != codes.Unavailable {
		t.Fatalf("got %v", err)
	}
	// Following again works once the log can be read.
	r.log.fail.Store(nil)
	r.write(t, reef, "two")
	r.follow(t, t.Context()).until(t, reef, 2)
}

func TestCloseEndsStreamsAndRefusesNewOnes(t *testing.T) {
	t.Parallel()
	r := newRig(t, time.Hour)
	r.write(t, reef, "one")
	f := r.follow(t, t.Context())
	f.until(t, reef, 1)
	r.server.Close()
	r.server.Close()
	if _, err := f.stream.Recv(); status.Code(err) != codes.Unavailable {
		t.Errorf("the open stream: %v", err)
	}
	if _, err := r.follow(t, t.Context()).stream.Recv(); status.Code(err) != codes.Unavailable || errors.Is(err, io.EOF) {
		t.Errorf("a new stream: %v", err)
	}
	if _, err := r.client.ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: "orgs/reef"}); err != nil {
		t.Errorf("reading: %v", err)
	}
}
