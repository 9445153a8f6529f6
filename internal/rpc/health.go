package rpc

import (
	"context"
	"sync"
	"time"

	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/errs"
)

const (
	healthPause = 5 * time.Second // between two looks of a watcher
	healthLimit = 3 * time.Second // for one look
)

// health is the standard health service. A service is SERVING while the server was told so and its own check passes.
type health struct {
	healthpb.UnimplementedHealthServer
	server *Server

	mu       sync.Mutex
	services map[string]bool
	serving  bool
	changed  chan struct{} // closed and replaced at each change of serving
}

func newHealth(s *Server) *health {
	return &health{server: s, services: map[string]bool{"": true}, changed: make(chan struct{})}
}

func (h *health) add(service string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.services[service] = true
}

func (h *health) set(serving bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.serving != serving {
		h.serving = serving
		close(h.changed)
		h.changed = make(chan struct{})
	}
}

// look returns the state of a service and a channel that closes when it may have changed.
func (h *health) look(ctx context.Context, service string) (healthpb.HealthCheckResponse_ServingStatus, <-chan struct{}) {
	h.mu.Lock()
	known, serving, changed := h.services[service], h.serving, h.changed
	h.mu.Unlock()
	switch {
	case !known:
		return healthpb.HealthCheckResponse_SERVICE_UNKNOWN, changed
	case !serving:
		return healthpb.HealthCheckResponse_NOT_SERVING, changed
	case h.server.config.Health != nil:
		ctx, cancel := context.WithTimeout(ctx, healthLimit)
		defer cancel()
		if h.server.config.Health(ctx) != nil {
			return healthpb.HealthCheckResponse_NOT_SERVING, changed
		}
	}
	return healthpb.HealthCheckResponse_SERVING, changed
}

// Check answers for one service, or for the server with the empty name.
func (h *health) Check(ctx context.Context, req *healthpb.HealthCheckRequest) (*healthpb.HealthCheckResponse, error) {
	state, _ := h.look(ctx, req.GetService())
	if state == healthpb.HealthCheckResponse_SERVICE_UNKNOWN {
		return nil, errs.Missing("the service " + clip(req.GetService(), maxValue))
	}
	return &healthpb.HealthCheckResponse{Status: state}, nil
}

// Watch answers at once and at each change.
func (h *health) Watch(req *healthpb.HealthCheckRequest, stream grpc.ServerStreamingServer[healthpb.HealthCheckResponse]) error {
	ctx := stream.Context()
	last := healthpb.HealthCheckResponse_ServingStatus(-1)
	tick := time.NewTicker(healthPause)
	defer tick.Stop()
	for {
		state, changed := h.look(ctx, req.GetService())
		if state != last {
			if err := stream.Send(&healthpb.HealthCheckResponse{Status: state}); err != nil {
				return err
			}
			last = state
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-changed:
		case <-tick.C:
		}
	}
}

// List answers for every service.
func (h *health) List(ctx context.Context, _ *healthpb.HealthListRequest) (*healthpb.HealthListResponse, error) {
	h.mu.Lock()
	names := make([]string, 0, len(h.services))
	for name := range h.services {
		names = append(names, name)
	}
	h.mu.Unlock()
	state, _ := h.look(ctx, "")
	if ctx.Err() != nil {
		return nil, status.FromContextError(ctx.Err()).Err()
	}
	out := &healthpb.HealthListResponse{Statuses: make(map[string]*healthpb.HealthCheckResponse, len(names))}
	for _, name := range names {
		out.Statuses[name] = &healthpb.HealthCheckResponse{Status: state}
	}
	return out, nil
}
