package stack

import (
	"context"
	"errors"
	"math"
	"time"

	"google.golang.org/grpc"

	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// Stack is the three services in one process, connected inside it, behind one public server.
type Stack struct {
	services []*Service // in the order they depend on one another
	public   *rpc.Server
	feeds    []*grpc.ClientConn // registry's and history's, for their heads
	failed   chan error
}

// All builds the three services in this process. Between them there is what there is between processes: gRPC clients, tokens,
// permissions.
func (c Config) All(ctx context.Context) (_ *Stack, err error) {
	st := &Stack{failed: make(chan error, 1)}
	inside := c
	inside.TLS = nil // between the services nothing leaves the process
	defer func() {
		if err != nil {
			err = errors.Join(err, st.close())
		}
	}()
	reg, err := inside.Registry(ctx)
	if err != nil {
		return nil, err
	}
	st.services = append(st.services, reg)
	his, err := inside.History(ctx, reg.server.InProcess)
	if err != nil {
		return nil, err
	}
	st.services = append(st.services, his)
	com, err := inside.Compliance(ctx, reg.server.InProcess, his.server.InProcess)
	if err != nil {
		return nil, err
	}
	st.services = append(st.services, com)
	for _, s := range []*Service{reg, his} {
		conn, err := s.server.InProcess(c.serviceToken("heads"))
		if err != nil {
			return nil, err
		}
		st.feeds = append(st.feeds, conn)
	}
	st.public = c.newServer(reg.db, his.db, com.db)
	for _, s := range st.services {
		s.register(st.public)
	}
	return st, nil
}

// Public returns the server with every public API and no feed.
func (st *Stack) Public() *rpc.Server { return st.public }

// Failed gets the error of a service that stopped working by itself.
func (st *Stack) Failed() <-chan error { return st.failed }

// Start lets the services answer and compliance follow the feeds.
func (st *Stack) Start() {
	for _, s := range st.services {
		s.Start(func(err error) {
			select {
			case st.failed <- err:
			default: // one is enough
			}
		})
	}
	st.public.SetServing(true)
}

// Stop ends everything in order: no new calls, running ones out, then what they need. wait is the time between saying NOT_SERVING
// and refusing calls; limit is what running calls get.
func (st *Stack) Stop(ctx context.Context, wait, limit time.Duration) error {
	st.public.SetServing(false)
	pause(ctx, wait)
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	all := []error{st.public.Drain(ctx)}
	for i := len(st.services) - 1; i >= 0; i-- {
		st.services[i].rest()
	}
	for i := len(st.services) - 1; i >= 0; i-- {
		all = append(all, st.services[i].server.Drain(ctx))
	}
	return errors.Join(append(all, st.close())...)
}

func (st *Stack) close() error {
	var all []error
	for _, c := range st.feeds {
		all = append(all, c.Close())
	}
	for i := len(st.services) - 1; i >= 0; i-- {
		all = append(all, st.services[i].close())
	}
	st.feeds, st.services = nil, nil
	return errors.Join(all...)
}

// Heads returns where the org's logs stand now, so that a read can ask for all of it.
func (st *Stack) Heads(ctx context.Context, org tenant.Org) (*typepb.Position, error) {
	var at [2]int64
	for i, conn := range st.feeds {
		r, err := feedpb.NewFeedServiceClient(conn).ReadFeed(ctx, &feedpb.ReadFeedRequest{Parent: org.Name(), After: math.MaxInt64, Limit: 1})
		if err != nil {
			return nil, err
		}
		at[i] = r.GetHead()
	}
	return &typepb.Position{Registry: at[0], History: at[1]}, nil
}
