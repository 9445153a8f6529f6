// Package rpctest tries every RPC of a running server with every role, of its own org and of a foreign one.
package rpctest

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/rpc"
	authpb "strandline.example/strandline/proto/strandline/auth/v1"
)

// The orgs of the walk. A server that wants them to exist creates them before.
const (
	OwnOrg     = "own-org"
	ForeignOrg = "foreign-org"
)

const (
	patience = 20 * time.Second // for one call
	followed = 2 * time.Second  // for the first message of a stream that need not have one
)

// Walk calls every RPC of the services over conn, which carries no token of its own. mint returns a token of a role; the org is empty
// for roles that have none. It asserts that
//
//   - an RPC declares a permission;
//   - without a token, or with a bad one, the answer is UNAUTHENTICATED;
//   - a role without the permission gets PERMISSION_DENIED with PERMISSION_MISSING, whatever org the request names;
//   - a role with it gets PERMISSION_DENIED with ORG_MISMATCH when the request, or any one resource name in it, is of another org;
//   - a role with it is let through for its own org, and what is answered then is no fault of the service;
//   - every error carries exactly one ErrorInfo.
func Walk(t *testing.T, conn *grpc.ClientConn, mint func(role, org string) string, services ...protoreflect.ServiceDescriptor) {
	t.Helper()
	for _, s := range services {
		for i := range s.Methods().Len() {
			m := s.Methods().Get(i)
			t.Run(string(s.Name())+"/"+string(m.Name()), func(t *testing.T) {
				walk(t, walker{conn, m}, mint)
			})
		}
	}
}

func walk(t *testing.T, w walker, mint func(role, org string) string) {
	permission, declared := auth.Declared(w.method)
	if !declared {
		t.Errorf("declares no permission")
	}
	own, foreign := Request(t, w.method, OwnOrg), Request(t, w.method, ForeignOrg)
	addressed := 0
	names(own, func(s string) string { addressed++; return s })
	stored := permission != authpb.Permission_PERMISSION_AUTHENTICATED // it touches what an org stores
	if addressed == 0 && stored && permission != authpb.Permission_PERMISSION_ORG_ADMIN && permission != authpb.Permission_PERMISSION_FEED_READ {
		t.Errorf("nothing in the request says which org it is for")
	}
	for _, req := range []proto.Message{own, foreign} {
		w.want(t, "no token", req, "", codes.Unauthenticated, "TOKEN_MISSING")
		w.want(t, "bad token", req, "e30.e30.e30", codes.Unauthenticated, "TOKEN_INVALID")
	}
	for _, role := range auth.Roles() {
		org := ""
		if auth.OfOrg(role) {
			org = OwnOrg
		}
		token := mint(role, org)
		if !auth.Allows(role, permission) {
			w.want(t, role+", own org", own, token, codes.PermissionDenied, "PERMISSION_MISSING")
			w.want(t, role+", foreign org", foreign, token, codes.PermissionDenied, "PERMISSION_MISSING")
			continue
		}
		if stored && auth.OfOrg(role) && addressed > 0 {
			w.want(t, role+", foreign org", foreign, token, codes.PermissionDenied, "ORG_MISMATCH")
			for n := range addressed {
				w.want(t, role+", one foreign name", oneForeign(own, n), token, codes.PermissionDenied, "ORG_MISMATCH")
			}
		}
		w.pass(t, role+", own org", own, token)
	}
}

// oneForeign returns a copy of the request in which the nth resource name is of the foreign org.
func oneForeign(own *dynamicpb.Message, n int) proto.Message {
	req := proto.CloneOf(own)
	names(req, func(s string) string {
		n--
		if n == -1 {
			return "orgs/" + ForeignOrg + strings.TrimPrefix(s, "orgs/"+OwnOrg)
		}
		return s
	})
	return req
}

type walker struct {
	conn   *grpc.ClientConn
	method protoreflect.MethodDescriptor
}

func (w walker) want(t *testing.T, as string, req proto.Message, token string, code codes.Code, reason string) {
	t.Helper()
	st := w.call(t, req, token, patience)
	if st.Code() != code || rpc.Reason(st) != reason {
		t.Errorf("%s: got %s %s (%s), want %s %s", as, st.Code(), rpc.Reason(st), st.Message(), code, reason)
	}
	w.explained(t, as, st)
}

func (w walker) pass(t *testing.T, as string, req proto.Message, token string) {
	t.Helper()
	wait := patience
	if w.method.IsStreamingServer() {
		wait = followed
	}
	st := w.call(t, req, token, wait)
	switch st.Code() {
	case codes.Unauthenticated, codes.PermissionDenied:
		t.Errorf("%s: refused: %s %s (%s)", as, st.Code(), rpc.Reason(st), st.Message())
	case codes.Internal, codes.Unknown, codes.DataLoss, codes.Unimplemented:
		t.Errorf("%s: a fault: %s %s (%s)", as, st.Code(), rpc.Reason(st), st.Message())
	}
	w.explained(t, as, st)
}

func (w walker) explained(t *testing.T, as string, st *status.Status) {
	t.Helper()
	if st.Code() == codes.OK || st.Code() == codes.DeadlineExceeded { // the client's own deadline makes its own status
		return
	}
	n := 0
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == rpc.Domain && info.GetReason() != "" {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%s: %s carries %d ErrorInfos, want 1", as, st.Code(), n)
	}
}

func (w walker) call(t *testing.T, req proto.Message, token string, wait time.Duration) *status.Status {
	ctx, cancel := context.WithTimeout(t.Context(), wait)
	defer cancel()
	var opts []grpc.CallOption
	if token != "" {
		opts = append(opts, grpc.PerRPCCredentials(rpc.BearerToken(token)))
	}
	full := "/" + string(w.method.Parent().FullName()) + "/" + string(w.method.Name())
	reply := dynamicpb.NewMessage(w.method.Output())
	if !w.method.IsStreamingClient() && !w.method.IsStreamingServer() {
		return status.Convert(w.conn.Invoke(ctx, full, req, reply, opts...))
	}
	s, err := w.conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: w.method.IsStreamingClient(), ServerStreams: w.method.IsStreamingServer()}, full, opts...)
	if err != nil {
		return status.Convert(err)
	}
	if err := s.SendMsg(req); err != nil && !errors.Is(err, io.EOF) { // EOF: the answer says why
		return status.Convert(err)
	}
	if err := s.CloseSend(); err != nil {
		return status.Convert(err)
	}
	err = s.RecvMsg(reply) // the first message of a stream, or its end
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return status.Convert(err)
}
