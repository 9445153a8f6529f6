package telemetry

import (
	"context"
	"io"
	"log/slog"

	"go.opentelemetry.io/otel/trace"
)

// NewLogger returns a logger that writes JSON, or text for people, and puts the trace of the context into each line that does not
// name one itself.
func NewLogger(w io.Writer, asJSON bool, level slog.Leveler) *slog.Logger {
	options := &slog.HandlerOptions{Level: level}
	if asJSON {
		return slog.New(tracing{slog.NewJSONHandler(w, options)})
	}
	return slog.New(tracing{slog.NewTextHandler(w, options)})
}

type tracing struct{ slog.Handler }

func (h tracing) Handle(ctx context.Context, r slog.Record) error {
	if sc := trace.SpanContextFromContext(ctx); sc.IsValid() && !names(r, "trace_id") {
		r = r.Clone()
		r.AddAttrs(slog.String("trace_id", sc.TraceID().String()), slog.String("span_id", sc.SpanID().String()))
	}
	return h.Handler.Handle(ctx, r)
}

func (h tracing) WithAttrs(attrs []slog.Attr) slog.Handler {
	return tracing{h.Handler.WithAttrs(attrs)}
}
func (h tracing) WithGroup(name string) slog.Handler { return tracing{h.Handler.WithGroup(name)} }

func names(r slog.Record, key string) (found bool) {
	r.Attrs(func(a slog.Attr) bool {
		found = found || a.Key == key
		return !found
	})
	return found
}
