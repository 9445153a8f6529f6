package historypg

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
)

// Store is history.Store on PostgreSQL. It is safe for concurrent use.
type Store struct{ db *pg.DB }

var _ history.Store = (*Store)(nil)

// New returns a store in db, which must be open on Schema.
func New(db *pg.DB) *Store { return &Store{db: db} }

// Write runs fn in one transaction; see pg.DB.InOrg.
func (s *Store) Write(ctx context.Context, org tenant.Org, fn func(ctx context.Context, tx history.Tx) error) error {
	return s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		return fn(ctx, &writer{org: org, tx: tx})
	})
}

// writer is history.Tx.
type writer struct {
	org tenant.Org
	tx  pgx.Tx
}

const (
	lockHead = `select number, digest, recorded from heads where org_id = $1 for update`
	makeHead = `insert into heads (org_id, org, number, digest, recorded) values ($1, $2, 0, $3, $4) on conflict do nothing`
	moveHead = `update heads set number = $2, digest = $3, recorded = $4 where org_id = $1`

	foundColumns = `entry_id, unit_id, kind, sequence, recorded, corrects, body, digest`
	findEntries  = `select ` + foundColumns + ` from entries where org_id = $1 and entry_id = any($2::uuid[])`
	findAmending = `select ` + foundColumns + ` from entries where org_id = $1 and corrects = any($2::uuid[])`
)

// Lock locks the org's head row, which it makes if the org has none yet.
func (w *writer) Lock(ctx context.Context, ids, targets []uuid.UUID) (head history.Head, found history.Found, err error) {
	for {
		b := &pgx.Batch{}
		b.Queue(lockHead, w.org.UUID)
		queueFind(b, w.org, ids, targets)
		have := false
		err := w.send(ctx, b, func(r pgx.BatchResults) error {
			switch err := scanHead(r.QueryRow(), &head); {
			case pg.NoRows(err):
				return readFound(r, ids, targets, &history.Found{})
			case err != nil:
				return err
			}
			have = true
			return readFound(r, ids, targets, &found)
		})
		if err != nil || have {
			return head, found, err
		}
		genesis := history.Genesis(w.org.UUID)
		if _, err := w.tx.Exec(ctx, makeHead, w.org.UUID, w.org.ID, genesis[:], time.Unix(0, 0)); err != nil {
			return history.Head{}, history.Found{}, pg.Err(err)
		}
	}
}

// Find returns the entries with the ids, the targets, and the targets' amendments.
func (w *writer) Find(ctx context.Context, ids, targets []uuid.UUID) (found history.Found, err error) {
	b := &pgx.Batch{}
	queueFind(b, w.org, ids, targets)
	err = w.send(ctx, b, func(r pgx.BatchResults) error { return readFound(r, ids, targets, &found) })
	return found, err
}

// send runs a batch in one trip.
func (w *writer) send(ctx context.Context, b *pgx.Batch, read func(pgx.BatchResults) error) error {
	r := w.tx.SendBatch(ctx, b)
	err := read(r)
	if cerr := r.Close(); err == nil {
		err = cerr
	}
	return pg.Err(err)
}

// queueFind adds what finds rows; nothing if there is nothing to find.
func queueFind(b *pgx.Batch, org tenant.Org, ids, targets []uuid.UUID) {
	if len(ids)+len(targets) == 0 {
		return
	}
	if len(targets) > 0 {
		ids = append(ids[:len(ids):len(ids)], targets...)
	}
	b.Queue(findEntries, org.UUID, array(ids))
	if len(targets) > 0 {
		b.Queue(findAmending, org.UUID, array(targets))
	}
}

func readFound(r pgx.BatchResults, ids, targets []uuid.UUID, found *history.Found) error {
	if len(ids)+len(targets) == 0 {
		return nil
	}
	rows, err := scanFound(r)
	if err != nil {
		return err
	}
	found.Rows = make(map[uuid.UUID]*history.Row, len(rows))
	for _, row := range rows {
		found.Rows[row.ID] = row
	}
	if len(targets) > 0 {
		found.Amendments, err = scanFound(r)
	}
	return err
}

