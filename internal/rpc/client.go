package rpc

import (
	"context"
	"crypto/tls"
	"net"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	protofiles "strandline.example/strandline/proto"
)

// Dial returns a connection to a server at target, which is `host:port`, `unix:/path` or any other gRPC target. It connects when
// it is first used. Reads are repeated while the server is unavailable, as proto/service_config.json says; writes never are.
//
// A server on another machine is spoken to by TLS with the system's roots; one on this machine (loopback or unix socket) in plain
// text. grpc.WithTransportCredentials among opts replaces that.
func Dial(target string, opts ...grpc.DialOption) (*grpc.ClientConn, error) {
	creds := credentials.NewTLS(&tls.Config{MinVersion: tls.VersionTLS12})
	if local(target) {
		creds = insecure.NewCredentials()
	}
	return connect(target, append([]grpc.DialOption{grpc.WithTransportCredentials(creds)}, opts...)...)
}

// longestAway is how long a connection waits at most between two attempts.
const longestAway = 5 * time.Second

func connect(target string, opts ...grpc.DialOption) (*grpc.ClientConn, error) {
	all := append([]grpc.DialOption{
		grpc.WithDefaultServiceConfig(protofiles.ServiceConfig),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(DefaultMessage), grpc.MaxCallSendMsgSize(DefaultMessage)),
		// A server that is back is seen soon, however long it was away: a gate stays shut until then.
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: time.Second, Multiplier: 1.6, Jitter: 0.2, MaxDelay: longestAway}, MinConnectTimeout: 20 * time.Second}),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 30 * time.Second, Timeout: 20 * time.Second}),
		grpc.WithChainUnaryInterceptor(traceUnary),
		grpc.WithChainStreamInterceptor(traceStream),
	}, opts...)
	conn, err := grpc.NewClient(target, all...)
	if err != nil {
		return nil, errs.New(errs.Invalid, "INVALID_FIELD", "no server can be at "+target, "target", target).Because(err)
	}
	return conn, nil
}

// local says whether a target is on this machine.
func local(target string) bool {
	if strings.HasPrefix(target, "unix:") || strings.HasPrefix(target, "unix-abstract:") {
		return true
	}
	address := target
	if i := strings.LastIndex(target, "/"); i >= 0 {
		address = target[i+1:]
	}
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		host = address
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// BearerToken sends a token with every call.
func BearerToken(token string) credentials.PerRPCCredentials {
	return bearerToken{func() (string, error) { return token, nil }}
}

// ServiceToken sends a token of the role service with every call; it mints one with the key and a new one before that expires.
func ServiceToken(key *auth.Key, subject string, clk clock.Clock) credentials.PerRPCCredentials {
	const life, spare = 10 * time.Minute, 2 * time.Minute
	var (
		mu      sync.Mutex
		token   string
		expires time.Time
	)
	return bearerToken{func() (string, error) {
		mu.Lock()
		defer mu.Unlock()
		now := clk.Now()
		if token != "" && now.Before(expires.Add(-spare)) && now.After(expires.Add(-life-spare)) {
			return token, nil
		}
		minted, err := key.Mint(auth.Claims{Subject: subject, Role: auth.RoleService, Issued: now, Expires: now.Add(life)})
		if err != nil {
			return "", err
		}
		token, expires = minted, now.Add(life)
		return token, nil
	}}
}

type bearerToken struct{ get func() (string, error) }

func (b bearerToken) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	token, err := b.get()
	if err != nil {
		return nil, Status(err).Err()
	}
	return map[string]string{"authorization": "Bearer " + token}, nil
}

// RequireTransportSecurity is false because unix sockets and in-process pipes have none; Dial chooses TLS for other machines.
func (bearerToken) RequireTransportSecurity() bool { return false }
