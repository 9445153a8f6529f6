// Package registrypg keeps the registry in PostgreSQL: what exists now, the log of changes that the feed serves, and the
// head of each org, which every write locks first.
//
// Statements run inside [pg.DB.InOrg], [pg.DB.ReadOrg] or [pg.DB.AcrossOrgs] only. Writes are batched: a change of a
// thousand units takes as many trips as one of one.
package registrypg

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/registry"
)

// Encode turns a change into what the log keeps: the body that the feed serves.
type Encode func(org tenant.Org, number int64, at time.Time, c registry.Change) ([]byte, error)

// Store is the registry's rows. It is safe for concurrent use.
type Store struct {
	db     *pg.DB
	encode Encode
}

var _ registry.Store = (*Store)(nil)

// New returns a store. The bodies of changes are encode's.
func New(db *pg.DB, encode Encode) *Store { return &Store{db: db, encode: encode} }

// Write implements registry.Store.
func (s *Store) Write(ctx context.Context, org tenant.Org, now time.Time, fn func(ctx context.Context, tx registry.Tx) error) (int64, error) {
	return s.write(ctx, org, now, false, fn)
}

// Found implements registry.Store.
func (s *Store) Found(ctx context.Context, org tenant.Org, now time.Time, fn func(ctx context.Context, tx registry.Tx) error) (int64, error) {
	return s.write(ctx, org, now, true, fn)
}

func (s *Store) write(ctx context.Context, org tenant.Org, now time.Time, found bool, fn func(ctx context.Context, tx registry.Tx) error) (int64, error) {
	const begin = `insert into heads (org_id, org, number) values ($1, $2, 0) on conflict do nothing`
	const lock = `select number from heads where org_id = $1 for update`
	const move = `update heads set number = $2 where org_id = $1`
	var position int64
	err := s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if found {
			if _, err := tx.Exec(ctx, begin, org.UUID, org.ID); err != nil {
				return pg.Err(err)
			}
		}
		w := &writer{tx: tx, org: org, now: now, encode: s.encode}
		switch err := tx.QueryRow(ctx, lock, org.UUID).Scan(&w.head); {
		case errors.Is(err, pgx.ErrNoRows):
			return errs.Missing(org.Name())
		case err != nil:
			return pg.Err(err)
		}
		before := w.head
		if err := fn(ctx, w); err != nil {
			return err
		}
		if w.head != before {
			if _, err := tx.Exec(ctx, move, org.UUID, w.head); err != nil {
				return pg.Err(err)
			}
		}
		position = w.head
		return nil
	})
	return position, err
}

// writer is the org's rows inside one write.
type writer struct {
	tx     pgx.Tx
	org    tenant.Org
	now    time.Time
	head   int64 // number of the last change recorded
	encode Encode
}

var _ registry.Tx = (*writer)(nil)

// Record implements registry.Tx.
func (w *writer) Record(ctx context.Context, changes ...registry.Change) error {
	const insert = `insert into changes (org_id, number, changed, body)
		select $1, number, $2, body from unnest($3::bigint[], $4::bytea[]) as c (number, body)`
	if len(changes) == 0 {
		return nil
	}
	numbers, bodies := make([]int64, len(changes)), make([][]byte, len(changes))
	for i, c := range changes {
		w.head++
		body, err := w.encode(w.org, w.head, w.now, c)
		if err != nil {
			return errs.New(errs.Internal, "INTERNAL", "a change cannot be encoded").Because(err)
		}
		numbers[i], bodies[i] = w.head, body
	}
	_, err := w.tx.Exec(ctx, insert, w.org.UUID, w.now, numbers, bodies)
	return pg.Err(err)
}

// byKey reads rows into a map.
func byKey[K comparable, V any](rows pgx.Rows, scan func(pgx.CollectableRow) (K, V, error)) (map[K]V, error) {
	defer rows.Close()
	out := map[K]V{}
	for rows.Next() {
		k, v, err := scan(rows)
		if err != nil {
			return nil, pg.Err(err)
		}
		out[k] = v
	}
	return out, pg.Err(rows.Err())
}

// read runs one query of an org in a transaction of its own, or in the one that is open, and returns its rows.
func read[T any](ctx context.Context, db *pg.DB, org tenant.Org, scan pgx.RowToFunc[T], sql string, args ...any) ([]T, error) {
	var out []T
	err := db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, sql, args...)
		if err != nil {
			return pg.Err(err)
		}
		out, err = pgx.CollectRows(rows, scan)
		return pg.Err(err)
	})
	return out, err
}

// one returns the only row, or NOT_FOUND of the resource.
func one[T any](rows []T, err error, resource string) (T, error) {
	var none T
	switch {
	case err != nil:
		return none, err
	case len(rows) == 0:
		return none, errs.Missing(resource)
	}
	return rows[0], nil
}
