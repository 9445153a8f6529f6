package rpc_test

import (
	"context"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/rpc"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var start = time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)

// rig is a server with fake services, and a key its tokens are signed with.
type rig struct {
	clock    *clock.Fake
	key      *auth.Key
	server   *rpc.Server
	registry *fakeRegistry
	history  *fakeHistory
}

type fakeRegistry struct {
	registrypb.UnimplementedRegistryServiceServer
	getOrg func(context.Context, *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error)
	update func(context.Context, *registrypb.UpdateUnitRequest) (*registrypb.UpdateUnitResponse, error)
}

func (f *fakeRegistry) GetOrg(ctx context.Context, req *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
	return f.getOrg(ctx, req)
}

func (f *fakeRegistry) UpdateUnit(ctx context.Context, req *registrypb.UpdateUnitRequest) (*registrypb.UpdateUnitResponse, error) {
	return f.update(ctx, req)
}

type fakeHistory struct {
	historypb.UnimplementedHistoryServiceServer
	importEntries func(grpc.ClientStreamingServer[historypb.ImportEntriesRequest, historypb.ImportEntriesResponse]) error
}

func (f *fakeHistory) ImportEntries(s grpc.ClientStreamingServer[historypb.ImportEntriesRequest, historypb.ImportEntriesResponse]) error {
	return f.importEntries(s)
}

func newRig(t *testing.T, change ...func(*rpc.ServerConfig)) *rig {
	t.Helper()
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{clock: clock.NewFake(start), key: key, registry: &fakeRegistry{}, history: &fakeHistory{}}
	r.registry.getOrg = func(_ context.Context, req *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
		return &registrypb.GetOrgResponse{Org: &registrypb.Org{Name: req.GetName()}}, nil
	}
	c := rpc.ServerConfig{Verifier: auth.NewVerifier(key.Public()), Clock: r.clock}
	for _, f := range change {
		f(&c)
	}
	r.server = rpc.NewServer(c)
	registrypb.RegisterRegistryServiceServer(r.server, r.registry)
	historypb.RegisterHistoryServiceServer(r.server, r.history)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 5*time.Second)
		defer cancel()
		if err := r.server.Drain(ctx); err != nil {
			t.Errorf("drain: %v", err)
		}
	})
	return r
}

// conn connects with a token of the role; an empty role sends none.
func (r *rig) conn(t *testing.T, role, org string, opts ...grpc.DialOption) *grpc.ClientConn {
	t.Helper()
	if role != "" {
		opts = append(opts, grpc.WithPerRPCCredentials(rpc.BearerToken(r.mint(t, role, org))))
	}
	conn, err := r.server.InProcess(opts...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

func (r *rig) mint(t *testing.T, role, org string) string {
	t.Helper()
	token, err := r.key.Mint(auth.Claims{Subject: "test", Role: role, Org: org, Issued: start, Expires: start.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	return token
}
