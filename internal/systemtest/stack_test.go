package systemtest

import (
	"context"
	"log/slog"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/stack"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func TestMain(m *testing.M) { pgtest.Main(m, stack.Schemas()...) }

// inTurn marks a test that makes one call after the other and takes long: it has no races that others do not have, and with -short it is left out.
func inTurn(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("it makes one call after the other, and takes long")
	}
}

// Stack is all services in this process over a database of its own, behind the public server, with a clock that stands still.
type Stack struct {
	Clock    *clock.Fake
	Key      *auth.Key
	Database *pgtest.Database
	all      *stack.Stack
}

// Start starts all services; they are stopped at the end of the test.
func Start(t testing.TB) *Stack {
	t.Helper()
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	s := &Stack{Clock: clock.NewFake(now), Key: key, Database: pgtest.New(t)}
	s.all, err = stack.Config{
		DSN: s.Database.DSN(), Key: key, Clock: s.Clock, Log: slog.New(slog.DiscardHandler), MaxConns: 8, Spool: t.TempDir(), MaxImport: 1 << 30,
	}.All(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	s.all.Start()
	t.Cleanup(func() {
		if err := s.all.Stop(context.WithoutCancel(t.Context()), 0, 10*time.Second); err != nil {
			t.Errorf("stopping: %v", err)
		}
	})
	return s
}

// Token returns a token of a role in an org; the operator has no org.
func (s *Stack) Token(t testing.TB, role, org string) string {
	t.Helper()
	token, err := s.Key.Mint(auth.Claims{Subject: "test:" + role, Role: role, Org: org, Issued: s.Clock.Now(), Expires: s.Clock.Now().Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	return token
}

// Public returns a connection to the public server as a role in an org.
func (s *Stack) Public(t testing.TB, role, org string) *grpc.ClientConn {
	t.Helper()
	return s.Anonymous(t, grpc.WithPerRPCCredentials(rpc.BearerToken(s.Token(t, role, org))))
}

// Anonymous returns a connection to the public server without a token.
func (s *Stack) Anonymous(t testing.TB, opts ...grpc.DialOption) *grpc.ClientConn {
	t.Helper()
	conn, err := s.all.Public().InProcess(opts...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// reasonOf returns the reason in the one ErrorInfo that every error carries, or what is wrong with it.
func reasonOf(err error) string {
	if err == nil {
		return "no error"
	}
	var infos []*errdetails.ErrorInfo
	for _, d := range status.Convert(err).Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			infos = append(infos, i)
		}
	}
	if len(infos) != 1 || infos[0].GetDomain() != "strandline" {
		return "an error without exactly one ErrorInfo of strandline: " + err.Error()
	}
	return infos[0].GetReason()
}

func contextWithTimeout(t testing.TB, d time.Duration) (context.Context, context.CancelFunc) {
	return context.WithTimeout(t.Context(), d)
}

func unfit(unit string, at time.Time) *registrypb.UnfitUnitRequest {
	return &registrypb.UnfitUnitRequest{Name: unit, UnfitTime: timestamppb.New(at)}
}

// renameStrings replaces names in every string of the message.
func renameStrings(m protoreflect.Message, names map[string]string) {
	rename := func(s string) string {
		for from, to := range names {
			s = strings.ReplaceAll(s, from, to)
		}
		return s
	}
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.IsMap():
		case fd.IsList():
			l := v.List()
			for i := range l.Len() {
				switch fd.Kind() {
				case protoreflect.StringKind:
					l.Set(i, protoreflect.ValueOfString(rename(l.Get(i).String())))
				case protoreflect.MessageKind:
					renameStrings(l.Get(i).Message(), names)
				}
			}
		case fd.Kind() == protoreflect.StringKind:
			m.Set(fd, protoreflect.ValueOfString(rename(v.String())))
		case fd.Kind() == protoreflect.MessageKind:
			renameStrings(v.Message(), names)
		}
		return true
	})
}
