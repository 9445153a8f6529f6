package historypg

import (
	"context"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
)

// Read runs fn in a transaction that only reads.
func (s *Store) Read(ctx context.Context, org tenant.Org, fn func(ctx context.Context, tx history.Bench) error) error {
	return s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error { return fn(ctx, &writer{org: org, tx: tx}) })
}

// Opening returns the entry that opened an order.
func (s *Store) Opening(ctx context.Context, org tenant.Org, order uuid.UUID) (row history.Row, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		err := scan(tx.QueryRow(ctx, `select `+columns+` from entries where org_id = $1 and entry_id = $2 and order_id = $2`, org.UUID, order), &row)
		if pg.NoRows(err) {
			return errs.Missing(resname.OrderName(org, order))
		}
		return pg.Err(err)
	})
	return row, err
}

// OrderQuery says which orders to list. What is zero does not restrict.
type OrderQuery struct {
	Unit   uuid.UUID
	Shop   string
	Open   bool  // neither signed nor closed
	Before int64 // only those opened before this sequence
}

// OrderOf is an order with its rows, by sequence.
type OrderOf struct {
	ID       uuid.UUID
	Sequence int64 // of its opening
	Rows     []*history.Row
}

// Orders returns at most limit orders, the last opened first.
func (s *Store) Orders(ctx context.Context, org tenant.Org, q OrderQuery, limit int) (out []OrderOf, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		w := &where{args: []any{org.UUID}}
		w.text.WriteString(`o.org_id = $1`)
		if q.Before > 0 {
			w.and(`o.sequence < `, q.Before)
		}
		if q.Unit != uuid.Nil {
			w.and(`o.unit_id = `, q.Unit)
		}
		if q.Shop != "" {
			w.and(`o.shop = `, q.Shop)
		}
		if q.Open {
			w.text.WriteString(` and not exists (select from order_ends as e where e.org_id = o.org_id and e.order_id = o.order_id)`)
		}
		rows, err := tx.Query(ctx, `select o.order_id, o.sequence from orders as o where `+w.text.String()+` order by o.sequence desc limit `+strconv.Itoa(limit), w.args...)
		if err != nil {
			return pg.Err(err)
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (o OrderOf, err error) {
			return o, row.Scan(&o.ID, &o.Sequence)
		})
		if err != nil || len(out) == 0 {
			return pg.Err(err)
		}
		at := make(map[uuid.UUID]*OrderOf, len(out))
		ids := make([]uuid.UUID, len(out))
		for i := range out {
			at[out[i].ID], ids[i] = &out[i], out[i].ID
		}
		of, err := pointers(collect(ctx, tx, `select `+columns+` from entries where org_id = $1 and order_id = any($2::uuid[]) order by sequence`, []any{org.UUID, array(ids)}))
		for _, r := range of {
			at[r.Order].Rows = append(at[r.Order].Rows, r)
		}
		return err
	})
	return out, err
}

// UseKey is where a listing of an instrument's uses stands.
type UseKey struct {
	Occurred time.Time `json:"t"`
	Entry    uuid.UUID `json:"e"`
}

// InstrumentUses returns at most limit uses of an instrument after a key, by when they were; those from an instant on and before another, where these are set.
func (s *Store) InstrumentUses(ctx context.Context, org tenant.Org, instrument uuid.UUID, from, before time.Time, after UseKey, limit int) (out []history.InstrumentUse, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		w := &where{args: []any{org.UUID, instrument, after.Occurred, after.Entry}}
		w.text.WriteString(`org_id = $1 and instrument_id = $2 and (occurred, entry_id) > ($3, $4)`)
		if !from.IsZero() {
			w.and(`occurred >= `, from)
		}
		if !before.IsZero() {
			w.and(`occurred < `, before)
		}
		rows, err := tx.Query(ctx, `select sequence, entry_id, occurred, unit_id, order_id, activity, shop, passed from instrument_uses where `+w.text.String()+` order by occurred, entry_id limit `+strconv.Itoa(limit), w.args...)
		if err != nil {
			return pg.Err(err)
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (u history.InstrumentUse, err error) {
			u.Instrument = instrument
			return u, row.Scan(&u.Sequence, &u.Entry, &u.Occurred, &u.Unit, &u.Order, &u.Activity, &u.Shop, &u.Passed)
		})
		return pg.Err(err)
	})
	return out, err
}
