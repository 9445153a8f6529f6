package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/stack"
	"strandline.example/strandline/internal/telemetry"
	"strandline.example/strandline/services/board"
)

func newServeCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "run everything as one server, or one part of it",
		Long: `Runs registry, history, compliance and the JSON gateway in one process until SIGTERM or SIGINT, which lets running calls
end; a second signal does not wait.

Without --dsn it starts a private PostgreSQL in the data folder and migrates it. With --dsn it uses that one and never
migrates it: 'strandline migrate' does. The first start makes a signing key (key.pem) and an operator's token
(operator.token) in the data folder.

Traces and metrics go where the standard OTEL_EXPORTER_OTLP_ENDPOINT variables say, and nowhere without them.

The parts run apart with 'serve registry', 'serve history', 'serve compliance' and 'serve board'; they need --dsn (all
but board) and the same --key-file, and find one another by --registry-addr, --history-addr and --compliance-addr.`,
		Example: `  strandline serve
  strandline serve --listen :8780 --http :8781 --tls-cert server.pem --tls-key server.key
  strandline serve --dsn postgres://strandline@db/strandline
  strandline serve compliance --dsn postgres://strandline@db/strandline --key-file key.pem --registry-addr registry:8782 --history-addr history:8783`,
		Args: noSuchCommand,
		RunE: func(cmd *cobra.Command, _ []string) error { return a.serve(cmd.Context(), a.serveAll) },
	}
	addSettings(cmd.Flags(), &a.set, serveOnly)
	for _, p := range []struct{ name, short, port string }{
		{"registry", "run the registry alone: what exists", "127.0.0.1:8782"},
		{"history", "run history alone: what happened", "127.0.0.1:8783"},
		{"compliance", "run compliance alone: what is due, held and available", "127.0.0.1:8784"},
		{"board", "run the JSON gateway alone", ""},
	} {
		part := &cobra.Command{
			Use: p.name, Short: p.short, Args: words,
			Example: "  strandline serve " + p.name + " --dsn postgres://strandline@db/strandline --key-file key.pem",
			RunE: func(cmd *cobra.Command, _ []string) error {
				return a.serve(cmd.Context(), func(ctx context.Context, r *serving) error { return a.servePart(ctx, r, p.name) })
			},
		}
		if p.name == "board" {
			part.Example = "  strandline serve board --http :8781 --registry-addr registry:8782 --history-addr history:8783 --compliance-addr compliance:8784"
		}
		addSettings(part.Flags(), &a.set, serveOnly)
		if p.port != "" {
			part.Flags().Lookup("listen").DefValue = p.port
			part.PreRun = func(*cobra.Command, []string) {
				if a.set.Listen == defaultListen {
					a.set.Listen = p.port
				}
			}
		}
		cmd.AddCommand(part)
	}
	return cmd
}

// serving is a server while it runs: what to stop, in which order, and what ends it.
type serving struct {
	log   *slog.Logger
	stops []func(ctx context.Context) error // last first
	fatal chan error
}

func (r *serving) onStop(fn func(ctx context.Context) error) { r.stops = append(r.stops, fn) }

// serve runs build, then waits for a signal or a fault, then stops what was built, last first. A second signal ends the process at
// once; the private database recovers from that.
func (a *app) serve(ctx context.Context, build func(ctx context.Context, r *serving) error) error {
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, syscall.SIGTERM, syscall.SIGINT)
	defer signal.Stop(signals)
	r := &serving{log: a.logger("info"), fatal: make(chan error, 8)}
	err := build(ctx, r)
	if err == nil {
		select {
		case sig := <-signals:
			r.log.Info("stopping: running calls get to end; a second signal does not wait", "signal", sig.String())
		case <-ctx.Done():
			r.log.Info("stopping")
		case err = <-r.fatal:
			r.log.Error("stopping", "error", err)
		}
	}
	stop, cancel := context.WithTimeout(context.Background(), a.set.DrainWait+a.set.DrainTimeout+30*time.Second)
	defer cancel()
	go func() {
		select {
		case sig := <-signals:
			r.log.Warn("stopping at once", "signal", sig.String())
			os.Exit(exitFailure)
		case <-stop.Done():
		}
	}()
	for i := len(r.stops) - 1; i >= 0; i-- {
		if serr := r.stops[i](stop); serr != nil {
			r.log.Error("while stopping", "error", serr)
			err = errors.Join(err, serr)
		}
	}
	if err == nil {
		r.log.Info("stopped")
	}
	return err
}

