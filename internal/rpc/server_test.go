package rpc_test

import (
	"context"
	"errors"
	"net"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/rpc"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func date(y, m, d int32) *datepb.Date { return &datepb.Date{Year: y, Month: m, Day: d} }

func TestHealth(t *testing.T) {
	var sick atomic.Bool
	r := newRig(t, func(c *rpc.ServerConfig) {
		c.Health = func(context.Context) error {
			if sick.Load() {
				return errors.New("no database")
			}
			return nil
		}
	})
	client := healthpb.NewHealthClient(r.conn(t, "", ""))
	const serving, not = healthpb.HealthCheckResponse_SERVING, healthpb.HealthCheckResponse_NOT_SERVING
	check := func(want healthpb.HealthCheckResponse_ServingStatus) {
		t.Helper()
		for _, service := range []string{"", "strandline.registry.v1.RegistryService"} {
			got, err := client.Check(t.Context(), &healthpb.HealthCheckRequest{Service: service})
			if err != nil || got.GetStatus() != want {
				t.Errorf("%q: %v, %v, want %v", service, got, err, want)
			}
		}
	}
	check(not) // until told
	r.server.SetServing(true)
	check(serving)
	sick.Store(true)
	check(not)
	sick.Store(false)
	check(serving)
	_, err := client.Check(t.Context(), &healthpb.HealthCheckRequest{Service: "strandline.feed.v1.FeedService"})
	wantStatus(t, err, codes.NotFound, "NOT_FOUND")
	list, err := client.List(t.Context(), &healthpb.HealthListRequest{})
	if err != nil || len(list.GetStatuses()) != 3 || list.GetStatuses()[""].GetStatus() != serving {
		t.Errorf("list %v, %v", list, err)
	}

	watch, err := client.Watch(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	next := func(want healthpb.HealthCheckResponse_ServingStatus) {
		t.Helper()
		if got, err := watch.Recv(); err != nil || got.GetStatus() != want {
			t.Errorf("watch: %v, %v, want %v", got, err, want)
		}
	}
	next(serving)
	r.server.SetServing(false)
	next(not)
	r.server.SetServing(true)
	next(serving)
}

func TestReflectionNeedsNoToken(t *testing.T) {
	r := newRig(t)
	s, err := reflectpb.NewServerReflectionClient(r.conn(t, "", "")).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Send(&reflectpb.ServerReflectionRequest{MessageRequest: &reflectpb.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	got, err := s.Recv()
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	for _, s := range got.GetListServicesResponse().GetService() {
		names[s.GetName()] = true
	}
	if !names["strandline.registry.v1.RegistryService"] || !names["grpc.health.v1.Health"] {
		t.Errorf("services %v", names)
	}
	if err := s.CloseSend(); err != nil {
		t.Error(err)
	}
}

// follower is a feed that never ends by itself.
type follower struct {
	feedpb.UnimplementedFeedServiceServer
	started chan struct{}
}

func (f follower) FollowHeads(_ *feedpb.FollowHeadsRequest, s grpc.ServerStreamingServer[feedpb.FollowHeadsResponse]) error {
	f.started <- struct{}{}
	<-s.Context().Done()
	return s.Context().Err()
}

func TestDrainEndsFollowersAndWaitsForCalls(t *testing.T) {
	r := newRig(t)
	follow := follower{started: make(chan struct{}, 1)}
	feedpb.RegisterFeedServiceServer(r.server, follow)
	running, finish := make(chan struct{}), make(chan struct{})
	r.registry.getOrg = func(context.Context, *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
		close(running)
		<-finish
		return &registrypb.GetOrgResponse{}, nil
	}
	r.server.SetServing(true)
	conn := r.conn(t, "service", "")
	stream, err := feedpb.NewFeedServiceClient(conn).FollowHeads(t.Context(), &feedpb.FollowHeadsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	<-follow.started
	called := make(chan error, 1)
	go func() {
		_, err := registrypb.NewRegistryServiceClient(conn).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"})
		called <- err
	}()
	<-running
	drained := make(chan error, 1)
	go func() { drained <- r.server.Drain(t.Context()) }()
	_, err = stream.Recv()
	wantStatus(t, err, codes.Unavailable, "UNAVAILABLE")
	select {
	case err := <-drained:
		t.Fatalf("drained while a call ran: %v", err)
	default:
	}
	close(finish)
	if err := <-called; err != nil {
		t.Errorf("the running call was cut off: %v", err)
	}
	if err := <-drained; err != nil {
		t.Error(err)
	}
	if err := r.server.Drain(t.Context()); err != nil {
		t.Errorf("draining again: %v", err)
	}
}

func TestDrainGivesUpWhenTold(t *testing.T) {
	r := newRig(t)
	running := make(chan struct{})
	r.registry.getOrg = func(ctx context.Context, _ *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
		close(running)
		<-ctx.Done() // only cutting off ends it
		return nil, ctx.Err()
	}
	called := make(chan error, 1)
	client := registrypb.NewRegistryServiceClient(r.conn(t, "auditor", "reef"))
	go func() {
		_, err := client.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"})
		called <- err
	}()
	<-running
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Millisecond)
	defer cancel()
	if err := r.server.Drain(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("drain: %v", err)
	}
	if err := <-called; status.Code(err) == codes.OK {
		t.Error("the call went through")
	}
}

func TestServeAndDialUnixSocket(t *testing.T) {
	r := newRig(t)
	path := filepath.Join(t.TempDir(), "s")
	lis, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- r.server.Serve(lis) }()
	conn, err := rpc.Dial("unix:"+path, grpc.WithPerRPCCredentials(rpc.ServiceToken(r.key, "compliance", r.clock)))
	if err != nil {
		t.Fatal(err)
	}
	for range 30 { // past several lives of a token
		if _, err := registrypb.NewRegistryServiceClient(conn).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"}); err != nil {
			t.Fatal(err)
		}
		r.clock.Advance(3 * time.Minute)
	}
	r.clock.Set(start.Add(-24 * time.Hour)) // a clock set back must not strand a client
	if _, err := registrypb.NewRegistryServiceClient(conn).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"}); err != nil {
		t.Error(err)
	}
	if err := conn.Close(); err != nil {
		t.Error(err)
	}
	if err := r.server.Drain(t.Context()); err != nil {
		t.Error(err)
	}
	if err := <-served; err != nil {
		t.Errorf("serve: %v", err)
	}
}
