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

const (
	selectOrder = `select ` + columns + ` from entries where org_id = $1 and order_id = $2 order by sequence`
	selectTests = `select ` + columns + ` from entries where org_id = $1 and unit_id = any($2::uuid[]) and kind in (3, 5) order by sequence`

	selectOpen = `
select o.order_id from orders as o
where o.org_id = $1 and o.unit_id = $2 and o.purpose = $3 and not exists (select from order_ends as e where e.org_id = o.org_id and e.order_id = o.order_id)
limit 1`

	selectLastUses = `
select distinct on (u.unit_id, u.activity) u.sequence, u.entry_id, u.occurred, u.unit_id, u.order_id, u.activity, u.shop, e.occurred
from instrument_uses as u
left join order_ends as e on e.org_id = u.org_id and e.order_id = u.order_id and e.ending = 1
where u.org_id = $1 and u.instrument_id = $2 and u.occurred between $3 and $4 and u.passed
order by u.unit_id, u.activity, u.occurred desc, u.entry_id desc`

	insertOrder = `insert into orders (org_id, order_id, sequence, unit_id, purpose, shop) values ($1, $2, $3, $4, $5, $6)`
	insertEnd   = `insert into order_ends (org_id, order_id, ending, sequence, occurred) values ($1, $2, $3, $4, $5)`
	insertUses  = `
insert into instrument_uses (org_id, instrument_id, occurred, entry_id, sequence, unit_id, order_id, activity, shop, passed)
select $1, t.* from unnest($2::uuid[], $3::timestamptz[], $4::uuid[], $5::bigint[], $6::uuid[], $7::uuid[], $8::text[], $9::text[], $10::boolean[]) as t`
)

// OrderRows returns the rows of an order.
func (w *writer) OrderRows(ctx context.Context, order uuid.UUID) ([]*history.Row, error) {
	return pointers(collected(w.tx.Query(ctx, selectOrder, w.org.UUID, order)))
}

// TestsOf returns the tests of units, and amendments.
func (w *writer) TestsOf(ctx context.Context, units []uuid.UUID) ([]*history.Row, error) {
	if len(units) == 0 {
		return nil, nil
	}
	return pointers(collected(w.tx.Query(ctx, selectTests, w.org.UUID, array(units))))
}

func pointers(rows []history.Row, err error) ([]*history.Row, error) {
	out := make([]*history.Row, len(rows))
	for i := range rows {
		out[i] = &rows[i]
	}
	return out, err
}

// OpenOrder returns the open order of a unit for a purpose.
func (w *writer) OpenOrder(ctx context.Context, unit uuid.UUID, purpose string) (order uuid.UUID, err error) {
	err = w.tx.QueryRow(ctx, selectOpen, w.org.UUID, unit, purpose).Scan(&order)
	if pg.NoRows(err) {
		return uuid.Nil, nil
	}
	return order, pg.Err(err)
}

// LastUses returns the last tests that passed with an instrument.
func (w *writer) LastUses(ctx context.Context, instrument uuid.UUID, from, to time.Time) ([]history.InstrumentUse, error) {
	rows, err := w.tx.Query(ctx, selectLastUses, w.org.UUID, instrument, from, to)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (u history.InstrumentUse, err error) {
		var signed *time.Time
		u.Instrument, u.Passed = instrument, true
		if err = row.Scan(&u.Sequence, &u.Entry, &u.Occurred, &u.Unit, &u.Order, &u.Activity, &u.Shop, &signed); signed != nil {
			u.Signed = *signed
		}
		return u, err
	})
	return out, pg.Err(err)
}

// Lots returns lots.
func (w *writer) Lots(ctx context.Context, ids []string) (map[string]history.Lot, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	return readLots(ctx, w.tx, w.org, ids)
}

// queueIndex adds what rows are found by.
func queueIndex(b *pgx.Batch, org tenant.Org, x *history.Index) {
	if x == nil {
		return
	}
	for _, o := range x.Opened {
		b.Queue(insertOrder, org.UUID, id(o.Row.ID), o.Row.Sequence, id(o.Row.Unit), o.Purpose, o.Row.Shop)
	}
	for _, e := range x.Ended {
		b.Queue(insertEnd, org.UUID, id(e.Order), int16(e.Ending), e.Row.Sequence, e.Row.Occurred)
	}
	if n := len(x.Instruments); n > 0 {
		var (
			instruments, entries, units, orders = make(uuids, n), make(uuids, n), make(uuids, n), make(uuids, n)
			occurred                            = make(pgtype.FlatArray[time.Time], n)
			sequences                           = make(pgtype.FlatArray[int64], n)
			activities, shops                   = make(pgtype.FlatArray[string], n), make(pgtype.FlatArray[string], n)
			passed                              = make(pgtype.FlatArray[bool], n)
		)
		for i, u := range x.Instruments {
			instruments[i], entries[i], units[i], orders[i] = id(u.Instrument), id(u.Entry), id(u.Unit), id(u.Order)
			occurred[i], sequences[i], activities[i], shops[i], passed[i] = u.Occurred, u.Sequence, u.Activity, u.Shop, u.Passed
		}
		b.Queue(insertUses, org.UUID, instruments, occurred, entries, sequences, units, orders, activities, shops, passed)
	}
	if len(x.Parts) > 0 {
		queuePartUses(b, org, x.Parts)
	}
}