// serveAll builds everything in one process.
func (a *app) serveAll(ctx context.Context, r *serving) error {
	key, err := a.firstStart(r.log)
	if err != nil {
		return err
	}
	db, err := a.database(ctx, r.log)
	if err != nil {
		return err
	}
	stopping := make(chan struct{})
	r.onStop(func(context.Context) error { close(stopping); return db.stop() })
	if db.exited != nil {
		go func() {
			select {
			case <-stopping:
			case <-db.exited:
				r.fatal <- errs.New(errs.Unavailable, "UNAVAILABLE", "the private PostgreSQL ended; its log is in "+filepath.Join(a.set.Data, "postgres", "log"))
			}
		}()
	}
	c := a.stack(db.dsn, key, r.log)
	if err := a.serveWith(ctx, &c, r); err != nil {
		return err
	}
	st, err := c.All(ctx)
	if err != nil {
		return err
	}
	r.onStop(func(ctx context.Context) error { return st.Stop(ctx, 0, a.set.DrainTimeout) })
	lis, err := listen(a.set.Listen)
	if err != nil {
		return err
	}
	r.onStop(func(context.Context) error { return closed(lis.Close()) })
	conn, err := st.Public().InProcess()
	if err != nil {
		return err
	}
	r.onStop(func(context.Context) error { return conn.Close() })
	httpAddr, err := a.serveHTTP(ctx, r, c.TLS, conn)
	if err != nil {
		return err
	}
	go func() { r.fatal <- st.Public().Serve(lis) }()
	go func() {
		select {
		case <-stopping:
		case err := <-st.Failed():
			r.fatal <- err
		}
	}()
	st.Start()
	r.onStop(func(ctx context.Context) error {
		st.Public().SetServing(false)
		return pause(ctx, a.set.DrainWait)
	})
	state := serverState{PID: os.Getpid(), GRPC: reachable(lis.Addr()), HTTP: httpAddr, TLS: c.TLS != nil, DSN: digest(a.set.DSN), Started: a.clk.Now()}
	if err := state.write(a.set.Data); err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	r.onStop(func(context.Context) error { forgetServer(a.set.Data); return nil })
	r.log.Info("serving", "grpc", state.GRPC, "http", state.HTTP, "data", a.set.Data, "version", version)
	return nil
}

// servePart builds one part in this process.
func (a *app) servePart(ctx context.Context, r *serving, part string) error {
	if part != "board" && a.set.DSN == "" {
		return usagef("serve %s needs --dsn: the parts share one PostgreSQL, and a private one belongs to one process", part)
	}
	c := a.stack(a.set.DSN, nil, r.log)
	if err := a.serveWith(ctx, &c, r); err != nil {
		return err
	}
	if part == "board" {
		conn, closers, err := a.dialServer(fmt.Sprintf("registry=%s,history=%s,compliance=%s", a.set.RegistryAddr, a.set.HistoryAddr, a.set.ComplianceAddr), c.Telemetry.Client())
		for _, fn := range closers {
			r.onStop(func(context.Context) error { return fn() })
		}
		if err != nil {
			return err
		}
		at, err := a.serveHTTP(ctx, r, c.TLS, conn)
		if err == nil {
			r.log.Info("serving", "part", part, "http", at, "version", version)
		}
		return err
	}
	var err error
	// A part never makes a key: the parts would not trust one another.
	if c.Key, err = auth.LoadKey(a.keyFile()); err != nil {
		return err
	}
	dial := func(address string) stack.Dialer {
		return func(opts ...grpc.DialOption) (*grpc.ClientConn, error) {
			own, err := a.dialOptions(address)
			if err != nil {
				return nil, err
			}
			return rpc.Dial(address, append(append(own, c.Telemetry.Client()), opts...)...)
		}
	}
	var s *stack.Service
	switch part {
	case "registry":
		s, err = c.Registry(ctx)
	case "history":
		s, err = c.History(ctx, dial(a.set.RegistryAddr))
	case "compliance":
		s, err = c.Compliance(ctx, dial(a.set.RegistryAddr), dial(a.set.HistoryAddr))
	}
	if err != nil {
		return err
	}
	r.onStop(func(ctx context.Context) error { return s.Stop(ctx, a.set.DrainWait, a.set.DrainTimeout) })
	lis, err := listen(a.set.Listen)
	if err != nil {
		return err
	}
	go func() { r.fatal <- s.Server().Serve(lis) }()
	s.Start(func(err error) { r.fatal <- err })
	r.log.Info("serving", "part", part, "grpc", reachable(lis.Addr()), "version", version)
	return nil
}

