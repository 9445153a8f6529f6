// Package board serves HTTP: the JSON gateway of the gRPC API, its OpenAPI file, and what probes and readers of errors need. It has
// no database and decides nothing; every call goes to the gRPC server with the caller's own token.
//
// JSON is the proto3 JSON mapping: lowerCamelCase names, 64-bit integers as strings, RFC 3339 timestamps, enum values by name.
// Scalars and lists are always written, also when zero or empty, so that a client never has to tell "false" from "absent"; a message
// that is not set is left out. A field of a request that the API does not know is refused, since a misspelt condition must not be
// ignored. Errors are problems of RFC 9457 (see problem.go).
package board

import (
	"context"
	_ "embed"
	"log/slog"
	"net"
	"net/http"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/encoding/protojson"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

//go:generate go run ./generate

//go:embed openapi/strandline.swagger.json
var openAPI []byte

// DefaultBody is the largest request body, in bytes, unless the configuration says otherwise. JSON is larger than the message it
// stands for, so that this stays below the gRPC server's own limit in nearly every case.
const DefaultBody = 16 << 20

// Config says what a board works with. Only Conn is required.
type Config struct {
	Conn    grpc.ClientConnInterface // to a gRPC server with the public services; without a token of its own
	Clock   clock.Clock              // the system's if nil
	Logger  *slog.Logger             // slog.Default if nil
	MaxBody int64                    // DefaultBody if 0
	Write   time.Duration            // in which an answer must be written, or one message of a stream; 2 minutes if 0
}

// Board is an HTTP server.
type Board struct {
	config Config
	health healthpb.HealthClient
	server *http.Server
}

// New returns a board that answers nothing yet.
func New(ctx context.Context, c Config) (*Board, error) {
	if c.Conn == nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "the board needs a connection to the gRPC server")
	}
	if c.Clock == nil {
		c.Clock = clock.System{}
	}
	if c.Logger == nil {
		c.Logger = slog.Default()
	}
	if c.MaxBody == 0 {
		c.MaxBody = DefaultBody
	}
	if c.Write == 0 {
		c.Write = 2 * time.Minute
	}
	b := &Board{config: c, health: healthpb.NewHealthClient(c.Conn)}
	api, err := b.gateway(ctx)
	if err != nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "the gateway cannot start").Because(err)
	}
	b.server = &http.Server{
		Handler:           b.around(b.routes(api)),
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       time.Minute,
		WriteTimeout:      c.Write,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    32 << 10,
		ErrorLog:          slog.NewLogLogger(c.Logger.Handler(), slog.LevelWarn),
	}
	return b, nil
}

// Handler returns what the board answers with, for a server of one's own.
func (b *Board) Handler() http.Handler { return b.server.Handler }

// Serve serves a listener until Drain or a fault of the listener. It returns nil after Drain.
func (b *Board) Serve(lis net.Listener) error {
	if err := b.server.Serve(lis); err != http.ErrServerClosed {
		return errs.New(errs.Unavailable, "UNAVAILABLE", "the board cannot listen on "+lis.Addr().String()).Because(err)
	}
	return nil
}

// Drain takes no new requests and waits for those that run; when ctx ends it cuts them off and returns ctx's error.
func (b *Board) Drain(ctx context.Context) error {
	err := b.server.Shutdown(ctx)
	if err != nil {
		_ = b.server.Close() // ctx's error says it all
	}
	return err
}

func (b *Board) routes(api http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(openAPI) // the client is gone if this fails
	})
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { text(w, "ok\n") })
	mux.HandleFunc("GET /readyz", b.ready)
	mux.HandleFunc("GET /problems", allReasons)
	mux.HandleFunc("GET /problems/{reason}", oneReason)
	mux.Handle("/v1/", api)
	mux.Handle("/v1:evaluate", api)
	mux.Handle("/v1:judge", api)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) { b.noRoute(w, r, http.StatusNotFound) })
	for _, path := range []string{"/openapi.json", "/healthz", "/readyz", "/problems", "/problems/{reason}"} {
		mux.HandleFunc(path, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Allow", "GET, HEAD")
			b.noRoute(w, r, http.StatusMethodNotAllowed)
		})
	}
	return mux
}

// ready answers 200 while the gRPC server behind the board is serving.
func (b *Board) ready(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 3*time.Second)
	defer cancel()
	answer, err := b.health.Check(ctx, &healthpb.HealthCheckRequest{})
	if err != nil || answer.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		b.problem(w, r, problemOf(http.StatusServiceUnavailable, "UNAVAILABLE", "the services behind this one are not ready"))
		return
	}
	text(w, "ready\n")
}

func text(w http.ResponseWriter, s string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte(s)) // the client is gone if this fails
}

// gateway returns the handler that turns JSON into gRPC.
func (b *Board) gateway(ctx context.Context) (http.Handler, error) {
	useStrictQuery.Do(func() { runtime.SetQueryParameterParser(strictQuery{})(nil) })
	mux := runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, &runtime.JSONPb{
			MarshalOptions:   protojson.MarshalOptions{EmitDefaultValues: true},
			UnmarshalOptions: protojson.UnmarshalOptions{},
		}),
		runtime.WithIncomingHeaderMatcher(func(string) (string, bool) { return "", false }), // Authorization is passed on by itself
		runtime.WithOutgoingHeaderMatcher(func(string) (string, bool) { return "", false }),
		runtime.WithOutgoingTrailerMatcher(func(string) (string, bool) { return "", false }),
		runtime.WithErrorHandler(b.callFailed),
		runtime.WithRoutingErrorHandler(func(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, status int) {
			b.noRoute(w, r, status)
		}),
		runtime.WithDisablePathLengthFallback(),
		runtime.WithDisableHTTPMethodOverride(),
		runtime.WithMiddlewares(noteCall, b.refusedStreams),
	)
	for _, register := range []func(context.Context, *runtime.ServeMux, grpc.ClientConnInterface) error{
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return registrypb.RegisterRegistryServiceHandlerClient(ctx, m, registrypb.NewRegistryServiceClient(c))
		},
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return historypb.RegisterHistoryServiceHandlerClient(ctx, m, historypb.NewHistoryServiceClient(c))
		},
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return historypb.RegisterBenchServiceHandlerClient(ctx, m, historypb.NewBenchServiceClient(c))
		},
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return historypb.RegisterProcedureServiceHandlerClient(ctx, m, historypb.NewProcedureServiceClient(c))
		},
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return historypb.RegisterOrderServiceHandlerClient(ctx, m, historypb.NewOrderServiceClient(c))
		},
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return historypb.RegisterLotServiceHandlerClient(ctx, m, historypb.NewLotServiceClient(c))
		},
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return compliancepb.RegisterComplianceServiceHandlerClient(ctx, m, compliancepb.NewComplianceServiceClient(c))
		},
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return compliancepb.RegisterAvailabilityServiceHandlerClient(ctx, m, compliancepb.NewAvailabilityServiceClient(c))
		},
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return compliancepb.RegisterRecallServiceHandlerClient(ctx, m, compliancepb.NewRecallServiceClient(c))
		},
		func(ctx context.Context, m *runtime.ServeMux, c grpc.ClientConnInterface) error {
			return compliancepb.RegisterCertificateServiceHandlerClient(ctx, m, compliancepb.NewCertificateServiceClient(c))
		},
	} {
		if err := register(ctx, mux, b.config.Conn); err != nil {
			return nil, err
		}
	}
	return mux, nil
}
