// Package telemetry speaks OpenTelemetry: traces and metrics over gRPC and PostgreSQL, sent by OTLP where the environment names
// a collector, and nothing at all where it does not.
//
// Spans and metrics say which RPC or which kind of statement ran, how long it took and with which code it ended. What people put
// into requests (serial numbers, names, notes) stays out of them: statements, statement arguments, error texts and status
// messages are never recorded.
package telemetry

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"strings"
	"time"

	"github.com/exaring/otelpgx"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlpmetric/otlpmetricgrpc"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/metric"
	noopmetric "go.opentelemetry.io/otel/metric/noop"
	"go.opentelemetry.io/otel/propagation"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	nooptrace "go.opentelemetry.io/otel/trace/noop"
	"google.golang.org/grpc"
	"google.golang.org/grpc/stats"

	"strandline.example/strandline/internal/errs"
)

// Config says what the telemetry is of. Where it goes is in the standard OTEL_* environment variables.
type Config struct {
	Version string              // service.version
	Logger  *slog.Logger        // told when exporting fails; slog.Default if nil
	Getenv  func(string) string // os.Getenv if nil; decides only whether to export (the exporters read os.Getenv)

	SpanExporter sdktrace.SpanExporter // receives spans as well, at once; for tests
	MetricReader sdkmetric.Reader      // collects metrics as well; for tests
}

// Telemetry is what instrumented code needs. The nil Telemetry works and does nothing.
type Telemetry struct {
	tracers trace.TracerProvider
	meters  metric.MeterProvider
	stop    []func(context.Context) error
}

// Setup starts telemetry. It returns nil, which works and costs nothing, unless OTEL_EXPORTER_OTLP_ENDPOINT (or the one for traces or
// metrics) is set, or a test wants to see. OTEL_SDK_DISABLED=true turns it off. A collector that cannot be reached is no error.
func Setup(ctx context.Context, c Config) (*Telemetry, error) {
	if c.Getenv == nil {
		c.Getenv = os.Getenv
	}
	set := func(name string) bool { return c.Getenv(name) != "" }
	all := set("OTEL_EXPORTER_OTLP_ENDPOINT")
	exportTraces := all || set("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT")
	exportMetrics := all || set("OTEL_EXPORTER_OTLP_METRICS_ENDPOINT")
	if strings.EqualFold(c.Getenv("OTEL_SDK_DISABLED"), "true") || !exportTraces && !exportMetrics && c.SpanExporter == nil && c.MetricReader == nil {
		return nil, nil
	}
	if c.Logger == nil {
		c.Logger = slog.Default()
	}
	res, err := resource.New(ctx,
		resource.WithAttributes(attribute.String("service.name", "strandline"), attribute.String("service.version", c.Version)),
		resource.WithTelemetrySDK(), resource.WithFromEnv()) // the environment wins
	if err != nil {
		return nil, fault("the OTEL_ resource variables cannot be read", err)
	}
	t := &Telemetry{tracers: nooptrace.NewTracerProvider(), meters: noopmetric.NewMeterProvider()}

	var spans []sdktrace.TracerProviderOption
	if exportTraces {
		exporter, err := otlptracegrpc.New(ctx)
		if err != nil {
			return nil, fault("the trace exporter cannot start", err)
		}
		spans = append(spans, sdktrace.WithBatcher(discreet{exporter}))
	}
	if c.SpanExporter != nil {
		spans = append(spans, sdktrace.WithSyncer(discreet{c.SpanExporter}))
	}
	if len(spans) > 0 {
		p := sdktrace.NewTracerProvider(append(spans, sdktrace.WithResource(res))...)
		t.tracers, t.stop = p, append(t.stop, p.Shutdown)
	}

	var readers []sdkmetric.Option
	if exportMetrics {
		exporter, err := otlpmetricgrpc.New(ctx)
		if err != nil {
			return nil, errors.Join(fault("the metric exporter cannot start", err), t.Shutdown(ctx))
		}
		readers = append(readers, sdkmetric.WithReader(sdkmetric.NewPeriodicReader(exporter)))
	}
	if c.MetricReader != nil {
		readers = append(readers, sdkmetric.WithReader(c.MetricReader))
	}
	if len(readers) > 0 {
		p := sdkmetric.NewMeterProvider(append(readers, sdkmetric.WithResource(res))...)
		t.meters, t.stop = p, append(t.stop, p.Shutdown)
	}
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) {
		c.Logger.Warn("telemetry cannot be exported", "error", err)
	}))
	return t, nil
}

func fault(message string, cause error) error {
	return errs.New(errs.Unavailable, "UNAVAILABLE", message).Because(cause)
}

// Shutdown sends what is left and stops. It gives up when ctx ends.
func (t *Telemetry) Shutdown(ctx context.Context) error {
	if t == nil {
		return nil
	}
	var failed []error
	for _, stop := range t.stop {
		failed = append(failed, stop(ctx))
	}
	if err := errors.Join(failed...); err != nil {
		return fault("the last telemetry was not sent", err)
	}
	return nil
}

// Tracer returns a tracer for spans of one's own.
func (t *Telemetry) Tracer(name string) trace.Tracer {
	if t == nil {
		return nooptrace.NewTracerProvider().Tracer(name)
	}
	return t.tracers.Tracer(name)
}

// Server returns what instruments a gRPC server, or nil when telemetry is off.
func (t *Telemetry) Server() stats.Handler {
	if t == nil {
		return nil
	}
	return otelgrpc.NewServerHandler(t.grpc()...)
}

// Client returns the option that instruments a gRPC connection.
func (t *Telemetry) Client() grpc.DialOption {
	if t == nil {
		return grpc.EmptyDialOption{}
	}
	return grpc.WithStatsHandler(otelgrpc.NewClientHandler(t.grpc()...))
}

func (t *Telemetry) grpc() []otelgrpc.Option {
	return []otelgrpc.Option{
		otelgrpc.WithTracerProvider(t.tracers),
		otelgrpc.WithMeterProvider(t.meters),
		otelgrpc.WithPropagators(propagation.TraceContext{}),
		otelgrpc.WithFilter(func(info *stats.RPCTagInfo) bool {
			return !strings.HasPrefix(info.FullMethodName, "/grpc.health.") && !strings.HasPrefix(info.FullMethodName, "/grpc.reflection.")
		}),
	}
}

// Database returns what instruments pgx, or nil when telemetry is off. Statements and their arguments are not recorded.
func (t *Telemetry) Database() pgx.QueryTracer {
	if t == nil {
		return nil
	}
	return otelpgx.NewTracer(
		otelpgx.WithTracerProvider(t.tracers),
		otelpgx.WithMeterProvider(t.meters),
		otelpgx.WithDisableSQLStatementInAttributes(),
		otelpgx.WithDisableAcquireTracer(),
		otelpgx.WithMetricOperationName(otelpgx.SQLOperationName),
	)
}

// ObservePool counts a pool's connections under a name.
func (t *Telemetry) ObservePool(pool *pgxpool.Pool, name string) error {
	if t == nil {
		return nil
	}
	err := otelpgx.RecordStats(pool, otelpgx.WithStatsMeterProvider(t.meters), otelpgx.WithMinimumReadDBStatsInterval(time.Second),
		otelpgx.WithStatsAttributes(attribute.String("db.client.connection.pool.name", name)))
	if err != nil {
		return fault("the pool "+name+" cannot be observed", err)
	}
	return nil
}