// serveWith adds what only a server has: TLS and telemetry.
func (a *app) serveWith(ctx context.Context, c *stack.Config, r *serving) error {
	var err error
	switch {
	case a.set.TLSCert != "" && a.set.TLSKey != "":
		if c.TLS, err = rpc.LoadServerTLS(a.set.TLSCert, a.set.TLSKey, ""); err != nil {
			return err
		}
	case a.set.TLSCert != "" || a.set.TLSKey != "":
		return usagef("--tls-cert and --tls-key go together")
	}
	if c.Telemetry, err = telemetry.Setup(ctx, telemetry.Config{Version: version, Logger: r.log}); err != nil {
		return err
	}
	r.onStop(func(ctx context.Context) error {
		// A collector that is gone must not keep the server from stopping, nor make it look failed.
		if err := c.Telemetry.Shutdown(ctx); err != nil {
			r.log.Warn("telemetry was not all sent", "error", err)
		}
		return nil
	})
	return nil
}

// serveHTTP starts the board over a connection and returns where it listens.
func (a *app) serveHTTP(ctx context.Context, r *serving, tlsConfig *tls.Config, conn grpc.ClientConnInterface) (string, error) {
	b, err := board.New(ctx, board.Config{Conn: conn, Clock: a.clk, Logger: r.log.With("service", "board")})
	if err != nil {
		return "", err
	}
	lis, err := listen(a.set.HTTP)
	if err != nil {
		return "", err
	}
	at := reachable(lis.Addr())
	if tlsConfig != nil {
		own := tlsConfig.Clone()
		own.NextProtos = []string{"http/1.1"}
		lis = tls.NewListener(lis, own)
	}
	go func() { r.fatal <- b.Serve(lis) }()
	r.onStop(func(ctx context.Context) error {
		ctx, cancel := context.WithTimeout(ctx, a.set.DrainTimeout)
		defer cancel()
		return b.Drain(ctx)
	})
	return at, nil
}

// firstStart makes the key and the operator's token where there are none, and says where they are.
func (a *app) firstStart(log *slog.Logger) (*auth.Key, error) {
	if err := os.MkdirAll(a.set.Data, 0o755); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	_, statErr := os.Stat(a.keyFile())
	key, err := auth.LoadOrCreateKey(a.keyFile())
	if err != nil {
		return nil, err
	}
	if os.IsNotExist(statErr) {
		log.Info("made a signing key: back it up, and let nobody read it", "file", a.keyFile())
	}
	path := filepath.Join(a.set.Data, "operator.token")
	if raw, err := os.ReadFile(path); err == nil {
		if _, err := auth.NewVerifier(key.Public()).Verify(strings.TrimSpace(string(raw)), a.clk.Now().Add(24*time.Hour)); err == nil {
			return key, nil
		}
	}
	now := a.clk.Now()
	token, err := key.Mint(auth.Claims{Subject: "operator", Role: auth.RoleOperator, Issued: now, Expires: now.AddDate(0, 3, 0)})
	if err != nil {
		return nil, err
	}
	if err := writeWhole(path, []byte(token+"\n"), 0o600); err != nil {
		return nil, err
	}
	log.Info("made an operator's token, good for three months; 'strandline token' makes others", "file", path)
	return key, nil
}

func newMigrateCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "migrate",
		Short: "bring a database's schemas and roles up to this version",
		Long: `Makes the roles, the schemas and everything in them, up to this version, on the PostgreSQL of --dsn. Its user has to be able
to create roles and schemas, and will own them; the services run as roles that own nothing. It is safe to run at any time
and from several places at once. A server on a private database does it by itself.`,
		Example:     `  strandline migrate --dsn postgres://admin@db/strandline`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, _ []string) error {
			if a.set.DSN == "" {
				return usagef("--dsn (or STRANDLINE_DSN) is needed: which database?")
			}
			if err := pg.Migrate(cmd.Context(), a.set.DSN, stack.Schemas()...); err != nil {
				return err
			}
			if a.json() {
				return a.printValue(map[string]bool{"migrated": true})
			}
			a.printf("The database is at this version.\n")
			return nil
		},
	}
}

// listen opens a port; what is wrong with the address, or who has it, is the caller's to mend.
func listen(address string) (net.Listener, error) {
	lis, err := net.Listen("tcp", address)
	if err != nil {
		return nil, errs.New(errs.Unavailable, "UNAVAILABLE", "cannot listen on "+address+"; another server may have it, or pass another address", "address", address).Because(err)
	}
	return lis, nil
}

// reachable is where a listener is reached from this machine.
func reachable(at net.Addr) string {
	host, port, err := net.SplitHostPort(at.String())
	if err != nil {
		return at.String()
	}
	if ip := net.ParseIP(host); ip == nil || ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port)
}

// pause waits for d or until ctx ends.
func pause(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
	return nil
}

func closed(err error) error {
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}
