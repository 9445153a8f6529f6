package compliancerpc

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"

	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
)

// watched is a rig with a second server whose streams are bounded as a test wants, and with so many jackets.
func watched(t *testing.T, units int, c WatchConfig) *rig {
	t.Helper()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("bcd")
	for i := range units {
		r.unit("bcd", fmt.Sprintf("B-%04d", i), []string{"north", "south"}[i%2])
	}
	r.pull()
	return r.second(Config{Watch: c, Poll: 5 * time.Millisecond})
}

func (r *rig) watch(ctx context.Context, req *compliancepb.WatchAvailabilityRequest) grpc.ServerStreamingClient[compliancepb.WatchAvailabilityResponse] {
	r.t.Helper()
	req.Parent = r.org
	stream, err := r.availability.WatchAvailability(ctx, req)
	if err != nil {
		r.t.Fatal(err)
	}
	return stream
}

// TestASlowClientIsDroppedAndLosesNothing opens a stream with a small window and does not read. It is dropped, with a reason, while the server
// holds no more than a batch for it; then units change, and with its last token the client comes to what a new stream gives.
func TestASlowClientIsDroppedAndLosesNothing(t *testing.T) {
	t.Parallel()
	ended := make(chan error, 10)
	const slow = 300 * time.Millisecond
	r := watched(t, 1500, WatchConfig{Slow: slow, Ended: func(_ tenant.Org, err error) { ended <- err }})
	narrow := compliancepb.NewAvailabilityServiceClient(r.forYears("reef", grpc.WithInitialWindowSize(1<<16), grpc.WithInitialConnWindowSize(1<<16)))
	stream, err := narrow.WatchAvailability(t.Context(), &compliancepb.WatchAvailabilityRequest{Parent: r.org})
	if err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-ended:
		if err == nil || !strings.Contains(err.Error(), "resume_token") {
			t.Fatal(err)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("a client that does not read is not dropped")
	}
	if n := r.db.Pool().Stat().AcquiredConns(); n != 0 {
		t.Errorf("%d connections are held", n)
	}
	k := newKept()
	for {
		m, err := stream.Recv()
		if err != nil {
			if meta := wantReason(t, err, codes.ResourceExhausted, "WATCH_TOO_SLOW"); meta["limit"] != slow.String() {
				t.Errorf("%v", meta)
			}
			break
		}
		k.take(m)
	}
	if len(k.units) == 0 || len(k.units) > 1000 || k.complete != nil {
		t.Fatalf("%d units came before the client was dropped", len(k.units))
	}
	t.Logf("%d of 1500 units came before the client was dropped", len(k.units))
	i := 0
	for unit := range k.units { // some that it has, and some that it does not have
		if i++; i > 5 {
			break
		}
		r.hold(unit)
	}
	for unit := range r.fresh("").units {
		if i++; i > 12 {
			break
		}
		r.hold(unit)
	}
	stream = r.watch(t.Context(), &compliancepb.WatchAvailabilityRequest{ResumeToken: k.token})
	before := len(k.units)
	came := 0
	for k.complete == nil {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		came++
		k.take(m)
	}
	if came > 1500-before+20 {
		t.Errorf("%d messages came after resuming with %d of 1500: it began anew", came, before)
	}
	if d := cmp.Diff(r.fresh("").units, k.units, protocmp.Transform()); d != "" {
		t.Errorf("the copy differs from a new stream's:\n%s", d)
	}
}

// TestWatchEndsAndIsBounded opens as many streams as there may be, and sees that they hold no connections, that another is refused, that leaving makes
// room, and that all end when the server drains.
func TestWatchEndsAndIsBounded(t *testing.T) {
	t.Parallel()
	ended := make(chan error, 100)
	r := watched(t, 3, WatchConfig{Streams: 20, Complete: 20 * time.Millisecond, Ended: func(_ tenant.Org, err error) { ended <- err }})
	ctx, leave := context.WithCancel(t.Context())
	var streams []grpc.ServerStreamingClient[compliancepb.WatchAvailabilityResponse]
	for i := range 20 {
		on := t.Context()
		if i == 0 {
			on = ctx
		}
		s := r.watch(on, &compliancepb.WatchAvailabilityRequest{})
		streams = append(streams, s)
		for completes := 0; completes < 3; { // it has everything, and hears so again and again
			m, err := s.Recv()
			if err != nil {
				t.Fatal(err)
			}
			if m.GetComplete() != nil {
				completes++
				if m.GetComplete().GetPosition().GetRegistry() != r.position.GetRegistry() {
					t.Errorf("complete at %v, want %v", m.GetComplete().GetPosition(), r.position)
				}
			}
		}
	}
	_, err := r.watch(t.Context(), &compliancepb.WatchAvailabilityRequest{}).Recv()
	wantReason(t, err, codes.ResourceExhausted, "RESOURCE_EXHAUSTED")
	leave()
	if err := <-ended; err == nil {
		t.Error("a stream that its client left ended without saying so")
	}
	again := r.watch(t.Context(), &compliancepb.WatchAvailabilityRequest{})
	if _, err := again.Recv(); err != nil {
		t.Errorf("after one has left: %v", err)
	}
	draining, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := r.public.Drain(draining); err != nil {
		t.Errorf("drain: %v", err)
	}
	for _, s := range append(streams[1:], again) {
		for {
			if _, err := s.Recv(); err != nil {
				wantReason(t, err, codes.Unavailable, "UNAVAILABLE")
				break
			}
		}
	}
	r.server.hub.Settle()
	held := func() int32 { return r.server.db.Pool().Stat().AcquiredConns() }
	for wait := time.Now().Add(5 * time.Second); held() != 0 && time.Now().Before(wait); { // one whose call was cancelled is closed in its own time
		time.Sleep(10 * time.Millisecond)
	}
	if n := held(); n != 0 {
		t.Errorf("%d connections are held", n)
	}
}

