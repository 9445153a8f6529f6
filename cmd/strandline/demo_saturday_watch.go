package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// watchCopy is a client app's copy of units and allocations, kept from the watch stream as the API says: the last of each by name.
type watchCopy struct {
	cancel context.CancelFunc
	done   chan struct{}
	moved  chan struct{} // has something in it when the copy changed

	mu          sync.Mutex
	units       map[string]*compliancepb.UnitState
	allocations map[string]*compliancepb.Allocation
	complete    int // how often the server said that nothing is missing
	taken       int // changes taken in after the first time
	err         error
}

// copyOf begins a copy, and returns it when it has everything.
func (c *clients) copyOf(ctx context.Context) (*watchCopy, error) {
	streaming, cancel := context.WithCancel(ctx)
	stream, err := c.Availability.WatchAvailability(streaming, &compliancepb.WatchAvailabilityRequest{Parent: c.Org.Name()})
	if err != nil {
		cancel()
		return nil, err
	}
	w := &watchCopy{cancel: cancel, done: make(chan struct{}), moved: make(chan struct{}, 1), units: map[string]*compliancepb.UnitState{}, allocations: map[string]*compliancepb.Allocation{}}
	go func() {
		defer close(w.done)
		for {
			m, err := stream.Recv()
			w.take(m, err)
			if err != nil {
				return
			}
		}
	}()
	if err := w.wait(ctx, "the beginning of the watch stream", func() bool { return w.complete > 0 }); err != nil {
		w.stop()
		return nil, err
	}
	return w, nil
}

// take takes a message in.
func (w *watchCopy) take(m *compliancepb.WatchAvailabilityResponse, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch change := m.GetChange().(type) {
	case *compliancepb.WatchAvailabilityResponse_Unit:
		if u := change.Unit; u.GetRetired() {
			delete(w.units, u.GetUnit())
		} else {
			w.units[u.GetUnit()] = u
		}
	case *compliancepb.WatchAvailabilityResponse_Allocation:
		switch f := change.Allocation; f.GetState() {
		case compliancepb.Allocation_STATE_HELD, compliancepb.Allocation_STATE_CONFIRMED, compliancepb.Allocation_STATE_OUT:
			w.allocations[f.GetName()] = f
		default:
			delete(w.allocations, f.GetName())
		}
	case *compliancepb.WatchAvailabilityResponse_Complete_:
		w.complete++
	}
	if m.GetComplete() == nil && err == nil && w.complete > 0 {
		w.taken++
	}
	w.err = err
	select {
	case w.moved <- struct{}{}:
	default:
	}
}

// wait waits until the copy is as it should be.
func (w *watchCopy) wait(ctx context.Context, what string, ok func() bool) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	for {
		w.mu.Lock()
		is, err := ok(), w.err
		w.mu.Unlock()
		switch {
		case is:
			return nil
		case err != nil:
			return fmt.Errorf("%s: %w", what, err)
		}
		select {
		case <-w.moved:
		case <-ctx.Done():
			return fmt.Errorf("%s did not come: %w", what, ctx.Err())
		}
	}
}

// allocation returns the copy of one.
func (w *watchCopy) allocation(name string) *compliancepb.Allocation {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.allocations[name]
}

func (w *watchCopy) stop() {
	w.cancel()
	<-w.done
}

// same says whether a copy has what another has; the caller holds no lock.
func (w *watchCopy) same(other *watchCopy) bool {
	other.mu.Lock()
	defer other.mu.Unlock()
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.units) != len(other.units) || len(w.allocations) != len(other.allocations) {
		return false
	}
	for name, u := range w.units {
		if !proto.Equal(u, other.units[name]) {
			return false
		}
	}
	for name, f := range w.allocations {
		if !proto.Equal(f, other.allocations[name]) {
			return false
		}
	}
	return true
}

// compare makes a copy afresh, and sees that the one kept since the morning has the same.
func (r *saturdayRun) compare(ctx context.Context) error {
	r.head("The copy that followed the watch stream")
	for try := 0; ; try++ {
		fresh, err := r.c.copyOf(ctx)
		if err != nil {
			return err
		}
		same := r.copy.same(fresh)
		fresh.stop()
		if same {
			break
		}
		if try == 20 {
			return fmt.Errorf("the copy kept from the watch stream differs from one made afresh")
		}
		select { // it may be behind by a moment
		case <-r.copy.moved:
		case <-time.After(200 * time.Millisecond):
		}
	}
	r.copy.mu.Lock()
	defer r.copy.mu.Unlock()
	r.say("It has %s and %s. A copy made afresh has the same.", plural(int64(len(r.copy.units)), "unit"), plural(int64(len(r.copy.allocations)), "allocation"))
	r.say("It took in %s on the way.", plural(int64(r.copy.taken), "change"))
	return nil
}
