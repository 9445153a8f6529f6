package telemetry_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/metric/metricdata"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"go.opentelemetry.io/otel/trace"
	metricspb "go.opentelemetry.io/proto/otlp/collector/metrics/v1"
	tracespb "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/telemetry"
	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

const serial = "SN-4711-secret"

// registry inserts the serial number of the unit it is asked for, by a bind parameter, and fails in every way a store can.
type registry struct {
	registrypb.UnimplementedRegistryServiceServer
	db *pg.DB
}

func (r registry) ListUnits(ctx context.Context, req *registrypb.ListUnitsRequest) (*registrypb.ListUnitsResponse, error) {
	org := tenant.Must("reef")
	err := r.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into units (org_id, serial) values ($1, $2)`, org.UUID, req.GetFilter())
		return err
	})
	if err != nil {
		return nil, errs.New(errs.Unavailable, "UNAVAILABLE", req.GetFilter()+" cannot be stored").Because(err)
	}
	return &registrypb.ListUnitsResponse{}, nil
}

func (r registry) GetOrg(ctx context.Context, req *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
	_, err := r.db.Pool().Exec(ctx, `select '`+serial+`'::int`) // a literal in the statement, and the value in the server's message
	return nil, errs.New(errs.Internal, "INTERNAL", serial).Because(err)
}

// system is a server with a database behind it and a client before it, both watched. Once finish has returned, every call has ended at the server too.
func system(t *testing.T, tel *telemetry.Telemetry) (conn *grpc.ClientConn, finish func()) {
	t.Helper()
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: schema.Role, Schema: schema.Name, Tracer: tel.Database()})
	if err := tel.ObservePool(db.Pool(), schema.Name); err != nil {
		t.Fatal(err)
	}
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	server := rpc.NewServer(rpc.ServerConfig{Verifier: auth.NewVerifier(key.Public()), Clock: clock.NewFake(now), Telemetry: tel.Server(), Logger: slog.New(slog.DiscardHandler)})
	registrypb.RegisterRegistryServiceServer(server, registry{db: db})
	server.SetServing(true)
	conn, err = server.InProcess(tel.Client(), grpc.WithPerRPCCredentials(rpc.ServiceToken(key, "test", clock.NewFake(now))))
	if err != nil {
		t.Fatal(err)
	}
	finish = sync.OnceFunc(func() {
		_ = conn.Close()
		_ = server.Drain(context.WithoutCancel(t.Context()))
	})
	t.Cleanup(finish)
	return conn, finish
}

func TestOneCallMakesLinkedSpans(t *testing.T) {
	spans, reader := tracetest.NewInMemoryExporter(), sdkmetric.NewManualReader()
	tel, err := telemetry.Setup(t.Context(), telemetry.Config{Version: "v9", Getenv: func(string) string { return "" }, SpanExporter: spans, MetricReader: reader})
	if err != nil {
		t.Fatal(err)
	}
	conn, _ := system(t, tel)
	client := registrypb.NewRegistryServiceClient(conn)
	if _, err := client.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: "orgs/reef", Filter: serial}); err != nil {
		t.Fatal(err)
	}
	// ended returns the spans once so many of the server's are among them: one ends after its answer has gone.
	ended := func(servers int) (got tracetest.SpanStubs) {
		for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
			n := 0
			got = spans.GetSpans()
			for _, s := range got {
				if s.SpanKind == trace.SpanKindServer {
					n++
				}
			}
			if n >= servers {
				break
			}
		}
		return got
	}
	got := ended(1)
	byID := map[trace.SpanID]tracetest.SpanStub{}
	traces := map[trace.TraceID]bool{}
	for _, s := range got {
		byID[s.SpanContext.SpanID()] = s
		traces[s.SpanContext.TraceID()] = true
	}
	// Spans of the pool opening its connections belong to whoever asked first; all of this call's are in one trace.
	var client1, server1 tracetest.SpanStub
	statements := 0
	for _, s := range got {
		switch {
		case s.SpanKind == trace.SpanKindClient && s.Name == "strandline.registry.v1.RegistryService/ListUnits":
			client1 = s
		case s.SpanKind == trace.SpanKindServer:
			server1 = s
		}
	}
	if !client1.SpanContext.IsValid() || !server1.SpanContext.IsValid() || server1.Parent.SpanID() != client1.SpanContext.SpanID() {
		t.Fatalf("client %v, server %v with parent %v", client1.SpanContext, server1.SpanContext, server1.Parent)
	}
	for _, s := range got {
		if s.InstrumentationScope.Name == "github.com/exaring/otelpgx" && s.SpanContext.TraceID() == client1.SpanContext.TraceID() {
			statements++
			up := s
			for up.SpanContext.SpanID() != server1.SpanContext.SpanID() && up.Parent.IsValid() {
				up = byID[up.Parent.SpanID()]
			}
			if up.SpanContext.SpanID() != server1.SpanContext.SpanID() {
				t.Errorf("the span %s is not below the server's", s.Name)
			}
		}
	}
	if statements == 0 {
		t.Errorf("no statement is below the call: %d spans, %d traces", len(got), len(traces))
	}
	for _, kv := range client1.Resource.Attributes() {
		if kv.Key == "service.name" && kv.Value.AsString() != "strandline" || kv.Key == "service.version" && kv.Value.AsString() != "v9" {
			t.Errorf("%s is %s", kv.Key, kv.Value.AsString())
		}
	}

	// Now the failures: a duplicate, a bad statement.
	_, err = client.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: "orgs/reef", Filter: serial})
	if status.Code(err) != codes.Unavailable {
		t.Errorf("duplicate: %v", err)
	}
	if _, err = client.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"}); status.Code(err) != codes.Internal {
		t.Errorf("bad statement: %v", err)
	}
	if _, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Error(err)
	}
	if slices.ContainsFunc(spans.GetSpans(), func(s tracetest.SpanStub) bool { return strings.Contains(s.Name, "grpc.health") }) {
		t.Error("a health check makes spans")
	}
	failed := 0
	for _, s := range spans.GetSpans() {
		if s.Status.Code.String() == "Error" {
			failed++
		}
		if text := fmt.Sprintf("%+v", s); strings.Contains(text, serial) {
			t.Errorf("a span tells the serial number: %s", text)
		}
	}
	if failed < 3 {
		t.Errorf("%d failed spans", failed)
	}

	var metrics metricdata.ResourceMetrics
	if err := reader.Collect(t.Context(), &metrics); err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	for _, s := range metrics.ScopeMetrics {
		for _, m := range s.Metrics {
			names[m.Name] = true
		}
	}
	for _, want := range []string{"rpc.server.call.duration", "rpc.client.call.duration", "db.client.operation.duration"} {
		if !names[want] {
			t.Errorf("no metric %s in %v", want, names)
		}
	}
	pool := false
	for n := range names {
		pool = pool || strings.Contains(n, "pool") || strings.HasPrefix(n, "pgxpool")
	}
	if !pool {
		t.Errorf("no metric of the pool in %v", names)
	}
	if text := fmt.Sprintf("%+v", metrics); strings.Contains(text, serial) {
		t.Errorf("a metric tells the serial number: %s", text)
	}
	if err := tel.Shutdown(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestSilentUnlessConfigured(t *testing.T) {
	for _, env := range []map[string]string{
		nil,
		{"OTEL_SERVICE_NAME": "x"},
		{"OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:1", "OTEL_SDK_DISABLED": "true"},
	} {
		tel, err := telemetry.Setup(t.Context(), telemetry.Config{Getenv: func(k string) string { return env[k] }})
		if err != nil || tel != nil {
			t.Errorf("%v: %v, %v", env, tel, err)
		}
		if tel.Server() != nil || tel.Database() != nil || tel.Client() == nil || tel.Tracer("x") == nil || tel.ObservePool(nil, "x") != nil || tel.Shutdown(t.Context()) != nil {
			t.Errorf("%v: the nil telemetry does something", env)
		}
	}
	conn, _ := system(t, nil)
	if _, err := registrypb.NewRegistryServiceClient(conn).ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: "orgs/reef", Filter: serial}); err != nil {
		t.Error(err)
	}
}

// collector is the receiving end of OTLP over gRPC, as the protocol's own generated service has it.
type collector struct {
	tracespb.UnimplementedTraceServiceServer
	mu    sync.Mutex
	spans []string
}

func (c *collector) Export(_ context.Context, req *tracespb.ExportTraceServiceRequest) (*tracespb.ExportTraceServiceResponse, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, r := range req.GetResourceSpans() {
		name := ""
		for _, kv := range r.GetResource().GetAttributes() {
			if kv.GetKey() == "service.name" {
				name = kv.GetValue().GetStringValue()
			}
		}
		for _, s := range r.GetScopeSpans() {
			for _, span := range s.GetSpans() {
				c.spans = append(c.spans, name+" "+span.GetName()+" "+span.GetStatus().GetMessage())
			}
		}
	}
	return &tracespb.ExportTraceServiceResponse{}, nil
}

type metricCollector struct {
	metricspb.UnimplementedMetricsServiceServer
	mu    sync.Mutex
	names map[string]bool
}

func (c *metricCollector) Export(_ context.Context, req *metricspb.ExportMetricsServiceRequest) (*metricspb.ExportMetricsServiceResponse, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, r := range req.GetResourceMetrics() {
		for _, s := range r.GetScopeMetrics() {
			for _, m := range s.GetMetrics() {
				c.names[m.GetName()] = true
			}
		}
	}
	return &metricspb.ExportMetricsServiceResponse{}, nil
}

// TestOTLP sends to a collector over the wire: the environment variables are those of the OpenTelemetry specification (OTLP exporter).
func TestOTLP(t *testing.T) {
	traces, metrics := &collector{}, &metricCollector{names: map[string]bool{}}
	server := grpc.NewServer()
	tracespb.RegisterTraceServiceServer(server, traces)
	metricspb.RegisterMetricsServiceServer(server, metrics)
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- server.Serve(lis) }()
	t.Cleanup(func() {
		server.Stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", "http://"+lis.Addr().String())
	tel, err := telemetry.Setup(t.Context(), telemetry.Config{Version: "v9"})
	if err != nil {
		t.Fatal(err)
	}
	conn, finish := system(t, tel)
	client := registrypb.NewRegistryServiceClient(conn)
	if _, err := client.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: "orgs/reef", Filter: serial}); err != nil {
		t.Fatal(err)
	}
	if _, err := client.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"}); err == nil {
		t.Fatal("want an error")
	}
	finish()
	if err := tel.Shutdown(t.Context()); err != nil {
		t.Fatal(err)
	}
	all := strings.Join(traces.spans, "\n")
	if strings.Count(all, "strandline strandline.registry.v1.RegistryService/ListUnits") != 2 || !strings.Contains(all, "strandline insert") && !strings.Contains(all, "strandline INSERT") {
		t.Errorf("the collector received\n%s", all)
	}
	if strings.Contains(all, serial) {
		t.Errorf("the collector was told the serial number:\n%s", all)
	}
	if !metrics.names["rpc.server.call.duration"] || !metrics.names["db.client.operation.duration"] {
		t.Errorf("the collector received %v", metrics.names)
	}
}

// A collector that is away must not hold up anything but the last goodbye.
func TestCollectorAway(t *testing.T) {
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", "http://127.0.0.1:1")
	t.Setenv("OTEL_EXPORTER_OTLP_TIMEOUT", "50")
	var log bytes.Buffer
	tel, err := telemetry.Setup(t.Context(), telemetry.Config{Logger: slog.New(slog.NewTextHandler(&log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	conn, _ := system(t, tel)
	if _, err := registrypb.NewRegistryServiceClient(conn).ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: "orgs/reef", Filter: serial}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if err := tel.Shutdown(ctx); err == nil {
		t.Error("the loss is not told")
	}
}

func TestLoggerAddsTheTrace(t *testing.T) {
	for _, asJSON := range []bool{true, false} {
		var out bytes.Buffer
		log := telemetry.NewLogger(&out, asJSON, slog.LevelInfo).With("service", "registry")
		ctx := trace.ContextWithSpanContext(t.Context(), trace.NewSpanContext(trace.SpanContextConfig{TraceID: trace.TraceID{1}, SpanID: trace.SpanID{2}}))
		log.DebugContext(ctx, "hidden")
		log.InfoContext(ctx, "shown")
		log.InfoContext(ctx, "own", "trace_id", "mine")
		log.Info("without")
		lines := strings.Split(strings.TrimSpace(out.String()), "\n")
		if len(lines) != 3 || !strings.Contains(lines[0], "01000000000000000000000000000000") || strings.Count(lines[1], "trace_id") != 1 || strings.Contains(lines[2], "trace_id") {
			t.Errorf("%s", out.String())
		}
		if asJSON && !json.Valid([]byte(lines[0])) {
			t.Errorf("not JSON: %s", lines[0])
		}
	}
}
