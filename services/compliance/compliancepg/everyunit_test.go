package compliancepg_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// chunkFleet is a fleet of several chunks.
func chunkFleet(t *testing.T, conns int32) (*world, *feeds) {
	t.Helper()
	f := randomFleet(seed(t), 1600, 0)
	w := newWorld(t)
	w.store = compliancepg.NewStore(w.data.OpenWith(t, pg.Config{Role: compliancepg.Schema.Role, Schema: compliancepg.Schema.Name, MaxConns: conns}), decode)
	for p := int64(0); p < int64(len(f.of(compliance.Registry))); p += 1000 {
		if _, err := w.store.Apply(t.Context(), org, compliance.Registry, f.page(compliance.Registry, p, 1000)); err != nil {
			t.Fatal(err)
		}
	}
	return w, f
}

// TestEachChunk reads a fleet by chunks, with many connections and with one alone: every unit once, as the reader's snapshot has it,
// though it is changed meanwhile; and readers that hold every connection there is all come to an end.
func TestEachChunk(t *testing.T) {
	t.Parallel()
	for _, conns := range []int32{1, 8} {
		w, f := chunkFleet(t, conns)
		ids := f.ids()
		changed := f.of(compliance.Registry)
		for i := range changed { // every unit under another tag
			if u := changed[i].Unit; u != nil {
				next := *u
				next.Tag += "-later"
				f.register(compliance.Change{Unit: &next})
			}
		}
		before := int64(len(changed))
		apply := func() {
			other := compliancepg.NewStore(w.data.Open(t, compliancepg.Schema), decode) // another replica
			all := f.of(compliance.Registry)
			for p := before; p < int64(len(all)); p += 1000 {
				if _, err := other.Apply(t.Context(), org, compliance.Registry, f.page(compliance.Registry, p, 1000)); err != nil {
					t.Error(err)
				}
			}
		}
		var once sync.Once
		var readers sync.WaitGroup
		for range conns {
			readers.Go(func() {
				var mu sync.Mutex
				var seen []uuid.UUID
				later, tagged := 0, 0
				err := w.store.Read(t.Context(), org, func(ctx context.Context, r *compliancepg.Reader) error {
					if _, err := r.Position(ctx); err != nil { // the snapshot is taken
						return err
					}
					once.Do(apply)
					return r.EachChunk(ctx, ids, func(chunk []uuid.UUID, tags map[uuid.UUID]string) error {
						mu.Lock()
						defer mu.Unlock()
						seen = append(seen, chunk...)
						for _, tag := range tags {
							if tagged++; strings.HasSuffix(tag, "-later") {
								later++
							}
						}
						return nil
					})
				})
				if err != nil {
					t.Error(err)
				}
				want := slices.Clone(ids)
				sortIDs(want)
				sortIDs(seen)
				if !slices.Equal(seen, want) {
					t.Errorf("%d connections: %d units seen of %d", conns, len(seen), len(want))
				}
				if later > 0 && (conns == 1 || later < tagged) { // readers may begin before the change or after it
					t.Errorf("%d connections: %d of %d units as they were changed later", conns, later, tagged)
				}
			})
		}
		readers.Wait()
	}
}

func sortIDs(ids []uuid.UUID) {
	slices.SortFunc(ids, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
}

// TestEachChunkFails ends with the first error, wherever it comes from, and leaves the pool as it was.
func TestEachChunkFails(t *testing.T) {
	t.Parallel()
	w, f := chunkFleet(t, 4)
	bad := errors.New("bad")
	chunks := (len(f.ids()) + 499) / 500
	for n := range chunks + 1 {
		calls := 0
		var mu sync.Mutex
		err := w.store.Read(t.Context(), org, func(ctx context.Context, r *compliancepg.Reader) error {
			return r.EachChunk(ctx, f.ids(), func([]uuid.UUID, map[uuid.UUID]string) error {
				mu.Lock()
				defer mu.Unlock()
				if calls++; calls > n {
					return bad
				}
				return nil
			})
		})
		if want := n < chunks; errors.Is(err, bad) != want {
			t.Errorf("failing from call %d on: %v after %d calls", n+1, err, calls)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
	err := w.store.Read(ctx, org, func(ctx context.Context, r *compliancepg.Reader) error {
		return r.EachChunk(ctx, f.ids(), func([]uuid.UUID, map[uuid.UUID]string) error {
			cancel()
			return nil
		})
	})
	if err == nil {
		t.Error("a caller that has gone got an answer")
	}
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		return r.EachChunk(ctx, f.ids(), func([]uuid.UUID, map[uuid.UUID]string) error { return nil })
	})
}
