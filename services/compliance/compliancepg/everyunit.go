package compliancepg

import (
	"context"
	"slices"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"strandline.example/strandline/internal/pg"
)

// moreConnections is how many connections besides its own a reader of a whole fleet uses, if the pool has them.
const moreConnections = 3

// unitIDs returns the units that a condition on p_units keeps, sets together: what is fitted together is loaded together. The condition's
// parameters start at $2.
func unitIDs(ctx context.Context, tx pgx.Tx, where string, args ...any) ([]uuid.UUID, error) {
	rows, err := tx.Query(ctx, `select unit_id from p_units where org_id = $1 and `+where+` order by coalesce(host_id, unit_id), unit_id`, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	var ids []uuid.UUID
	var id uuid.UUID
	_, err = pgx.ForEachRow(rows, []any{&id}, func() error {
		ids = append(ids, id)
		return nil
	})
	return ids, pg.Err(err)
}

// eachChunk loads units by chunks as loadFacts does, and with parts what is fitted to them, and calls fn with each chunk: by several goroutines at a time, on
// connections of their own that see the reader's snapshot. fn must not use the reader, nor keep what it is given. The first error ends it.
//
// The reader's own connection is enough: others help as far as the pool has them to spare, so that readers never wait for one another.
func (r *Reader) eachChunk(ctx context.Context, units []uuid.UUID, parts bool, known time.Time, fn func(f *facts, chunk []uuid.UUID) error) error {
	chunks := slices.Collect(slices.Chunk(units, recomputeChunk))
	var taken atomic.Int64
	work := func(ctx context.Context, tx pgx.Tx) error {
		var memory entryReader
		for {
			i := int(taken.Add(1)) - 1
			if i >= len(chunks) {
				return nil
			}
			f, err := r.store.loadFacts(ctx, tx, r.org, chunks[i], parts, known, &memory)
			if err != nil {
				return err
			}
			if err := fn(f, chunks[i]); err != nil {
				return err
			}
			if err := ctx.Err(); err != nil {
				return err
			}
		}
	}
	if len(chunks) < 2 {
		return work(ctx, r.tx)
	}
	var snapshot *string // none if the transaction may have written what only it sees
	if err := r.tx.QueryRow(ctx, `select case when current_setting('transaction_read_only')::boolean then pg_export_snapshot() end`).Scan(&snapshot); err != nil {
		return pg.Err(err)
	}
	if snapshot == nil {
		return work(ctx, r.tx)
	}
	g, working := errgroup.WithContext(ctx)
	waiting, enough := context.WithCancel(working)
	defer enough()
	for range min(moreConnections, len(chunks)-1) {
		g.Go(func() (failed error) {
			// Without a connection there is nothing to do here, and what ends the transaction after the work does not matter.
			_ = r.store.db.ReadOrgAt(waiting, r.org, *snapshot, func(_ context.Context, tx pgx.Tx) error {
				failed = work(working, tx)
				return failed
			})
			return failed
		})
	}
	g.Go(func() error {
		defer enough() // every chunk is taken
		return work(working, r.tx)
	})
	return pg.Err(g.Wait())
}
