package rpc

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"maps"
	"net"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/test/bufconn"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	authpb "strandline.example/strandline/proto/strandline/auth/v1"
)

// Limits that hold unless the configuration says otherwise.
const (
	DefaultDeadline = 30 * time.Second // of a unary call whose caller set none
	DefaultMessage  = 16 << 20         // bytes of one message, either way
)

// ServerConfig says how a server works. Only Verifier is required.
type ServerConfig struct {
	Verifier        *auth.Verifier              // without one every call is refused
	Clock           clock.Clock                 // the system's if nil
	Logger          *slog.Logger                // slog.Default if nil
	DefaultDeadline time.Duration               // DefaultDeadline if 0
	MaxMessage      int                         // DefaultMessage if 0
	Health          func(context.Context) error // nil error means healthy; asked at each health check; none if nil
	Telemetry       stats.Handler               // of OpenTelemetry; none if nil
	TLS             *tls.Config                 // plain text if nil; see LoadServerTLS
}

// Server is a gRPC server with everything around the handlers. Register services on it, then Serve, or InProcess, or both.
type Server struct {
	config  ServerConfig
	grpc    *grpc.Server
	health  *health
	methods map[string]method // of the registered services; fixed once serving

	draining context.Context // ends when draining starts
	drain    context.CancelFunc
	pipe     sync.Once
	pipeEnd  *bufconn.Listener
	pipeDone chan struct{} // closed when nobody serves the pipe
}

// method is what is known of a registered RPC.
type method struct {
	permission authpb.Permission
	declared   bool // it declares a permission
	open       bool // health and reflection: needs no token
}

// NewServer returns a server without services.
func NewServer(c ServerConfig) *Server {
	if c.Verifier == nil {
		c.Verifier = auth.NewVerifier()
	}
	if c.Clock == nil {
		c.Clock = clock.System{}
	}
	if c.Logger == nil {
		c.Logger = slog.Default()
	}
	if c.DefaultDeadline == 0 {
		c.DefaultDeadline = DefaultDeadline
	}
	if c.MaxMessage == 0 {
		c.MaxMessage = DefaultMessage
	}
	s := &Server{config: c, methods: map[string]method{}, pipeDone: make(chan struct{})}
	s.draining, s.drain = context.WithCancel(context.Background())
	options := []grpc.ServerOption{
		grpc.ForceServerCodecV2(newCodec(c.MaxMessage)),
		grpc.MaxRecvMsgSize(2 * c.MaxMessage), // up to here a message that is too large is refused with details, by the codec
		grpc.MaxSendMsgSize(c.MaxMessage),
		grpc.MaxConcurrentStreams(1000),
		grpc.ConnectionTimeout(20 * time.Second),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: 2 * time.Minute, Timeout: 20 * time.Second}),
		grpc.UnaryInterceptor(s.message),
		grpc.StreamInterceptor(s.stream),
		grpc.UnknownServiceHandler(func(any, grpc.ServerStream) error { return errUnknownMethod }),
	}
	if c.Telemetry != nil {
		options = append(options, grpc.StatsHandler(c.Telemetry))
	}
	if c.TLS != nil {
		options = append(options, grpc.Creds(credentials.NewTLS(c.TLS)))
	}
	s.grpc = grpc.NewServer(options...)
	s.health = newHealth(s)
	healthpb.RegisterHealthServer(opener{s}, s.health)
	reflection.Register(opener{s})
	return s
}

// RegisterService registers a service; it implements grpc.ServiceRegistrar. Each of its RPCs is refused unless its proto declares
// a permission.
func (s *Server) RegisterService(desc *grpc.ServiceDesc, impl any) { s.register(desc, impl, false) }

// opener registers services that need no token.
type opener struct{ *Server }

func (o opener) RegisterService(desc *grpc.ServiceDesc, impl any) { o.register(desc, impl, true) }

func (s *Server) register(desc *grpc.ServiceDesc, impl any, open bool) {
	d := *desc
	d.Methods = slices.Clone(desc.Methods)
	for i := range d.Methods {
		full := s.know(desc.ServiceName, d.Methods[i].MethodName, open)
		d.Methods[i].Handler = s.unary(full, d.Methods[i].Handler)
	}
	for i := range desc.Streams {
		s.know(desc.ServiceName, desc.Streams[i].StreamName, open)
	}
	s.grpc.RegisterService(&d, impl)
	if !open {
		s.health.add(desc.ServiceName)
	}
}

func (s *Server) know(service, name string, open bool) (full string) {
	full = "/" + service + "/" + name
	m := method{open: open}
	m.permission, m.declared = auth.PermissionOf(full)
	s.methods[full] = m
	return full
}

// GetServiceInfo describes the registered services; reflection asks it.
func (s *Server) GetServiceInfo() map[string]grpc.ServiceInfo { return s.grpc.GetServiceInfo() }

// Undeclared returns the registered RPCs that declare no permission and are therefore refused, sorted.
func (s *Server) Undeclared() []string {
	var names []string
	for _, name := range slices.Sorted(maps.Keys(s.methods)) {
		if m := s.methods[name]; !m.declared && !m.open {
			names = append(names, name)
		}
	}
	return names
}

// Serve serves a listener until Drain or a fault of the listener. It returns nil after Drain.
func (s *Server) Serve(lis net.Listener) error {
	if err := s.grpc.Serve(lis); err != nil && !errors.Is(err, grpc.ErrServerStopped) {
		return errs.New(errs.Unavailable, "UNAVAILABLE", "the server cannot listen on "+lis.Addr().String()).Because(err)
	}
	return nil
}

// InProcess returns a connection to the server that stays inside the process. The caller closes it.
func (s *Server) InProcess(opts ...grpc.DialOption) (*grpc.ClientConn, error) {
	s.pipe.Do(func() {
		s.pipeEnd = bufconn.Listen(1 << 20)
		go func() {
			defer close(s.pipeDone)
			if err := s.Serve(s.pipeEnd); err != nil {
				s.config.Logger.Error("the in-process listener stopped", "error", err)
			}
		}()
	})
	dial := grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) {
		if s.pipeEnd == nil {
			return nil, net.ErrClosed // drained before it was ever used
		}
		return s.pipeEnd.DialContext(ctx)
	})
	creds := insecure.NewCredentials()
	if s.config.TLS != nil { // the server speaks TLS on every listener; inside the process nobody can stand between
		creds = credentials.NewTLS(&tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS13, Certificates: s.config.TLS.Certificates})
	}
	return connect("passthrough:///in-process", append([]grpc.DialOption{dial, grpc.WithTransportCredentials(creds)}, opts...)...)
}

// SetServing says whether health checks may answer SERVING; a new server does not.
func (s *Server) SetServing(serving bool) { s.health.set(serving) }

// Drain answers NOT_SERVING to health checks, ends following streams, takes no new calls and waits for those that run. When ctx
// ends it cuts them off. It returns ctx's error in that case.
func (s *Server) Drain(ctx context.Context) error {
	s.SetServing(false)
	s.drain()
	done := make(chan struct{})
	go func() { s.grpc.GracefulStop(); close(done) }()
	var err error
	select {
	case <-done:
	case <-ctx.Done():
		err = ctx.Err()
		s.grpc.Stop()
		<-done
	}
	s.pipe.Do(func() { close(s.pipeDone) }) // never used: nobody will
	<-s.pipeDone
	return err
}
