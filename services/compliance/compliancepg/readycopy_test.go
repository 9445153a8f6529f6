package compliancepg_test

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// busyWorld is a fleet to which things happen one after the other, as a clock goes on.
type busyWorld struct {
	*world
	f    *feeds
	now  time.Time
	held map[string]uuid.UUID // open holds
	made []uuid.UUID          // allocations
}

func newBusyWorld(t *testing.T) *busyWorld {
	f := randomFleet(seed(t), 40, 300)
	w := newWorld(t)
	w.publish(house()...)
	b := &busyWorld{world: w, f: f, now: today, held: map[string]uuid.UUID{}}
	if _, err := w.store.Apply(t.Context(), org, compliance.Registry, f.page(compliance.Registry, 0, 3*len(f.registry)/4)); err != nil {
		t.Fatal(err)
	}
	return b
}

// happen lets something happen, and says what.
func (b *busyWorld) happen() string {
	b.t.Helper()
	b.now = b.now.Add(time.Duration(b.f.rng.IntN(60)) * time.Minute)
	change := compliance.OwnChange{At: b.now, Kind: "test", Actor: "test"}
	units := b.known()
	unit := units[b.f.rng.IntN(len(units))]
	check := func(err error) {
		b.t.Helper()
		// What cannot be done is refused, and changes nothing.
		if e := errs.As(err); err != nil && e.Kind != errs.Precondition && e.Kind != errs.NotFound && e.Kind != errs.Invalid {
			b.t.Fatal(err)
		}
	}
	switch b.f.rng.IntN(9) {
	case 0, 1:
		p, err := b.store.Position(b.t.Context(), org)
		check(err)
		source := []compliance.Source{compliance.Registry, compliance.History}[b.f.rng.IntN(2)]
		_, err = b.store.Apply(b.t.Context(), org, source, b.f.page(source, p.Of(source), 1+b.f.rng.IntN(5)))
		check(err)
		return "a page of " + source.String()
	case 2:
		h := due.ManualHold{ID: b.f.id().String(), Unit: unit, Reason: "looked at", Blocks: due.Use(1 + b.f.rng.IntN(3)), Placed: b.now, Placer: "test"}
		_, err := b.store.PlaceHold(b.t.Context(), org, h, change)
		check(err)
		b.held[h.ID] = unit
		return "a hold"
	case 3:
		for id, unit := range b.held {
			delete(b.held, id)
			_, _, err := b.store.LiftHold(b.t.Context(), org, unit, id, "fine", change)
			check(err)
			break
		}
		return "a hold lifted"
	case 4, 5:
		all, _, err := b.store.Allocate(b.t.Context(), org, &compliance.AllocationWish{
			Shop: fmt.Sprint("shop", b.f.rng.IntN(3)), Window: b.window(), Expected: randomAmount(b.f.rng), Wants: []promise.Want{{Outfit: 1, Kind: []string{"bcd", "cylinder", "regulator-set"}[b.f.rng.IntN(3)]}},
			Confirm: b.f.rng.IntN(2) == 0, HoldFor: time.Hour, Group: b.f.id(),
		}, change)
		check(err)
		for _, a := range all {
			b.made = append(b.made, a.ID)
		}
		return "an allocation"
	case 6:
		if len(b.made) > 0 {
			_, _, err := b.store.Swap(b.t.Context(), org, b.made[b.f.rng.IntN(len(b.made))], uuid.Nil, "it leaks", change)
			check(err)
		}
		return "a swap"
	case 7:
		if len(b.made) > 0 {
			_, _, err := b.store.Release(b.t.Context(), org, compliance.AllocationChoice{IDs: []uuid.UUID{b.made[b.f.rng.IntN(len(b.made))]}}, "not wanted", change)
			check(err)
		}
		return "a release"
	}
	b.grantAt(b.f, unit, []string{"overhaul", "hours"}[b.f.rng.IntN(2)], b.now, 0, 20)
	return "a waiver"
}

func (b *busyWorld) window() promise.Window {
	start := b.now.Add(time.Duration(b.f.rng.IntN(20*24)) * time.Hour)
	return promise.Window{Start: start, End: start.Add(time.Duration(1+b.f.rng.IntN(72)) * time.Hour)}
}

// known are the units that the projection has.
func (b *busyWorld) known() (out []uuid.UUID) {
	b.t.Helper()
	b.read(func(ctx context.Context, r *compliancepg.Reader) error {
		units, err := r.PromiseUnits(ctx, compliance.PromiseQuery{Units: b.f.ids(), Now: b.now})
		for _, u := range units {
			out = append(out, u.ID)
		}
		return err
	})
	slices.SortFunc(out, func(a, c uuid.UUID) int { return slices.Compare(a[:], c[:]) })
	return out
}

