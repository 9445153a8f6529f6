package rpc

import (
	"context"
	"crypto/rand"

	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
)

var w3c = propagation.TraceContext{}

// traced returns a context with a trace: the telemetry's, else the caller's (W3C Trace Context), else a new one. So log lines of
// one call can be found together even where no telemetry runs.
func traced(ctx context.Context) context.Context {
	if trace.SpanContextFromContext(ctx).IsValid() {
		return ctx
	}
	md, _ := metadata.FromIncomingContext(ctx)
	remote := trace.SpanContextFromContext(w3c.Extract(ctx, carrier(md)))
	var id struct {
		trace trace.TraceID
		span  trace.SpanID
	}
	_, _ = rand.Read(id.span[:]) // never fails
	if remote.IsValid() {
		id.trace = remote.TraceID()
	} else {
		_, _ = rand.Read(id.trace[:])
	}
	return trace.ContextWithSpanContext(ctx, trace.NewSpanContext(trace.SpanContextConfig{
		TraceID: id.trace, SpanID: id.span, TraceFlags: remote.TraceFlags(), TraceState: remote.TraceState(),
	}))
}

// outgoing puts the trace of the context into the metadata of a call, unless a stats handler of the telemetry does.
func outgoing(ctx context.Context) context.Context {
	if !trace.SpanContextFromContext(ctx).IsValid() {
		return ctx
	}
	md, _ := metadata.FromOutgoingContext(ctx)
	md = md.Copy()
	if md == nil {
		md = metadata.MD{}
	}
	w3c.Inject(ctx, carrier(md))
	return metadata.NewOutgoingContext(ctx, md)
}

func traceUnary(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	return invoke(outgoing(ctx), method, req, reply, cc, opts...)
}

func traceStream(ctx context.Context, desc *grpc.StreamDesc, cc *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	return open(outgoing(ctx), desc, cc, method, opts...)
}

// carrier lets a propagator read and write gRPC metadata.
type carrier metadata.MD

func (c carrier) Get(key string) string {
	if v := metadata.MD(c).Get(key); len(v) > 0 {
		return v[0]
	}
	return ""
}

func (c carrier) Set(key, value string) { metadata.MD(c).Set(key, value) }

func (c carrier) Keys() []string {
	keys := make([]string, 0, len(c))
	for k := range c {
		keys = append(keys, k)
	}
	return keys
}
