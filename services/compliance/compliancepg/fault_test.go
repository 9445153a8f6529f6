package compliancepg_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// fresh returns the rows that the feeds come to without any fault.
func fresh(t *testing.T, f *feeds) []string {
	t.Helper()
	w := newWorld(t)
	w.publish(house()...)
	w.apply(f)
	return w.rows(true)
}

// memoryFeed serves the feeds in pages of random sizes; what it serves may grow.
type memoryFeed struct {
	f      *feeds
	source compliance.Source
	mu     *sync.Mutex
	until  *atomic.Int64 // changes beyond this number are not there yet
}

func (m memoryFeed) Read(_ context.Context, _ tenant.Org, after int64) (compliance.Page, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	head := min(int64(len(m.f.of(m.source))), m.until.Load())
	page := m.f.page(m.source, after, 1+m.f.rng.IntN(60))
	return compliance.Page{Changes: slices.Clone(page[:max(0, min(int64(len(page)), head-after))]), Head: head}, nil
}

func (m memoryFeed) Follow(ctx context.Context, _ func(tenant.Org, int64)) error {
	<-ctx.Done()
	return ctx.Err()
}

func memoryFeeds(f *feeds) [2]memoryFeed {
	var mu sync.Mutex
	all := &atomic.Int64{}
	all.Store(1 << 40)
	return [2]memoryFeed{{f, compliance.Registry, &mu, all}, {f, compliance.History, &mu, all}}
}

// crashing fails every third call, before or after the transaction has committed: what a process that dies there leaves.
type crashing struct {
	*compliancepg.Store
	calls int
}

var errCrash = errors.New("the process died")

func (c *crashing) Apply(ctx context.Context, org tenant.Org, s compliance.Source, changes []compliance.Change) (compliance.Position, error) {
	c.calls++
	switch c.calls % 3 {
	case 1:
		return compliance.Position{}, errCrash
	case 2:
		if p, err := c.Store.Apply(ctx, org, s, changes); err != nil {
			return p, err
		}
		return compliance.Position{}, errCrash
	}
	return c.Store.Apply(ctx, org, s, changes)
}

// TestCrashBetweenPages pulls with an applier that dies again and again, before and after its commits.
func TestCrashBetweenPages(t *testing.T) {
	t.Parallel()
	f := randomFleet(seed(t), 30, 400)
	want := fresh(t, f)
	w := newWorld(t)
	w.publish(house()...)
	p := &crashing{Store: w.store}
	crashes := 0
	for done := false; !done; {
		feed := memoryFeeds(f)
		_, err := compliance.NewApplier(p, feed[0], feed[1]).Pull(t.Context(), org) // a new process
		switch {
		case err == nil:
			done = true
		case errors.Is(err, errCrash):
			crashes++
		default:
			t.Fatal(err)
		}
	}
	if crashes < 5 {
		t.Errorf("only %d crashes", crashes)
	}
	if diff := cmp.Diff(want, w.rows(true)); diff != "" {
		t.Fatalf("rows differ after %d crashes:\n%s", crashes, diff)
	}
}

// TestConnectionDiesInsideAPage kills the backend of an applier in the middle of its transaction: nothing of the page is
// left, and applying it again gives all of it.
func TestConnectionDiesInsideAPage(t *testing.T) {
	t.Parallel()
	f := randomFleet(seed(t), 20, 200)
	want := fresh(t, f)
	w := newWorld(t)
	w.publish(house()...)
	if _, err := w.store.Apply(t.Context(), org, compliance.Registry, f.registry); err != nil {
		t.Fatal(err)
	}
	before := w.rows(true)

	admin, err := pgx.Connect(t.Context(), w.data.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = admin.Close(context.WithoutCancel(t.Context())) }()
	block, err := admin.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// The page's entries are written before its units' rows: the applier waits in between for this lock.
	if _, err := block.Exec(t.Context(), `select unit_id from compliance.p_units for update`); err != nil {
		t.Fatal(err)
	}
	failed := make(chan error, 1)
	go func() {
		_, err := w.store.Apply(t.Context(), org, compliance.History, f.history)
		failed <- err
	}()
	for killed := false; !killed; {
		if err := block.QueryRow(t.Context(), `select coalesce(bool_or(pg_terminate_backend(pid)), false) from pg_stat_activity
			where datname = current_database() and wait_event_type = 'Lock' and pid <> pg_backend_pid()`).Scan(&killed); err != nil {
			t.Fatal(err)
		}
	}
	if err := <-failed; !errs.Is(err, "UNAVAILABLE") {
		t.Errorf("the applier whose connection died said %v", err)
	}
	if err := block.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(before, w.rows(true)); diff != "" {
		t.Fatalf("half a page is there:\n%s", diff)
	}
	if _, err := w.store.Apply(t.Context(), org, compliance.History, f.history); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, w.rows(true)); diff != "" {
		t.Fatalf("rows differ:\n%s", diff)
	}
}