// told is what a search says, in words.
type told struct {
	Units     []*promise.Unit
	Available []bool
	Reasons   [][]string
}

func (b *busyWorld) searched(q compliance.PromiseQuery, w promise.Window, expected due.Amount) (got told) {
	b.t.Helper()
	if _, err := b.store.Search(b.t.Context(), org, q, func(ctx context.Context, f *compliancepg.Found) (err error) {
		got = told{Units: f.Units}
		if got.Available, err = f.Judge(ctx, w, expected); err != nil {
			return err
		}
		_, reasons, err := f.Against(ctx, f.Units, w, expected)
		for _, r := range reasons {
			got.Reasons = append(got.Reasons, said(r))
		}
		return err
	}); err != nil {
		b.t.Fatal(err)
	}
	return got
}

// readAnew is the same without any copy.
func (b *busyWorld) readAnew(q compliance.PromiseQuery, w promise.Window, expected due.Amount) (want told) {
	b.t.Helper()
	b.read(func(ctx context.Context, r *compliancepg.Reader) (err error) {
		if want.Units, err = r.PromiseUnits(ctx, q); err != nil {
			return err
		}
		if want.Available, err = r.Judge(ctx, want.Units, w, expected, q.Now, nil); err != nil {
			return err
		}
		_, reasons, err := r.Against(ctx, want.Units, w, expected, q.Now, nil)
		for _, r := range reasons {
			want.Reasons = append(want.Reasons, said(r))
		}
		return err
	})
	return want
}

// TestSearchesSeeWhatHappened lets hundreds of things happen, and compares after each what searches say, which have copies of all that was before, with
// what is read anew.
func TestSearchesSeeWhatHappened(t *testing.T) {
	long(t)
	t.Parallel()
	b := newBusyWorld(t)
	copied, available := 0, 0
	for n := 0; n < rounds.Of(150) || n < 1500 && (available == 0 || len(b.made) < 5); n++ {
		what := b.happen()
		for kind := range 5 {
			q := compliance.PromiseQuery{Kinds: []string{[]string{"regulator-set", "first-stage", "second-stage", "cylinder", "bcd"}[kind]}, Shop: fmt.Sprint("shop", (n+kind)%3), Now: b.now}
			if b.f.rng.IntN(4) == 0 {
				q.Sizes = []string{"L"}
			}
			w, expected := b.window(), randomAmount(b.f.rng)
			q.At = w.Start
			want := b.readAnew(q, w, expected)
			for range 2 {
				if diff := cmp.Diff(want, b.searched(q, w, expected), cmpopts.EquateEmpty()); diff != "" {
					t.Fatalf("after %s, %+v for %v: read anew (-), searched (+):\n%s", what, q, w, diff)
				}
			}
			for _, ok := range want.Available {
				if ok {
					available++
				}
			}
		}
		copied = max(copied, b.store.Copied())
	}
	t.Logf("%d units copied, %d available", copied, available)
	if copied == 0 || available == 0 || len(b.made) < 5 {
		t.Errorf("%d units copied, %d available, %d allocations", copied, available, len(b.made))
	}
}

// TestSearchesWhileThingsHappen searches from several sides while things happen, with a copy so small that groups throw one another out; once nothing
// happens any more, searches say what is read anew.
func TestSearchesWhileThingsHappen(t *testing.T) {
	long(t)
	t.Parallel()
	b := newBusyWorld(t)
	b.store.CopyAtMost(20)
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			for n := i; ctx.Err() == nil; n++ {
				q := compliance.PromiseQuery{Kinds: []string{[]string{"cylinder", "bcd"}[n%2]}, Shop: fmt.Sprint("shop", n/2%3), At: today.AddDate(0, 1, 0), Now: today}
				w := promise.Window{Start: q.At, End: q.At.Add(time.Hour)}
				if _, err := b.store.Search(ctx, org, q, func(ctx context.Context, f *compliancepg.Found) error {
					if _, err := f.Judge(ctx, w, due.Amount{}); err != nil {
						return err
					}
					_, _, err := f.Against(ctx, f.Units, w, due.Amount{})
					return err
				}); err != nil && ctx.Err() == nil {
					t.Error(err)
					return
				}
			}
		})
	}
	for range 150 {
		b.happen()
	}
	stop()
	wg.Wait()
	if n := b.store.Copied(); n > 20 {
		t.Errorf("%d units copied", n)
	}
	for n := range 6 {
		w := b.window()
		q := compliance.PromiseQuery{Kinds: []string{[]string{"cylinder", "bcd"}[n%2]}, Shop: fmt.Sprint("shop", n/2%3), At: w.Start, Now: b.now}
		if diff := cmp.Diff(b.readAnew(q, w, due.Amount{}), b.searched(q, w, due.Amount{}), cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%+v: read anew (-), searched (+):\n%s", q, diff)
		}
	}
}
