package historypg

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
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

const insertLot = `insert into lots (org_id, ` + lotColumns + `) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) on conflict (org_id, lot) do nothing`

// CreateLot writes a lot unless there is one of its id, and returns what stands then.
func (s *Store) CreateLot(ctx context.Context, org tenant.Org, l history.Lot) (stands history.Lot, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		expires, month := markColumns(l.Expires)
		done, err := tx.Exec(ctx, insertLot, org.UUID, l.ID, l.Part, l.Title, l.LotNumber, l.Supplier, expires, month, l.Quantity, l.Recorder, l.Created)
		if err != nil {
			return pg.Err(err)
		}
		if stands = l; done.RowsAffected() == 1 {
			return nil
		}
		stands, err = readLot(ctx, tx, org, l.ID)
		return err
	})
	return stands, err
}

// Lot returns a lot. NOT_FOUND.
func (s *Store) Lot(ctx context.Context, org tenant.Org, id string) (l history.Lot, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		l, err = readLot(ctx, tx, org, id)
		return err
	})
	return l, err
}

func readLot(ctx context.Context, tx pgx.Tx, org tenant.Org, id string) (history.Lot, error) {
	found, err := readLots(ctx, tx, org, []string{id})
	if err != nil {
		return history.Lot{}, err
	}
	l, ok := found[id]
	if !ok {
		return history.Lot{}, errs.Missing(resname.LotName(org, id))
	}
	return l, nil
}

const (
	listLots       = `select ` + lotColumns + ` from lots where org_id = $1 and lot > $2 order by lot limit $3`
	listLotsOfPart = `select ` + lotColumns + ` from lots where org_id = $1 and lot > $2 and part = $4 order by lot limit $3`
)

// Lots returns at most limit lots whose ids come after one, by id; only those of a part unless that is empty.
func (s *Store) Lots(ctx context.Context, org tenant.Org, part, after string, limit int) (out []history.Lot, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		sql, args := listLots, []any{org.UUID, after, limit}
		if part != "" {
			sql, args = listLotsOfPart, append(args, part)
		}
		rows, err := tx.Query(ctx, sql, args...)
		if err != nil {
			return pg.Err(err)
		}
		out, err = pgx.CollectRows(rows, scanLot)
		return pg.Err(err)
	})
	return out, err
}

const (
	partUseColumns = `lot, sequence, unit_id, order_id, part, count, entry_id, occurred`
	usesOfLot      = `select ` + partUseColumns + ` from part_uses where org_id = $1 and lot = $2 and sequence > $3 order by sequence limit $4`
	usesOfUnit     = `select ` + partUseColumns + ` from part_uses where org_id = $1 and unit_id = $2 and sequence > $3 order by sequence limit $4`
)

// UsesOfLot returns at most limit uses of a lot's parts after a sequence, in the order of the ledger. NOT_FOUND if there is no such lot.
func (s *Store) UsesOfLot(ctx context.Context, org tenant.Org, lot string, after int64, limit int) (out []history.PartUse, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := readLot(ctx, tx, org, lot); err != nil {
			return err
		}
		out, err = partUses(ctx, tx, usesOfLot, org.UUID, lot, after, limit)
		return err
	})
	return out, err
}

// UsesOfUnit returns at most limit uses of parts in a unit after a sequence, in the order of the ledger; none for a unit that there is not.
func (s *Store) UsesOfUnit(ctx context.Context, org tenant.Org, unit uuid.UUID, after int64, limit int) (out []history.PartUse, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		out, err = partUses(ctx, tx, usesOfUnit, org.UUID, unit, after, limit)
		return err
	})
	return out, err
}

func partUses(ctx context.Context, tx pgx.Tx, sql string, args ...any) ([]history.PartUse, error) {
	rows, err := tx.Query(ctx, sql, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (u history.PartUse, err error) {
		err = row.Scan(&u.Lot, &u.Sequence, &u.Unit, &u.Order, &u.Part, &u.Count, &u.Entry, &u.Occurred)
		u.Occurred = u.Occurred.UTC()
		return u, err
	})
	return out, pg.Err(err)
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