// TestResumeTokens hands in tokens that are not of the stream.
func TestResumeTokens(t *testing.T) {
	t.Parallel()
	r := watched(t, 4, WatchConfig{})
	north, south := r.org+"/shops/north", r.org+"/shops/south"
	ofOrg, ofNorth := r.fresh(""), r.fresh(north)
	key := compliance.CaughtUp(1 << 40)
	future, err := r.server.pages.Encode("WatchAvailability reef ", key)
	if err != nil {
		t.Fatal(err)
	}
	forged, err := page.NewSigner([]byte("another key")).Encode("WatchAvailability reef ", compliance.CaughtUp(1))
	if err != nil {
		t.Fatal(err)
	}
	list, err := r.server.pages.Encode("ListAllocations reef ", compliance.CaughtUp(1))
	if err != nil {
		t.Fatal(err)
	}
	for name, req := range map[string]*compliancepb.WatchAvailabilityRequest{
		"the org's for a shop":      {Shop: north, ResumeToken: ofOrg.token},
		"a shop's for the org":      {ResumeToken: ofNorth.token},
		"a shop's for another shop": {Shop: south, ResumeToken: ofNorth.token},
		"cut":                       {ResumeToken: ofOrg.token[:len(ofOrg.token)-2]},
		"no token":                  {ResumeToken: "go on"},
		"of another key":            {ResumeToken: forged},
		"of a list":                 {ResumeToken: list},
		"of what never was":         {ResumeToken: future},
	} {
		_, err := r.watch(t.Context(), req).Recv()
		if reasonOf(err) != "RESUME_TOKEN_INVALID" {
			t.Errorf("%s: %v", name, err)
			continue
		}
		wantReason(t, err, codes.InvalidArgument, "RESUME_TOKEN_INVALID")
	}
	_, err = r.watch(t.Context(), &compliancepb.WatchAvailabilityRequest{ResumeToken: strings.Repeat("x", 2001)}).Recv()
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = r.watch(t.Context(), &compliancepb.WatchAvailabilityRequest{Shop: r.org + "/shops/nowhere"}).Recv()
	wantReason(t, err, codes.NotFound, "NOT_FOUND")

	// Another org's server side is the same one: its token is of no use either.
	kelp := compliancepb.NewAvailabilityServiceClient(r.forYears("kelp"))
	r.registry.add("orgs/kelp", r.registry.changes[r.org][0])
	stream, err := kelp.WatchAvailability(t.Context(), &compliancepb.WatchAvailabilityRequest{Parent: "orgs/kelp", ResumeToken: ofOrg.token})
	if err == nil {
		_, err = stream.Recv()
	}
	wantReason(t, err, codes.InvalidArgument, "RESUME_TOKEN_INVALID")

	// A good one gives nothing but what is new.
	stream = r.watch(t.Context(), &compliancepb.WatchAvailabilityRequest{Shop: north, ResumeToken: ofNorth.token})
	if m, err := stream.Recv(); err != nil || m.GetComplete() == nil {
		t.Errorf("resumed where nothing had changed: %v, %v", m, err)
	}
	for unit := range ofNorth.units {
		r.hold(unit)
		for {
			m, err := stream.Recv()
			if err != nil {
				t.Fatal(err)
			}
			if m.GetComplete() != nil {
				continue
			}
			if u := m.GetUnit(); u.GetUnit() != unit || u.GetMayHandOut() || len(u.GetReasons()) != 1 || u.GetReasons()[0].String() != "REASON_HOLD_OPEN" {
				t.Errorf("after a hold: %v", m)
			}
			break
		}
		break
	}
}

// TestStreamsShareWhatIsRead has a hundred streams at one place when a unit changes: all hear of it, from a few reads.
func TestStreamsShareWhatIsRead(t *testing.T) {
	t.Parallel()
	r := watched(t, 40, WatchConfig{})
	var unit string
	var streams []grpc.ServerStreamingClient[compliancepb.WatchAvailabilityResponse]
	for i := range 100 {
		req := &compliancepb.WatchAvailabilityRequest{}
		if i%2 == 0 {
			req.Shop = r.org + "/shops/north"
		}
		s := r.watch(t.Context(), req)
		for complete := false; !complete; {
			m, err := s.Recv()
			if err != nil {
				t.Fatal(err)
			}
			if complete = m.GetComplete() != nil; i == 0 && !complete {
				unit = m.GetUnit().GetUnit()
			}
		}
		streams = append(streams, s)
	}
	before := r.server.batches.reads.Load()
	r.hold(unit)
	for _, s := range streams {
		for {
			m, err := s.Recv()
			if err != nil {
				t.Fatal(err)
			}
			if m.GetComplete() != nil { // the position moved
				continue
			}
			if m.GetUnit().GetUnit() != unit || m.GetUnit().GetMayHandOut() {
				t.Errorf("%v", m)
			}
			break
		}
	}
	if n := r.server.batches.reads.Load() - before; n > 20 {
		t.Errorf("%d reads for 100 streams", n)
	} else {
		t.Logf("%d reads for 100 streams", n)
	}
}
