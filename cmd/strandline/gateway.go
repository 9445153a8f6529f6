package main

import (
	"context"
	"log/slog"
	"net/http"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// gateway returns the JSON gateway over the services' connections. It adds no credentials: the caller's go through.
func gateway(ctx context.Context, registry, history, compliance *grpc.ClientConn, _ *slog.Logger) (http.Handler, error) {
	mux := runtime.NewServeMux()
	for _, s := range []struct {
		register func(context.Context, *runtime.ServeMux, *grpc.ClientConn) error
		conn     *grpc.ClientConn
	}{
		{registrypb.RegisterRegistryServiceHandler, registry},
		{historypb.RegisterHistoryServiceHandler, history},
		{compliancepb.RegisterComplianceServiceHandler, compliance},
		{compliancepb.RegisterAvailabilityServiceHandler, compliance},
	} {
		if err := s.register(ctx, mux, s.conn); err != nil {
			return nil, err
		}
	}
	return mux, nil
}