func scanFound(r pgx.BatchResults) (out []*history.Row, err error) {
	rows, err := r.Query()
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		row := &history.Row{}
		var digest []byte
		var corrects *uuid.UUID
		if err := rows.Scan(&row.ID, &row.Unit, &row.Kind, &row.Sequence, &row.Recorded, &corrects, &row.Body, &digest); err != nil {
			return nil, err
		}
		finish(row, corrects, digest)
		out = append(out, row)
	}
	return out, rows.Err()
}

func finish(row *history.Row, corrects *uuid.UUID, digest []byte) {
	copy(row.Digest[:], digest) // a shorter one, which a constraint forbids, does not verify
	if corrects != nil {
		row.Corrects = *corrects
	}
}

func scanHead(row pgx.Row, head *history.Head) error {
	var digest []byte
	if err := row.Scan(&head.Number, &digest, &head.Recorded); err != nil {
		return err
	}
	copy(head.Digest[:], digest)
	return nil
}

// COPY FROM does not work with row-level security, and this comes near it: one statement, a column at a time.
const insertEntries = `
insert into entries (org_id, sequence, entry_id, unit_id, shop, kind, occurred, recorded, corrects, order_id, recorder, body, digest)
select $1, $2 + n, entry_id, unit_id, shop, kind, occurred, $3, corrects, order_id, $4, body, digest
from unnest($5::uuid[], $6::uuid[], $7::text[], $8::smallint[], $9::timestamptz[], $10::uuid[], $11::uuid[], $12::bytea[], $13::bytea[])
  with ordinality as t (entry_id, unit_id, shop, kind, occurred, corrects, order_id, body, digest, n)`

// Append adds the rows, whose sequences follow one another and which have recorder and recorded in common, and what they are found by.
func (w *writer) Append(ctx context.Context, rows []*history.Row, head history.Head, found *history.Index) error {
	n := len(rows)
	var (
		ids, units, corrects = make(uuids, n), make(uuids, n), make(uuids, n)
		orders               = make(uuids, n)
		shops                = make(pgtype.FlatArray[string], n)
		kinds                = make(pgtype.FlatArray[int16], n)
		occurred             = make(pgtype.FlatArray[time.Time], n)
		bodies, digests      = make(pgtype.FlatArray[[]byte], n), make(pgtype.FlatArray[[]byte], n)
	)
	for i, r := range rows {
		ids[i], units[i] = id(r.ID), id(r.Unit)
		if r.Corrects != uuid.Nil {
			corrects[i] = id(r.Corrects)
		}
		if r.Order != uuid.Nil {
			orders[i] = id(r.Order)
		}
		shops[i], kinds[i], occurred[i] = r.Shop, int16(r.Kind), r.Occurred
		bodies[i], digests[i] = r.Body, r.Digest[:]
	}
	b := &pgx.Batch{}
	b.Queue(insertEntries, w.org.UUID, rows[0].Sequence-1, rows[0].Recorded, rows[0].Recorder, ids, units, shops, kinds, occurred, corrects, orders, bodies, digests)
	b.Queue(moveHead, w.org.UUID, head.Number, head.Digest[:], head.Recorded)
	queueIndex(b, w.org, found)
	err := w.send(ctx, b, func(r pgx.BatchResults) error {
		for range b.Len() {
			if _, err := r.Exec(); err != nil {
				return err
			}
		}
		return nil
	})
	if pg.HasConstraint(err, "entries_entry_key") {
		return history.ErrIDInUse.Because(err)
	}
	return err
}

// uuids is an array of UUIDs as pgx encodes it fastest.
type uuids = pgtype.FlatArray[pgtype.UUID]

func id(u uuid.UUID) pgtype.UUID { return pgtype.UUID{Bytes: u, Valid: true} }

func array(us []uuid.UUID) uuids {
	out := make(uuids, len(us))
	for i, u := range us {
		out[i] = id(u)
	}
	return out
}
