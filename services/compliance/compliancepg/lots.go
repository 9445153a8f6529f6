package compliancepg

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance/due"
)

// lotColumns are rows of p_lot_uses column by column: of which lots parts were put into which unit, so that the units of a lot are found by index.
type lotColumns struct {
	unit  []uuid.UUID
	lot   []string
	order []uuid.UUID
	part  []string
	count []int64
}

func (c *lotColumns) add(unit uuid.UUID, uses []due.LotUse) {
	for _, u := range uses {
		c.unit, c.lot, c.order, c.part, c.count = append(c.unit, unit), append(c.lot, u.Lot), append(c.order, u.Order), append(c.part, u.Part), append(c.count, u.Count)
	}
}

func (c *lotColumns) queue(batch *pgx.Batch, org tenant.Org) {
	if len(c.unit) == 0 {
		return
	}
	batch.Queue(`insert into p_lot_uses (org_id, unit_id, lot, order_id, part, count)
		select $1, u.* from unnest($2::uuid[], $3::text[], $4::uuid[], $5::text[], $6::bigint[]) as u`, org.UUID, c.unit, c.lot, c.order, c.part, c.count)
}

// kindsAndLots is a condition of unitIDs, on $2 and $3, for the units of some kinds, all for nil, that parts of some lots were put into, any for
// none: those of lots are found by index however large the fleet is.
func kindsAndLots(kinds, lots []string) (where string, args []any) {
	where = `($2::text[] is null or kind = any ($2)) and $3::text[] is null`
	if len(lots) == 0 {
		lots = nil
	} else {
		where = `($2::text[] is null or kind = any ($2)) and unit_id = any (array(select l.unit_id from p_lot_uses as l where l.org_id = $1 and l.lot = any ($3)))`
	}
	return where, []any{kinds, lots}
}

// readLotUses returns which parts of some lots were put into units, by unit; none for no lots.
func readLotUses(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID, lots []string) (map[uuid.UUID][]due.LotUse, error) {
	if len(lots) == 0 {
		return nil, nil
	}
	rows, err := tx.Query(ctx, `select l.unit_id, l.lot, l.order_id, l.part, l.count from p_lot_uses as l
		where l.org_id = $1 and l.unit_id = any ($2) and l.lot = any ($3) order by l.lot, l.order_id, l.part`, org.UUID, units, lots)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := map[uuid.UUID][]due.LotUse{}
	var unit uuid.UUID
	var u due.LotUse
	_, err = pgx.ForEachRow(rows, []any{&unit, &u.Lot, &u.Order, &u.Part, &u.Count}, func() error {
		out[unit] = append(out[unit], u)
		return nil
	})
	return out, pg.Err(err)
}
