package main

import (
	"github.com/spf13/cobra"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"strandline.example/strandline/internal/errs"
)

func newHealthCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "health",
		Short: "ask a server whether it serves",
		Long: `Asks the standard gRPC health service of --server, or of the local server; it needs no token. Exit code 0 while it serves, 6
otherwise. Container platforms can ask the port itself instead.`,
		Example: `  strandline health
  strandline health --server 127.0.0.1:8783 --timeout 2s`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			target := a.set.Server
			if target == "" {
				s, err := readServerState(a.set.Data)
				if err != nil || !s.alive() {
					return errs.New(errs.Unavailable, "UNAVAILABLE", "no server runs in "+a.set.Data)
				}
				target = s.address()
			}
			conn, closers, err := a.dialServer(target)
			if err != nil {
				return err
			}
			defer func() {
				for _, fn := range closers {
					_ = fn()
				}
			}()
			h, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
			if err != nil {
				return err
			}
			if a.json() {
				if err := a.printJSON(h); err != nil {
					return err
				}
			}
			if h.GetStatus() != healthpb.HealthCheckResponse_SERVING {
				return errs.New(errs.Unavailable, "UNAVAILABLE", target+" is not serving")
			}
			if !a.json() {
				a.printf("%s is serving\n", target)
			}
			return nil
		},
	}
}
