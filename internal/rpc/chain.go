package rpc

import (
	"context"
	"errors"
	"log/slog"
	"runtime/debug"
	"time"

	"go.opentelemetry.io/otel/trace"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

var (
	errUnknownMethod = status.Error(codes.Unimplemented, "unknown RPC")
	errDraining      = errs.New(errs.Unavailable, "UNAVAILABLE", "the server is shutting down; connect again")
)

// unary surrounds a unary handler. It starts before the message is read, so that reading comes after authorisation and its
// faults leave with details like any other.
func (s *Server) unary(full string, handler grpc.MethodHandler) grpc.MethodHandler {
	return func(srv any, ctx context.Context, read func(any) error, message grpc.UnaryServerInterceptor) (reply any, err error) {
		err = s.guard(ctx, full, func(ctx context.Context, who *tenant.Caller) error {
			if _, set := ctx.Deadline(); !set {
				var cancel context.CancelFunc
				ctx, cancel = context.WithTimeout(ctx, s.config.DefaultDeadline)
				defer cancel()
			}
			ctx, err := s.admit(ctx, full, who)
			if err != nil {
				return err
			}
			reply, err = handler(srv, ctx, func(m any) error { return receive(read, m) }, message)
			return err
		})
		return reply, err
	}
}

// message is the rest of the chain for a unary call, once its message is read.
func (s *Server) message(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	if err := s.check(ctx, info.FullMethod, req); err != nil {
		return nil, err
	}
	return handler(ctx, req)
}

// stream is the chain for a stream.
func (s *Server) stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	return s.guard(ss.Context(), info.FullMethod, func(ctx context.Context, who *tenant.Caller) error {
		ctx, err := s.admit(ctx, info.FullMethod, who)
		if err != nil {
			return err
		}
		ctx, cancel := context.WithCancelCause(ctx)
		defer cancel(nil)
		if !info.IsClientStream { // it may run for ever, and would hold up draining
			stop := context.AfterFunc(s.draining, func() { cancel(errDraining) })
			defer stop()
		}
		w := &checkedStream{ServerStream: ss, server: s, method: info.FullMethod, fromClient: info.IsClientStream}
		w.ctx = context.WithValue(ctx, rowsKey{}, w)
		err = handler(srv, w)
		if err != nil && errors.Is(context.Cause(ctx), errDraining) {
			return errDraining
		}
		return err
	})
}

// guard recovers from panics, gives the call a trace, maps the error and logs the call: once, without anything the request holds.
func (s *Server) guard(ctx context.Context, full string, call func(context.Context, *tenant.Caller) error) (err error) {
	started := s.config.Clock.Now()
	ctx = traced(ctx)
	var who tenant.Caller
	defer func() {
		if p := recover(); p != nil {
			s.config.Logger.LogAttrs(ctx, slog.LevelError, "panic in a handler", append(traceAttrs(ctx),
				slog.String("method", full), slog.Any("panic", p), slog.String("stack", string(debug.Stack())))...)
			err = errs.New(errs.Internal, "INTERNAL", "panic")
		}
		st := Status(err)
		if r := Reason(st); r == "NOT_CAUGHT_UP" || r == "GATE_SHUT" {
			// The wait for the others has used up the call's time: an automatic retry would only turn this answer into a deadline.
			_ = grpc.SetTrailer(ctx, metadata.Pairs("grpc-retry-pushback-ms", "-1"))
		}
		s.log(ctx, full, started, who, st, err)
		err = st.Err()
	}()
	return call(ctx, &who)
}

func (s *Server) log(ctx context.Context, full string, started time.Time, who tenant.Caller, st *status.Status, err error) {
	level := slog.LevelDebug
	switch st.Code() {
	case codes.Internal, codes.DataLoss, codes.Unavailable, codes.Unknown:
		if !errors.Is(err, errDraining) { // shutting down is no fault
			level = slog.LevelWarn
		}
	}
	if !s.config.Logger.Enabled(ctx, level) {
		return
	}
	attrs := append(traceAttrs(ctx), slog.String("method", full), slog.String("code", st.Code().String()),
		slog.Duration("duration", s.config.Clock.Now().Sub(started)))
	if reason := Reason(st); reason != "" {
		attrs = append(attrs, slog.String("reason", reason))
	}
	if who.Org.ID != "" {
		attrs = append(attrs, slog.String("org", who.Org.ID))
	}
	if who.Subject != "" {
		attrs = append(attrs, slog.String("subject", who.Subject), slog.String("role", who.Role))
	}
	if level == slog.LevelWarn && err != nil {
		attrs = append(attrs, slog.String("error", err.Error()))
	}
	s.config.Logger.LogAttrs(ctx, level, "call", attrs...)
}

func traceAttrs(ctx context.Context) []slog.Attr {
	sc := trace.SpanContextFromContext(ctx)
	return []slog.Attr{slog.String("trace_id", sc.TraceID().String()), slog.String("span_id", sc.SpanID().String())}
}

// check is what every message must pass once its sender is known.
func (s *Server) check(ctx context.Context, full string, req any) error {
	if s.methods[full].open {
		return nil
	}
	m, ok := req.(proto.Message)
	if !ok {
		return errs.New(errs.Internal, "INTERNAL", "the request is not a message")
	}
	if err := s.ownOrg(ctx, full, m); err != nil {
		return err
	}
	return Validate(m)
}

type rowsKey struct{}

// ValidateRows tells the server that the handler of a client stream validates the messages after the first itself (with
// Violations), because it reports every bad row and not only the first. It must be called with the stream's context.
func ValidateRows(ctx context.Context) {
	if w, ok := ctx.Value(rowsKey{}).(*checkedStream); ok {
		w.rowsByHandler = true
	}
}

// checkedStream checks each message that a handler receives. Like any stream it is received from by one goroutine.
type checkedStream struct {
	grpc.ServerStream
	ctx           context.Context
	server        *Server
	method        string
	fromClient    bool
	received      int
	rowsByHandler bool
}

func (w *checkedStream) Context() context.Context { return w.ctx }

func (w *checkedStream) RecvMsg(m any) error {
	if err := receive(w.ServerStream.RecvMsg, m); err != nil {
		return err
	}
	w.received++
	if w.received > 1 && w.rowsByHandler {
		return nil
	}
	return w.server.check(w.ctx, w.method, m)
}
