package telemetry

import (
	"context"
	"slices"

	"go.opentelemetry.io/otel/attribute"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
)

// discreet is an exporter that leaves out texts in which values of requests can stand: messages of errors and statuses. Codes and
// types of errors stay.
type discreet struct{ sdktrace.SpanExporter }

func (d discreet) ExportSpans(ctx context.Context, spans []sdktrace.ReadOnlySpan) error {
	out := make([]sdktrace.ReadOnlySpan, len(spans))
	for i, s := range spans {
		out[i] = withoutTexts{s}
	}
	return d.SpanExporter.ExportSpans(ctx, out)
}

type withoutTexts struct{ sdktrace.ReadOnlySpan }

func (s withoutTexts) Status() sdktrace.Status {
	return sdktrace.Status{Code: s.ReadOnlySpan.Status().Code}
}

func (s withoutTexts) Attributes() []attribute.KeyValue { return scrub(s.ReadOnlySpan.Attributes()) }

func (s withoutTexts) Events() []sdktrace.Event {
	events := slices.Clone(s.ReadOnlySpan.Events())
	for i := range events {
		events[i].Attributes = scrub(events[i].Attributes)
	}
	return events
}

func scrub(attrs []attribute.KeyValue) []attribute.KeyValue {
	return slices.DeleteFunc(slices.Clone(attrs), func(kv attribute.KeyValue) bool {
		switch kv.Key {
		case "exception.message", "exception.stacktrace", "error.message", "db.query.text", "db.statement", "db.query.parameter", "pgx.query.parameters":
			return true
		}
		return false
	})
}
