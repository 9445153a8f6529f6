package compliance_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var reef, atoll = tenant.Must("reef"), tenant.Must("atoll")

// fakeSource is a feed of bare numbers.
type fakeSource struct {
	mu      sync.Mutex
	heads   map[tenant.Org]int64
	wake    chan struct{}
	clock   time.Time
	readErr error
	deaf    bool // streams open and never tell anything after the first heads
	broken  bool // streams break at once
	opened  int
}

func newSource() *fakeSource {
	return &fakeSource{heads: map[tenant.Org]int64{}, wake: make(chan struct{})}
}

func (s *fakeSource) set(change func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change()
	close(s.wake)
	s.wake = make(chan struct{})
}

func (s *fakeSource) Read(_ context.Context, org tenant.Org, after int64) (compliance.Page, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []compliance.Change
	for n := after + 1; n <= s.heads[org] && len(out) < 10; n++ {
		out = append(out, compliance.Change{Number: n})
	}
	return compliance.Page{Changes: out, Head: s.heads[org], At: s.clock}, s.readErr
}

func (s *fakeSource) Follow(ctx context.Context, moved func(tenant.Org, int64)) error {
	s.set(func() { s.opened++ })
	told := map[tenant.Org]int64{}
	for first := true; ; first = false {
		s.mu.Lock()
		wake, broken := s.wake, s.broken
		if broken {
			s.mu.Unlock()
			return errors.New("broken")
		}
		news := map[tenant.Org]int64{}
		for org, n := range s.heads {
			if (first || !s.deaf) && told[org] < n {
				told[org], news[org] = n, n
			}
		}
		s.mu.Unlock()
		for org, n := range news {
			moved(org, n)
		}
		select {
		case <-wake:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// fakeProjection counts.
type fakeProjection struct {
	mu       sync.Mutex
	at       map[tenant.Org]compliance.Position
	applied  int
	complete []time.Time // as noted
	err      error
}

func newProjection() *fakeProjection {
	return &fakeProjection{at: map[tenant.Org]compliance.Position{}}
}

func (p *fakeProjection) Position(_ context.Context, org tenant.Org) (compliance.Position, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.at[org], nil
}

func (p *fakeProjection) Complete(_ context.Context, org tenant.Org, s compliance.Source, at time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.complete = append(p.complete, at)
	return p.err
}

func (p *fakeProjection) Apply(_ context.Context, org tenant.Org, s compliance.Source, changes []compliance.Change) (compliance.Position, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.err != nil {
		return compliance.Position{}, p.err
	}
	at := p.at[org]
	if s == compliance.Registry {
		at.Registry = changes[len(changes)-1].Number
	} else {
		at.History = changes[len(changes)-1].Number
	}
	p.applied++
	p.at[org] = at
	return at, nil
}

func (p *fakeProjection) position(org tenant.Org) compliance.Position {
	p.mu.Lock()
	defer p.mu.Unlock()
	at := p.at[org]
	return at
}

func (p *fakeProjection) pages() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.applied
}

// follow runs an applier in a bubble whose time jumps when everything waits.
func follow(t *testing.T, body func(t *testing.T, p *fakeProjection, registry, history *fakeSource)) {
	synctest.Test(t, func(t *testing.T) {
		p, registry, history := newProjection(), newSource(), newSource()
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- compliance.NewApplier(p, registry, history).Follow(ctx, compliance.FollowConfig{}) }()
		body(t, p, registry, history)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func TestFollow(t *testing.T) {
	t.Parallel()
	follow(t, func(t *testing.T, p *fakeProjection, registry, history *fakeSource) {
		registry.set(func() { registry.heads[reef], registry.heads[atoll] = 25, 1 })
		history.set(func() { history.heads[reef] = 3 })
		synctest.Wait() // at once, without any time passing
		if a, b := p.position(reef), p.position(atoll); a != (compliance.Position{Registry: 25, History: 3}) || b != (compliance.Position{Registry: 1}) {
			t.Errorf("reef %+v, atoll %+v", a, b)
		}
		applied := p.pages()
		time.Sleep(time.Hour) // sweeps and new streams apply nothing twice
		synctest.Wait()
		if p.pages() != applied {
			t.Errorf("%d pages applied while nothing moved", p.pages()-applied)
		}
	})
}

func TestFollowWithoutWakeUps(t *testing.T) {
	t.Parallel()
	follow(t, func(t *testing.T, p *fakeProjection, registry, history *fakeSource) {
		history.set(func() { history.heads[reef], history.deaf = 1, true })
		synctest.Wait()
		history.set(func() { history.heads[reef] = 2 })
		time.Sleep(31 * time.Second) // the sweep
		synctest.Wait()
		if at := p.position(reef); at.History != 2 {
			t.Errorf("an org seen before is at %+v", at)
		}
		history.set(func() { history.heads[atoll] = 7 })
		time.Sleep(5*time.Minute + time.Second) // the next stream
		synctest.Wait()
		if at := p.position(atoll); at.History != 7 {
			t.Errorf("an org never told of is at %+v", at)
		}
	})
}

func TestFollowThroughFaults(t *testing.T) {
	t.Parallel()
	follow(t, func(t *testing.T, p *fakeProjection, registry, history *fakeSource) {
		history.set(func() { history.broken, history.heads[reef] = true, 5 })
		time.Sleep(10 * time.Minute)
		var n int
		if history.set(func() { n = history.opened }); n > 200 {
			t.Errorf("a broken stream was opened %d times in ten minutes", n)
		}
		history.set(func() { history.broken, history.readErr = false, errors.New("cannot be read") })
		time.Sleep(time.Minute)
		if at := p.position(reef); at.History != 0 {
			t.Errorf("reef is at %+v", at)
		}
		p.mu.Lock()
		p.err = errors.New("the database is gone")
		p.mu.Unlock()
		history.set(func() { history.readErr = nil })
		time.Sleep(time.Minute)
		p.mu.Lock()
		p.err = nil
		p.mu.Unlock()
		time.Sleep(10 * time.Second) // the longest wait between two tries
		synctest.Wait()
		if at := p.position(reef); at.History != 5 {
			t.Errorf("reef is at %+v after everything came back", at)
		}
	})
}

// TestCatchUpKeepsTime answers before the deadline, with what is missing.
func TestCatchUpKeepsTime(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		p, registry, history := newProjection(), newSource(), newSource()
		a := compliance.NewApplier(p, registry, history)
		history.heads[reef] = 4
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		began := time.Now()
		err := a.CatchUp(ctx, reef, compliance.Position{History: 5})
		if e := errs.As(err); e == nil || e.Reason != "NOT_CAUGHT_UP" || e.Kind != errs.Unavailable || e.Meta["history"] != "4" || e.Meta["wantedHistory"] != "5" {
			t.Fatalf("got %v", err)
		}
		if took := time.Since(began); took > 9*time.Second+time.Millisecond || took < 8*time.Second {
			t.Errorf("answered after %v of 10 s", took)
		}
		if err := a.CatchUp(ctx, reef, compliance.Position{History: 4}); err != nil {
			t.Error(err)
		}
		cancel()
		if err := a.CatchUp(ctx, reef, compliance.Position{History: 6}); errs.Is(err, "NOT_CAUGHT_UP") || err == nil {
			t.Errorf("a caller that went away is told %v", err)
		}
	})
}
