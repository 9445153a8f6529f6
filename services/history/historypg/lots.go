package historypg

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
)

const lotColumns = `lot, part, title, lot_number, supplier, expires, expires_month, quantity, recorder, created`

// readLots returns those of the lots that there are.
func readLots(ctx context.Context, tx pgx.Tx, org tenant.Org, ids []string) (map[string]history.Lot, error) {
	out := make(map[string]history.Lot, len(ids))
	if len(ids) == 0 {
		return out, nil
	}
	rows, err := tx.Query(ctx, `select `+lotColumns+` from lots where org_id = $1 and lot = any($2::text[])`, org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	lots, err := pgx.CollectRows(rows, scanLot)
	if err != nil {
		return nil, pg.Err(err)
	}
	for _, l := range lots {
		out[l.ID] = l
	}
	return out, nil
}

func scanLot(row pgx.CollectableRow) (l history.Lot, err error) {
	var expires pgtype.Date
	var month bool
	if err := row.Scan(&l.ID, &l.Part, &l.Title, &l.LotNumber, &l.Supplier, &expires, &month, &l.Quantity, &l.Recorder, &l.Created); err != nil {
		return history.Lot{}, err
	}
	if expires.Valid {
		y, m, d := expires.Time.Date()
		l.Expires = civil.Day(civil.New(y, m, d))
		if month {
			l.Expires = civil.Month(y, m)
		}
	}
	l.Created = l.Created.UTC()
	return l, nil
}

// markColumns is a mark as two columns: the day or the first day of the month, and whether it is a month.
func markColumns(m civil.Mark) (on pgtype.Date, month bool) {
	if m.IsZero() {
		return pgtype.Date{}, false
	}
	y, mo, d := m.First().Parts()
	return pgtype.Date{Time: time.Date(y, mo, d, 0, 0, 0, 0, time.UTC), Valid: true}, m.IsMonth()
}

const insertPartUses = `
insert into part_uses (org_id, lot, sequence, unit_id, order_id, part, count, entry_id, occurred)
select $1, t.*
from unnest($2::text[], $3::bigint[], $4::uuid[], $5::uuid[], $6::text[], $7::integer[], $8::uuid[], $9::timestamptz[]) as t`

// queuePartUses adds uses of parts to what the batch writes: one statement, or none if there are no uses. The batch's results have one more to Exec then.
func queuePartUses(b *pgx.Batch, org tenant.Org, uses []history.PartUse) {
	n := len(uses)
	if n == 0 {
		return
	}
	var (
		lots, parts           = make(pgtype.FlatArray[string], n), make(pgtype.FlatArray[string], n)
		sequences             = make(pgtype.FlatArray[int64], n)
		units, orders, events = make(uuids, n), make(uuids, n), make(uuids, n)
		counts                = make(pgtype.FlatArray[int32], n)
		occurred              = make(pgtype.FlatArray[time.Time], n)
	)
	for i := range uses {
		u := &uses[i]
		lots[i], sequences[i], units[i], orders[i] = u.Lot, u.Sequence, id(u.Unit), id(u.Order)
		parts[i], counts[i], events[i], occurred[i] = u.Part, int32(u.Count), id(u.Entry), u.Occurred
	}
	b.Queue(insertPartUses, org.UUID, lots, sequences, units, orders, parts, counts, events, occurred)
}
