package compliancepg_test

import (
	"context"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// reader follows an org or a shop of a life, batch by batch.
type reader struct {
	l     *life
	store *compliancepg.Store
	q     compliance.WatchQuery
	units map[uuid.UUID]compliance.WatchedUnit
	told  map[uuid.UUID]int64 // the number of the change with which a unit was told last
	begun int64               // the number at which the changes began
	last  compliance.WatchKey
}

func (l *life) reader(shop string, limit int) *reader {
	return &reader{l: l, store: l.store, q: compliance.WatchQuery{Shop: shop, Limit: limit, Now: l.clock.Now}, units: map[uuid.UUID]compliance.WatchedUnit{}, told: map[uuid.UUID]int64{}}
}

// batch takes in one batch. The keys of changes go up, and none is beyond the state it was read from.
func (r *reader) batch(ctx context.Context) (b compliance.WatchBatch, err error) {
	err = r.store.Read(ctx, org, func(ctx context.Context, rd *compliancepg.Reader) error {
		b, err = rd.Watch(ctx, r.q)
		return err
	})
	if err != nil {
		return b, err
	}
	if len(b.Items) > r.q.Limit {
		r.l.t.Errorf("%d of %d", len(b.Items), r.q.Limit)
	}
	for _, i := range b.Items {
		if i.Unit != nil {
			r.units[i.Unit.Unit] = *i.Unit
			r.told[i.Unit.Unit] = i.Key.Number
		}
		if i.Key.Stage != compliance.WatchChanges {
			r.begun = i.Key.Number
		}
		k, was := i.Key, r.last
		if k.Number > b.Head.Number || k.Stage < was.Stage || k.Stage == compliance.WatchChanges && was.Stage == compliance.WatchChanges &&
			(k.Number < was.Number || k.Number == was.Number && k.Row == was.Row && cmpID(k.ID, was.ID) <= 0) {
			r.l.t.Errorf("%+v follows %+v, of a state at %d", k, was, b.Head.Number)
		}
		r.last = k
	}
	r.q.After = b.Next
	return b, nil
}

func cmpID(a, b uuid.UUID) int {
	for i := range a {
		if a[i] != b[i] {
			return int(a[i]) - int(b[i])
		}
	}
	return 0
}

func (r *reader) present() map[uuid.UUID]compliance.WatchedUnit {
	out := map[uuid.UUID]compliance.WatchedUnit{}
	for id, u := range r.units {
		if !u.Retired && (r.q.Shop == "" || u.Shop == r.q.Shop) {
			out[id] = u
		}
	}
	return out
}

// drain takes in everything there is.
func (r *reader) drain(ctx context.Context) error {
	for {
		if b, err := r.batch(ctx); err != nil || b.Done {
			return err
		}
	}
}

var sameMark = cmp.Comparer(func(a, b civil.Mark) bool { return a == b })

// TestReadersMissNothing has eight write at once, in transactions that end late and some of which are taken back, under three different locks,
// while four read what is new from where they are: in the end each has what a new reader gets.
func TestReadersMissNothing(t *testing.T) {
	t.Parallel()
	l := newLife(t, 120) // so many that what is missed is seldom told again
	db := l.data.Open(t, compliancepg.Schema)
	stores := []*compliancepg.Store{l.store, compliancepg.NewStore(db, decode).Recalling(decodeRecall).Clocked(l.clock)}
	ids := l.f.ids()
	var writing, reading errgroup.Group
	var writers sync.WaitGroup
	var written, takenBack, batches atomic.Int64
	late := func(rng *rand.Rand, write func(ctx context.Context) error) error {
		undo := rng.IntN(6) == 0
		err := db.InOrg(t.Context(), org, func(ctx context.Context, _ pgx.Tx) error {
			if err := write(ctx); err != nil {
				return err
			}
			pause := time.NewTimer(time.Duration(rng.IntN(6)) * time.Millisecond)
			defer pause.Stop()
			<-pause.C
			if undo {
				return errCrash
			}
			return nil
		})
		if undo {
			takenBack.Add(1)
			return nil
		}
		written.Add(1)
		return err
	}
	each := rounds.Of(40)
	var feed sync.Mutex
	seeds := [8]uint64{}
	for i := range seeds {
		seeds[i] = l.f.rng.Uint64()
	}
	for i := range seeds {
		rng := rand.New(rand.NewPCG(seeds[i], uint64(i)))
		writers.Add(1)
		writing.Go(func() error {
			defer writers.Done()
			for range each {
				unit := ids[rng.IntN(len(ids))]
				now := l.clock.Now()
				var err error
				switch {
				case i < 3: // the lock of compliance's own log
					h := due.ManualHold{ID: uuid.NewString(), Unit: unit, Reason: "odd sound", Blocks: due.HandOut, Placed: now, Placer: "test"}
					own := compliance.OwnChange{At: now, Kind: compliance.HoldPlaced, Actor: "test"}
					if err = late(rng, func(ctx context.Context) error {
						_, err := stores[1].PlaceHold(ctx, org, h, own)
						return err
					}); err == nil && rng.IntN(2) == 0 {
						_, _, _ = stores[0].LiftHold(t.Context(), org, unit, h.ID, "fine", own) // it may have been taken back
					}
				case i < 6: // the locks of the cursors
					feed.Lock()
					l.f.record(due.Entry{Unit: unit, Occurred: now, Kind: due.UsageEntry, Amount: due.Amount{Dives: int64(1 + rng.IntN(5))}})
					page := []compliance.Change{l.f.history[len(l.f.history)-1]}
					feed.Unlock()
					err = late(rng, func(ctx context.Context) error {
						p, err := stores[1].Position(ctx, org)
						if err != nil || p.History+1 != page[0].Number {
							return err // somebody else's turn, or one was taken back: the last to come applies all
						}
						_, err = stores[1].Apply(ctx, org, compliance.History, page)
						return err
					})
				default: // none
					l.clock.Advance(time.Duration(rng.IntN(6)) * time.Hour)
					err = late(rng, func(ctx context.Context) error {
						_, _, err := stores[1].MarkPassed(ctx, org, l.clock.Now(), 1)
						return err
					})
				}
				if err != nil {
					return err
				}
			}
			return nil
		})
	}
	over := make(chan struct{})
	go func() { writers.Wait(); close(over) }()
	readers := []*reader{l.reader("", 3), l.reader("", 500), l.reader("shop0", 7), l.reader("shop1", 40)}
	for _, r := range readers {
		reading.Go(func() error {
			for {
				if _, err := r.batch(t.Context()); err != nil {
					return err
				}
				batches.Add(1)
				select {
				case <-over:
					return nil
				default:
				}
			}
		})
	}
	if err := writing.Wait(); err != nil {
		t.Fatal(err)
	}
	if err := reading.Wait(); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d written, %d taken back, %d batches", written.Load(), takenBack.Load(), batches.Load())
	_, marks := l.watched()
	for _, r := range readers {
		if err := r.drain(t.Context()); err != nil {
			t.Fatal(err)
		}
		for id, number := range marks {
			if told, ok := r.told[id]; number > r.begun && ok && told < number || number > r.begun && !ok && r.q.Shop == "" {
				t.Errorf("the reader of %q in batches of %d is past change %d of a unit that it has from %d", r.q.Shop, r.q.Limit, number, told)
			}
		}
	}
	// What time has changed, and whatever was not applied, comes now; then all are equal.
	for p, err := l.store.Position(t.Context(), org); int(p.History) < len(l.f.history); p, err = l.store.Position(t.Context(), org) {
		if err == nil {
			_, err = l.store.Apply(t.Context(), org, compliance.History, l.f.page(compliance.History, p.History, 50))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	l.noticed()
	for _, r := range readers {
		fresh := l.reader(r.q.Shop, 1000)
		for _, x := range []*reader{r, fresh} {
			if err := x.drain(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if d := cmp.Diff(fresh.present(), r.present(), sameMark); d != "" {
			t.Errorf("the reader of %q in batches of %d differs from a new one:\n%s", r.q.Shop, r.q.Limit, d)
		}
	}
}

// TestReadersOfALife follows a fleet's life in batches of every size: after everything that happens, what is kept is what is.
func TestReadersOfALife(t *testing.T) {
	t.Parallel()
	l := newLife(t, 30)
	readers := []*reader{l.reader("", 1), l.reader("", 4), l.reader("", 1000), l.reader("shop0", 1), l.reader("shop1", 3), l.reader("shop2", 1000)}
	for i := range rounds.Of(90) {
		if i%3 > 0 {
			l.happens()
		} else {
			l.passes()
		}
		r := readers[l.f.rng.IntN(len(readers))]
		for range l.f.rng.IntN(12) {
			if _, err := r.batch(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if i%10 < 9 {
			continue
		}
		states, _ := l.watched()
		for _, r := range readers {
			if err := r.drain(t.Context()); err != nil {
				t.Fatal(err)
			}
			want := map[uuid.UUID]compliance.WatchedUnit{}
			for id, u := range states {
				if !u.Retired && (r.q.Shop == "" || u.Shop == r.q.Shop) {
					want[id] = u
				}
			}
			if d := cmp.Diff(want, r.present(), sameMark); d != "" {
				t.Fatalf("step %d: the reader of %q in batches of %d:\n%s", i, r.q.Shop, r.q.Limit, d)
			}
		}
	}
}