// TestDuplicateAndMissingChanges delivers pages twice and overlapping, which changes nothing, and one with a gap, which is refused.
func TestDuplicateAndMissingChanges(t *testing.T) {
	t.Parallel()
	f := randomFleet(seed(t), 20, 200)
	want := fresh(t, f)
	w := newWorld(t)
	w.publish(house()...)
	for _, s := range []compliance.Source{compliance.Registry, compliance.History} {
		all := f.of(s)
		for from := 0; from < len(all); from += 30 {
			page := all[max(0, from-20):min(len(all), from+30)]
			for range 2 {
				if _, err := w.store.Apply(t.Context(), org, s, page); err != nil {
					t.Fatal(err)
				}
			}
			if from+31 < len(all) {
				if _, err := w.store.Apply(t.Context(), org, s, all[from+31:]); err == nil {
					t.Fatal("a gap was taken")
				}
			}
		}
	}
	if diff := cmp.Diff(want, w.rows(true)); diff != "" {
		t.Fatalf("rows differ:\n%s", diff)
	}
}

// TestAppliersRace pulls one org from four stores at once, as replicas do.
func TestAppliersRace(t *testing.T) {
	t.Parallel()
	f := randomFleet(seed(t), 30, 600)
	want := fresh(t, f)
	w := newWorld(t)
	w.publish(house()...)
	feed := memoryFeeds(f)
	var g errgroup.Group
	for range 4 {
		store := compliancepg.NewStore(w.data.Open(t, compliancepg.Schema), decode)
		g.Go(func() error {
			_, err := compliance.NewApplier(store, feed[0], feed[1]).Pull(t.Context(), org)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, w.rows(true)); diff != "" {
		t.Fatalf("rows differ:\n%s", diff)
	}
}

// TestRebuildWhileWriting rebuilds while the ledger grows, appliers pull, packs are published and holds placed. Readers never
// see the org go back or half built, and in the end the rows are those of a calm run.
func TestRebuildWhileWriting(t *testing.T) {
	t.Parallel()
	f := randomFleet(seed(t), 30, 600)
	want := fresh(t, f)
	w := newWorld(t)
	feed := memoryFeeds(f)
	if _, err := w.store.Apply(t.Context(), org, compliance.Registry, f.registry); err != nil {
		t.Fatal(err)
	}
	feed[0].until.Store(int64(len(f.registry)))
	feed[1].until = &atomic.Int64{}
	applier := compliance.NewApplier(w.store, feed[0], feed[1])
	ctx, cancel := context.WithCancel(t.Context())
	var g, readers errgroup.Group
	g.Go(func() error {
		for n := range int64(len(f.history)) {
			feed[1].until.Store(n + 1)
			if n%40 == 0 {
				if _, err := applier.Pull(ctx, org); err != nil {
					return err
				}
			}
		}
		return nil
	})
	g.Go(func() error {
		for range 4 {
			if _, _, err := w.store.Rebuild(ctx, org, func(ctx context.Context, s compliance.Source, after int64) ([]compliance.Change, error) {
				page, err := feed[s-1].Read(ctx, org, after)
				return page.Changes, err
			}); err != nil {
				return err
			}
		}
		return nil
	})
	g.Go(func() error {
		for i, p := range house() {
			at := today.AddDate(0, 0, -1-7*(2-i))
			if _, _, err := w.store.Publish(ctx, org, p.ID, p.Effective, encode(t, p), compliance.OwnChange{At: at, Kind: compliance.PackPublished, Actor: "test"}); err != nil {
				return err
			}
		}
		return nil
	})
	reads := 0
	readers.Go(func() error {
		var last compliance.Position
		for ctx.Err() == nil {
			err := w.store.Read(ctx, org, func(ctx context.Context, r *compliancepg.Reader) error {
				p, err := r.Position(ctx)
				if err != nil {
					return err
				}
				if p.History < last.History || p.Registry < last.Registry {
					t.Errorf("the org went back from %+v to %+v", last, p)
				}
				last = p
				counts, _, err := r.Fleet(ctx, today.AddDate(1, 0, 0), time.Time{}, 30)
				var n int64
				for _, c := range counts {
					n += c.Units
				}
				living := int64(0)
				for _, u := range f.units {
					if u.Retired.IsZero() {
						living++
					}
				}
				if err == nil && n != living {
					t.Errorf("a reader saw %d of %d units", n, living)
				}
				reads++
				return err
			})
			if err != nil && ctx.Err() == nil {
				return err
			}
		}
		return nil
	})
	if err := g.Wait(); err != nil {
		t.Error(err)
	}
	cancel()
	if err := readers.Wait(); err != nil {
		t.Error(err)
	}
	feed[1].until.Store(1 << 40)
	if _, err := applier.Pull(t.Context(), org); err != nil {
		t.Fatal(err)
	}
	if reads == 0 {
		t.Error("nobody read")
	}
	if diff := cmp.Diff(want, w.rows(true)); diff != "" {
		t.Fatalf("rows differ:\n%s", diff)
	}
}

// TestRolledBackPackLeavesNothing publishes a revision in a transaction that is rolled back, as validate_only does, and then
// another text under the same number: the clocks are of the second.
func TestRolledBackPackLeavesNothing(t *testing.T) {
	t.Parallel()
	f := randomFleet(seed(t), 20, 200)
	want := fresh(t, f)
	w := newWorld(t)
	w.apply(f)
	other := house()[0]
	other.Rules = other.Rules[:1]
	other.Rules[0].Months = 1
	db := w.data.Open(t, compliancepg.Schema)
	store := compliancepg.NewStore(db, decode)
	err := db.InOrg(t.Context(), org, func(ctx context.Context, _ pgx.Tx) error {
		if _, _, err := store.Publish(ctx, org, "house", other.Effective, encode(t, other), compliance.OwnChange{At: today, Kind: compliance.PackPublished}); err != nil {
			return err
		}
		return errCrash
	})
	if err == nil {
		t.Fatal("the transaction was not rolled back")
	}
	w.store = store
	w.publish(house()...)
	if diff := cmp.Diff(want, w.rows(true)); diff != "" {
		t.Fatalf("rows differ:\n%s", diff)
	}
}

// TestOrgsAreApart applies equal fleets, with equal ids, in two orgs and changes one: the other's rows stay.
func TestOrgsAreApart(t *testing.T) {
	t.Parallel()
	other := tenant.Must("atoll")
	f := randomFleet(seed(t), 15, 150)
	w := newWorld(t)
	for _, o := range []tenant.Org{org, other} {
		for i, p := range house() {
			if _, _, err := w.store.Publish(t.Context(), o, p.ID, p.Effective, encode(t, p), compliance.OwnChange{At: today.AddDate(0, 0, -20+i), Kind: compliance.PackPublished}); err != nil {
				t.Fatal(err)
			}
		}
		for _, s := range []compliance.Source{compliance.Registry, compliance.History} {
			if _, err := w.store.Apply(t.Context(), o, s, f.of(s)); err != nil {
				t.Fatal(err)
			}
		}
	}
	mine := func() []string {
		return slices.DeleteFunc(w.rows(true), func(s string) bool { return !strings.Contains(s, other.UUID.String()) })
	}
	want := mine()
	if len(want) == 0 {
		t.Fatal("nothing to compare")
	}
	if _, _, err := w.store.Rebuild(t.Context(), org, func(context.Context, compliance.Source, int64) ([]compliance.Change, error) { return nil, nil }); err == nil {
		t.Fatal("a rebuild from an empty feed was taken")
	}
	more := compliance.Change{Number: int64(len(f.registry) + 1), Shop: &compliance.Shop{ID: "shop0", Name: "moved", Zone: "Asia/Tokyo", Jurisdiction: "JP"}}
	if _, err := w.store.Apply(t.Context(), org, compliance.Registry, []compliance.Change{more}); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, mine()); diff != "" {
		t.Fatalf("the other org's rows changed:\n%s", diff)
	}
	err := w.store.Read(t.Context(), tenant.Must("nobody"), func(ctx context.Context, r *compliancepg.Reader) error {
		if p, err := r.Position(ctx); err != nil || p != (compliance.Position{}) {
			t.Errorf("a stranger's position is %+v, %v", p, err)
		}
		if ids, err := r.PromiseUnits(ctx, compliance.PromiseQuery{At: today, Now: today}); err != nil || len(ids) > 0 {
			t.Errorf("a stranger sees %d units, %v", len(ids), err)
		}
		if _, err := r.Derive(ctx, f.ids()[:1], today, time.Time{}); !errs.Is(err, "NOT_FOUND") {
			t.Errorf("a stranger's standing: %v", err)
		}
		if rows, _, err := r.Holds(ctx, compliance.HoldQuery{At: today, Lifted: true, Limit: 10}); err != nil || len(rows) > 0 {
			t.Errorf("a stranger sees %d holds, %v", len(rows), err)
		}
		if rows, _, err := r.Due(ctx, compliance.DueQuery{At: today, Horizon: 3650, Limit: 10}); err != nil || len(rows) > 0 {
			t.Errorf("a stranger sees %d due, %v", len(rows), err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
