// Package compliancepg stores what compliance keeps, in the schema `compliance`: the projection of registry and history, the
// clocks and holds derived from it, and compliance's own primary data (rule packs, holds placed by people, waivers, recalls).
//
// A page of a feed, its cursor and the rows of every unit it touches are written in one transaction, which holds the locks
// of both of the org's cursors: what two sources tell of one unit is never derived from half of it.
package compliancepg

import (
	"context"
	"embed"
	"errors"
	"io/fs"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

//go:embed migrations/*.sql
var files embed.FS

// Schema is the schema and role of compliance.
var Schema = pg.Schema{Name: "compliance", Role: "strandline_compliance", Migrations: sub(files, "migrations")}

func sub(f fs.FS, dir string) fs.FS {
	s, err := fs.Sub(f, dir)
	if err != nil {
		panic(err)
	}
	return s
}

// Store is compliance's store. It is safe for concurrent use.
type Store struct {
	db      *pg.DB
	clock   clock.Clock
	packs   packCache
	recalls recallCache
	ready   readyCopy
}

// NewStore returns a store on a database. Packs are stored as the bytes they were published as; decode reads them.
func NewStore(db *pg.DB, decode func(id string, body []byte) (due.Pack, error)) *Store {
	return &Store{db: db, clock: clock.System{}, packs: packCache{decode: decode}}
}

// Clocked returns the store with another clock than the machine's. What becomes known is told as of when it says.
func (s *Store) Clocked(c clock.Clock) *Store {
	s.clock = c
	return s
}

// Read runs fn in one snapshot of the org: everything it reads belongs together with the position it reads.
func (s *Store) Read(ctx context.Context, org tenant.Org, fn func(ctx context.Context, r *Reader) error) error {
	return s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		return pg.Err(fn(ctx, &Reader{store: s, org: org, tx: tx}))
	})
}

// Reader reads within one snapshot.
type Reader struct {
	store *Store
	org   tenant.Org
	tx    pgx.Tx
}

// Position returns where the projection and compliance's own log stand.
func (s *Store) Position(ctx context.Context, org tenant.Org) (p compliance.Position, err error) {
	err = s.Read(ctx, org, func(ctx context.Context, r *Reader) error {
		p, err = r.Position(ctx)
		return err
	})
	return p, err
}

// Position returns where the projection and compliance's own log stand in this snapshot.
func (r *Reader) Position(ctx context.Context) (compliance.Position, error) {
	return position(ctx, r.tx, r.org)
}

func position(ctx context.Context, tx pgx.Tx, org tenant.Org) (p compliance.Position, err error) {
	err = tx.QueryRow(ctx, selectPosition, org.UUID).Scan(&p.Registry, &p.History, &p.Compliance)
	return p, pg.Err(err)
}

const selectPosition = `select
	coalesce((select number from cursors where org_id = $1 and source = 1), 0),
	coalesce((select number from cursors where org_id = $1 and source = 2), 0),
	coalesce((select number from heads where org_id = $1), 0)`

// lockCursors locks both of the org's cursors, registry's first, and returns where they stand.
func lockCursors(ctx context.Context, tx pgx.Tx, org tenant.Org) (p compliance.Position, err error) {
	if _, err = tx.Exec(ctx, `insert into cursors (org_id, source, number) values ($1, 1, 0), ($1, 2, 0) on conflict do nothing`, org.UUID); err != nil {
		return p, pg.Err(err)
	}
	rows, err := tx.Query(ctx, `select source, number from cursors where org_id = $1 order by source for update`, org.UUID)
	if err != nil {
		return p, pg.Err(err)
	}
	var source compliance.Source
	var number int64
	_, err = pgx.ForEachRow(rows, []any{&source, &number}, func() error {
		if source == compliance.Registry {
			p.Registry = number
		} else {
			p.History = number
		}
		return nil
	})
	return p, pg.Err(err)
}

// nextChange locks the org's head, moves it on and writes the change to compliance's own log.
func nextChange(ctx context.Context, tx pgx.Tx, org tenant.Org, change compliance.OwnChange) (number int64, err error) {
	batch := &pgx.Batch{}
	queueChange(batch, org, change, &number)
	return number, pg.Err(tx.SendBatch(ctx, batch).Close())
}

// queueChange queues what nextChange does. What is queued after it sees what others wrote before they gave the lock up.
func queueChange(batch *pgx.Batch, org tenant.Org, change compliance.OwnChange, number *int64) {
	batch.Queue(`insert into heads (org_id, number) values ($1, 1) on conflict (org_id) do update set number = heads.number + 1 returning number`, org.UUID).
		QueryRow(func(row pgx.Row) error { return row.Scan(number) })
	batch.Queue(`insert into changes (org_id, number, changed, kind, subject, actor) select $1, h.number, $2, $3, $4, $5 from heads as h where h.org_id = $1`,
		org.UUID, change.At, change.Kind, change.Subject, change.Actor)
}

// one returns what a query for one row gave, or missing if there is none.
func one(err error, resource string) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return errs.Missing(resource)
	}
	return pg.Err(err)
}
