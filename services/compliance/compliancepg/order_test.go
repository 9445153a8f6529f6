package compliancepg_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/services/compliance"
)

// TestOrderDoesNotMatter applies one fleet's ledger in several orders, interleaved with the registry's feed in several
// ways, and compares every row of the projection.
func TestOrderDoesNotMatter(t *testing.T) {
	long(t)
	t.Parallel()
	f := randomFleet(seed(t), 40, 600)
	first := newWorld(t)
	first.publish(house()...)
	first.apply(f)
	want := first.rows(false)
	if n := len(slices.DeleteFunc(slices.Clone(want), func(s string) bool { return !strings.HasPrefix(s, "clocks ") })); n < 30 {
		t.Fatalf("only %d clocks: the fleet tests nothing", n)
	}
	for range rounds.Of(2) {
		w := newWorld(t)
		if f.rng.IntN(2) == 0 {
			w.publish(house()...)
			w.apply(f.shuffled())
		} else {
			w.apply(f.shuffled()) // rules that come after the fleet
			w.publish(house()...)
		}
		if diff := cmp.Diff(want, w.rows(false)); diff != "" {
			t.Fatalf("another order, other rows:\n%s", diff)
		}
	}
}

// TestOrderDoesNotMatterOneByOne applies small fleets to which little happens, change by change, so that what the last changes
// fail to touch is not put right by later ones.
func TestOrderDoesNotMatterOneByOne(t *testing.T) {
	long(t)
	t.Parallel()
	rng := seed(t)
	for range rounds.Of(2) {
		f := randomFleet(rng, 15, 25)
		var want []string
		for i, order := range [][]compliance.Source{{compliance.Registry, compliance.History}, {compliance.History, compliance.Registry}, {compliance.Registry, compliance.History}} {
			w, g := newWorld(t), f
			if i > 0 {
				g = f.shuffled()
			}
			w.publish(house()...)
			for _, s := range order {
				for p, size := int64(0), 1+i/2*rng.IntN(4); p < int64(len(g.of(s))); {
					got, err := w.store.Apply(t.Context(), org, s, g.page(s, p, size))
					if err != nil {
						t.Fatal(err)
					}
					p = got.Of(s)
				}
			}
			rows := w.rows(false)
			if i == 0 {
				// What derives everything at the end is the measure of what touches one by one.
				if want = rows; !slices.Equal(want, w.rebuilt(f)) {
					t.Errorf("touched one by one (-), derived at the end (+):\n%s", cmp.Diff(want, w.rebuilt(f)))
				}
			}
			if diff := cmp.Diff(want, rows); diff != "" {
				t.Fatalf("order %d, other rows:\n%s", i, diff)
			}
		}
	}
}

func (w *world) rebuilt(f *feeds) []string {
	w.t.Helper()
	if _, _, err := w.store.Rebuild(w.t.Context(), org, func(_ context.Context, s compliance.Source, after int64) ([]compliance.Change, error) {
		return f.page(s, after, 77), nil
	}); err != nil {
		w.t.Fatal(err)
	}
	return w.rows(false)
}

// TestRebuildGivesTheSameRows compares every row before and after, those that tell of arrival too.
func TestRebuildGivesTheSameRows(t *testing.T) {
	t.Parallel()
	f := randomFleet(seed(t), 40, 500)
	w := newWorld(t)
	w.publish(house()...)
	w.apply(f)
	want := w.rows(true)
	n, p, err := w.store.Rebuild(t.Context(), org, func(_ context.Context, s compliance.Source, after int64) ([]compliance.Change, error) {
		return f.page(s, after, 77), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if n != int64(len(f.units)) || p.Registry != int64(len(f.registry)) || p.History != int64(len(f.history)) || p.Compliance != 3 {
		t.Errorf("%d units at %+v; want %d at the end of both feeds", n, p, len(f.units))
	}
	if diff := cmp.Diff(want, w.rows(true)); diff != "" {
		t.Fatalf("rebuilt rows differ:\n%s", diff)
	}
}

// TestRebuildRefusesAShorterFeed keeps what there is when a feed no longer reaches it.
func TestRebuildRefusesAShorterFeed(t *testing.T) {
	t.Parallel()
	f := randomFleet(seed(t), 10, 50)
	w := newWorld(t)
	w.apply(f)
	want := w.rows(true)
	if _, _, err := w.store.Rebuild(t.Context(), org, func(_ context.Context, s compliance.Source, after int64) ([]compliance.Change, error) {
		if s == compliance.History && after >= 40 {
			return nil, nil
		}
		return f.page(s, after, 40), nil
	}); err == nil {
		t.Fatal("a ledger that lost entries was taken")
	}
	if diff := cmp.Diff(want, w.rows(true)); diff != "" {
		t.Fatalf("rows changed:\n%s", diff)
	}
}

// BenchmarkCatchUp applies 40,000 entries over 360 units, as catching up after an import does.
func BenchmarkCatchUp(b *testing.B) {
	f := randomFleet(seed(b), 360, 40_000)
	for b.Loop() {
		b.StopTimer()
		w := newWorld(b)
		w.publish(house()...)
		if _, err := w.store.Apply(b.Context(), org, compliance.Registry, f.registry); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		for p := int64(0); p < int64(len(f.history)); {
			got, err := w.store.Apply(b.Context(), org, compliance.History, f.page(compliance.History, p, 5000))
			if err != nil {
				b.Fatal(err)
			}
			p = got.History
		}
	}
	b.ReportMetric(float64(len(f.history))*float64(b.N)/b.Elapsed().Seconds(), "entries/s")
}
