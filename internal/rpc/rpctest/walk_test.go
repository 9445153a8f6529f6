package rpctest_test

import (
	"context"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/rpc/rpctest"
	_ "strandline.example/strandline/proto/strandline/compliance/v1"
	_ "strandline.example/strandline/proto/strandline/feed/v1"
	_ "strandline.example/strandline/proto/strandline/history/v1"
	_ "strandline.example/strandline/proto/strandline/registry/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// services returns every service of the project's protos.
func services(t *testing.T) (all []protoreflect.ServiceDescriptor) {
	t.Helper()
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			if f.Package().Parent().Parent() == "strandline" {
				all = append(all, f.Services().Get(i))
			}
		}
		return true
	})
	if len(all) != 11 {
		t.Fatalf("found %d services", len(all))
	}
	return all
}

// echo returns a service that answers every call with an empty message, so that only what is around the handlers can refuse.
func echo(s protoreflect.ServiceDescriptor) *grpc.ServiceDesc {
	desc := &grpc.ServiceDesc{ServiceName: string(s.FullName()), HandlerType: (*any)(nil), Metadata: s.ParentFile().Path()}
	for i := range s.Methods().Len() {
		m := s.Methods().Get(i)
		full := "/" + string(s.FullName()) + "/" + string(m.Name())
		if m.IsStreamingClient() || m.IsStreamingServer() {
			desc.Streams = append(desc.Streams, grpc.StreamDesc{
				StreamName: string(m.Name()), ClientStreams: m.IsStreamingClient(), ServerStreams: m.IsStreamingServer(),
				Handler: func(_ any, ss grpc.ServerStream) error {
					if err := ss.RecvMsg(dynamicpb.NewMessage(m.Input())); err != nil {
						return err
					}
					return ss.SendMsg(dynamicpb.NewMessage(m.Output()))
				},
			})
			continue
		}
		desc.Methods = append(desc.Methods, grpc.MethodDesc{
			MethodName: string(m.Name()),
			Handler: func(srv any, ctx context.Context, read func(any) error, around grpc.UnaryServerInterceptor) (any, error) {
				req := dynamicpb.NewMessage(m.Input())
				if err := read(req); err != nil {
					return nil, err
				}
				return around(ctx, req, &grpc.UnaryServerInfo{Server: srv, FullMethod: full}, func(context.Context, any) (any, error) {
					return dynamicpb.NewMessage(m.Output()), nil
				})
			},
		})
	}
	return desc
}

// TestWalk walks every RPC of every proto over the real chain around handlers that refuse nothing.
func TestWalk(t *testing.T) {
	now := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	server := rpc.NewServer(rpc.ServerConfig{Verifier: auth.NewVerifier(key.Public()), Clock: clock.NewFake(now)})
	for _, s := range services(t) {
		server.RegisterService(echo(s), nil)
	}
	if missing := server.Undeclared(); len(missing) > 0 {
		t.Errorf("RPCs without a permission: %v", missing)
	}
	conn, err := server.InProcess()
	if err != nil {
		t.Fatal(err)
	}
	rpctest.Walk(t, conn, func(role, org string) string {
		token, err := key.Mint(auth.Claims{Subject: "walker", Role: role, Org: org, Issued: now, Expires: now.Add(time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		return token
	}, services(t)...)
	if err := conn.Close(); err != nil {
		t.Error(err)
	}
	if err := server.Drain(t.Context()); err != nil {
		t.Error(err)
	}
}
