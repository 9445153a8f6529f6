// Package clock is the one place that reads the time. Everything else is told it.
package clock

import (
	"sync"
	"time"
)

// Clock tells the time in UTC, to the microsecond, which is what the database keeps.
type Clock interface {
	Now() time.Time
}

// System is the machine's clock.
type System struct{}

// Now returns the present instant.
func (System) Now() time.Time { return time.Now().UTC().Truncate(time.Microsecond) }

// Fake is a clock that stands still until it is moved. It is safe for concurrent use.
type Fake struct {
	mu  sync.Mutex
	now time.Time
}

// NewFake returns a fake clock that shows t.
func NewFake(t time.Time) *Fake { return &Fake{now: t.UTC().Truncate(time.Microsecond)} }

// Now returns the instant the clock was last set to.
func (f *Fake) Now() time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now
}

// Set moves the clock to t, forward or back.
func (f *Fake) Set(t time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now = t.UTC().Truncate(time.Microsecond)
}

// Advance moves the clock forward by d.
func (f *Fake) Advance(d time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now = f.now.Add(d).Truncate(time.Microsecond)
}
