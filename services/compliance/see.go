package compliance

import (
	"context"
	"fmt"
	"time"

	"strandline.example/strandline/internal/tenant"
)

// Sight is what the gate goes by: everything that registry and history had acknowledged by the instant at which it was asked for, and both
// as they were together at an instant after that.
type Sight struct {
	Position Position  // applied; of compliance's own log what it had before
	Registry time.Time // what the registry's clock showed
	History  time.Time // what history's clock showed
	Latest   time.Time // the latest of these and of the times of the changes that were applied for it
}

// BlindError says which source keeps the gate from seeing everything.
type BlindError struct {
	Source Source
	Says   string // what is wrong with it, to stand after its name
	Cause  error  // nil if it answered
}

// Error returns which service it is and what is wrong.
func (e *BlindError) Error() string {
	if e.Cause != nil {
		return e.Source.String() + " " + e.Says + ": " + e.Cause.Error()
	}
	return e.Source.String() + " " + e.Says
}

// Unwrap returns the cause.
func (e *BlindError) Unwrap() error { return e.Cause }

// See applies all that both sources hold and returns what was seen. It asks both after it was called, waits for nobody else's reading, and
// believes no page: each feed must be read up to the head that it tells, and that must be no less than what was applied before. Errors are a
// *BlindError, or the projection's.
//
// History is read first, and then the registry, until the registry has nothing new: then it stood still while history was read, and what was
// applied was true of both at once. A part that was swapped for another is not judged by the fitting of before and the test of after.
func (a *Applier) See(ctx context.Context, org tenant.Org) (Sight, error) {
	for {
		have, err := a.projection.Position(ctx, org)
		if err != nil {
			return Sight{}, err
		}
		s := Sight{Position: have}
		if err := a.look(ctx, org, History, &s); err != nil {
			return Sight{}, err
		}
		if err := a.look(ctx, org, Registry, &s); err != nil {
			return Sight{}, err
		}
		if s.Position.Registry == have.Registry {
			s.Position.Compliance = have.Compliance
			return s, nil
		}
	}
}

// SeeHistory applies all that history holds, and tells its clock. Errors as See.
func (a *Applier) SeeHistory(ctx context.Context, org tenant.Org) (Sight, error) {
	have, err := a.projection.Position(ctx, org)
	if err != nil {
		return Sight{}, err
	}
	s := Sight{Position: have}
	return s, a.look(ctx, org, History, &s)
}

// SeeRegistry applies all that the registry holds. Errors as See.
func (a *Applier) SeeRegistry(ctx context.Context, org tenant.Org) error {
	have, err := a.projection.Position(ctx, org)
	if err != nil {
		return err
	}
	return a.look(ctx, org, Registry, &Sight{Position: have})
}

// look applies a source up to its head.
func (a *Applier) look(ctx context.Context, org tenant.Org, source Source, s *Sight) error {
	for {
		after := s.Position.Of(source)
		page, err := a.feeds[source-1].Read(ctx, org, after)
		if err != nil {
			says := "cannot be reached"
			if ctx.Err() != nil {
				says = "did not answer in time"
			}
			return &BlindError{source, says, err}
		}
		if source == Registry {
			s.Registry = page.At
		} else {
			s.History = page.At
		}
		s.later(page.At)
		for i := range page.Changes {
			s.later(page.Changes[i].At)
		}
		switch n := len(page.Changes); {
		case page.Head < after:
			return &BlindError{source, fmt.Sprintf("says that its log ends at %d, and %d was seen before: another copy of it that lags must have answered", page.Head, after), nil}
		case n == 0 && page.Head > after:
			return &BlindError{source, fmt.Sprintf("says that its log ends at %d, and gives nothing after %d", page.Head, after), nil}
		case n == 0:
			a.complete(ctx, org, source, page, s.Position)
			return nil
		}
		have, err := a.projection.Apply(ctx, org, source, page.Changes)
		if err != nil {
			return err
		}
		if have.Of(source) <= after {
			return &BlindError{source, fmt.Sprintf("gives changes after %d that are none", after), nil}
		}
		reached := have.Of(source) >= page.Head
		// Of the other source, and of its own log, more may have been applied by now by somebody else: that is not what was looked at.
		if source == Registry {
			s.Position.Registry = have.Registry
		} else {
			s.Position.History = have.History
		}
		if reached {
			a.complete(ctx, org, source, page, s.Position)
			return nil
		}
	}
}

func (s *Sight) later(t time.Time) {
	if t.After(s.Latest) {
		s.Latest = t
	}
}
