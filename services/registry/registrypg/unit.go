package registrypg

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/registry"
)

// unitQuery reads units with their placements; conditions follow.
const unitQuery = `
	select u.unit_id, u.asset_tag, u.serial_number, u.model_id, u.kind, u.shop_id, u.manufactured_on, u.manufactured_month,
		u.commissioned_on, u.size, u.attributes, u.retired, u.retire_reason, u.version, u.created, u.updated, p.shops, p.starts
	from units u cross join lateral (
		select array_agg(shop_id order by started) as shops, array_agg(nullif(started, '-infinity') order by started) as starts
		from unit_placements where org_id = u.org_id and unit_id = u.unit_id) p
	where u.org_id = $1 and `

func scanUnit(row pgx.CollectableRow) (u registry.Unit, err error) {
	var made, commissioned pgtype.Date
	var month bool
	var retired *time.Time
	var shops []string
	var starts []*time.Time
	if err := row.Scan(&u.ID, &u.Tag, &u.Serial, &u.Model, &u.Kind, &u.Shop, &made, &month,
		&commissioned, &u.Size, &u.Attributes, &retired, &u.RetireReason, &u.Version, &u.Created, &u.Updated, &shops, &starts); err != nil {
		return u, err
	}
	if made.Valid {
		d := dateOf(made)
		u.Manufactured = civil.Day(d)
		if month {
			y, m, _ := d.Parts()
			u.Manufactured = civil.Month(y, m)
		}
	}
	u.Commissioned = dateOf(commissioned)
	if retired != nil {
		u.Retired = *retired
	}
	if len(shops) == 0 || len(shops) != len(starts) {
		return u, errs.New(errs.Internal, "INTERNAL", "unit "+u.ID.String()+" has no placement")
	}
	u.Placements = make([]registry.Placement, len(shops))
	for i := range shops {
		u.Placements[i].Shop = shops[i]
		if starts[i] != nil {
			u.Placements[i].From = *starts[i]
		}
	}
	return u, nil
}

func dateOf(d pgtype.Date) civil.Date { return civil.New(d.Time.Date()) }

func date(d civil.Date) pgtype.Date {
	y, m, day := d.Parts()
	return pgtype.Date{Time: time.Date(y, m, day, 0, 0, 0, 0, time.UTC), Valid: true}
}

func mark(m civil.Mark) (on pgtype.Date, month bool) {
	if m.IsZero() {
		return pgtype.Date{}, false
	}
	return date(m.First()), m.IsMonth()
}

// orNull is nil for the zero instant.
func orNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func (w *writer) unitsWhere(ctx context.Context, condition string, arg any) ([]registry.Unit, error) {
	rows, err := w.tx.Query(ctx, unitQuery+condition, w.org.UUID, arg)
	if err != nil {
		return nil, pg.Err(err)
	}
	units, err := pgx.CollectRows(rows, scanUnit)
	return units, pg.Err(err)
}

// Units implements registry.Tx.
func (w *writer) Units(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]registry.Unit, error) {
	out := make(map[uuid.UUID]registry.Unit, len(ids))
	if len(ids) == 0 {
		return out, nil
	}
	units, err := w.unitsWhere(ctx, `u.unit_id = any ($2)`, ids)
	for _, u := range units {
		out[u.ID] = u
	}
	return out, err
}

// UnitsByTag implements registry.Tx.
func (w *writer) UnitsByTag(ctx context.Context, tags []string) (map[string][]registry.Unit, error) {
	out := make(map[string][]registry.Unit, len(tags))
	if len(tags) == 0 {
		return out, nil
	}
	units, err := w.unitsWhere(ctx, `u.asset_tag = any ($2) order by u.asset_tag, u.retired, u.unit_id`, tags)
	for _, u := range units {
		out[u.Tag] = append(out[u.Tag], u)
	}
	return out, err
}

// InsertUnits implements registry.Tx.
func (w *writer) InsertUnits(ctx context.Context, units []registry.Unit) error {
	const insert = `
		insert into units (org_id, unit_id, asset_tag, serial_number, model_id, kind, shop_id, manufactured_on, manufactured_month,
			commissioned_on, size, attributes, retired, retire_reason, version, created, updated)
		select $1, unit_id, asset_tag, serial_number, model_id, kind, shop_id, manufactured_on, manufactured_month,
			commissioned_on, size, attributes::jsonb, null, '', 1, $2, $2
		from unnest($3::uuid[], $4::text[], $5::text[], $6::text[], $7::text[], $8::text[], $9::date[], $10::bool[], $11::date[], $12::text[], $13::text[])
			as u (unit_id, asset_tag, serial_number, model_id, kind, shop_id, manufactured_on, manufactured_month, commissioned_on, size, attributes)`
	const place = `
		insert into unit_placements (org_id, unit_id, started, ended, shop_id)
		select $1, unit_id, '-infinity', null, shop_id from unnest($2::uuid[], $3::text[]) as u (unit_id, shop_id)`
	n := len(units)
	if n == 0 {
		return nil
	}
	ids := make([]uuid.UUID, n)
	tags, serials, models, kinds, shops, sizes, attrs := make([]string, n), make([]string, n), make([]string, n), make([]string, n), make([]string, n), make([]string, n), make([]string, n)
	made, commissioned, months := make([]pgtype.Date, n), make([]pgtype.Date, n), make([]bool, n)
	for i, u := range units {
		ids[i], tags[i], serials[i], models[i], kinds[i], shops[i], sizes[i] = u.ID, u.Tag, u.Serial, u.Model, u.Kind, u.Shop, u.Size
		made[i], months[i] = mark(u.Manufactured)
		commissioned[i] = date(u.Commissioned)
		raw, err := json.Marshal(present(u.Attributes))
		if err != nil {
			return pg.Err(err)
		}
		attrs[i] = string(raw)
	}
	batch := &pgx.Batch{}
	batch.Queue(insert, w.org.UUID, w.now, ids, tags, serials, models, kinds, shops, made, months, commissioned, sizes, attrs)
	batch.Queue(place, w.org.UUID, ids, shops)
	return w.send(ctx, batch)
}

// UpdateUnit implements registry.Tx.
func (w *writer) UpdateUnit(ctx context.Context, u registry.Unit) error {
	const update = `
		update units set asset_tag = $3, serial_number = $4, model_id = $5, kind = $6, manufactured_on = $7, manufactured_month = $8,
			commissioned_on = $9, size = $10, attributes = $11, retired = $12, retire_reason = $13, version = $14, updated = $15
		where org_id = $1 and unit_id = $2`
	made, month := mark(u.Manufactured)
	_, err := w.tx.Exec(ctx, update, w.org.UUID, u.ID, u.Tag, u.Serial, u.Model, u.Kind, made, month,
		date(u.Commissioned), u.Size, present(u.Attributes), orNull(u.Retired), u.RetireReason, u.Version, u.Updated)
	return pg.Err(err)
}

// Place implements registry.Tx.
func (w *writer) Place(ctx context.Context, units []uuid.UUID, shop string, from, now time.Time) error {
	const end = `update unit_placements set ended = $3 where org_id = $1 and unit_id = any ($2) and ended is null`
	const begin = `insert into unit_placements (org_id, unit_id, started, ended, shop_id) select $1, unit_id, $3, null, $4 from unnest($2::uuid[]) as u (unit_id)`
	const move = `update units set shop_id = $3, version = version + 1, updated = $4 where org_id = $1 and unit_id = any ($2)`
	batch := &pgx.Batch{}
	batch.Queue(end, w.org.UUID, units, from)
	batch.Queue(begin, w.org.UUID, units, from, shop)
	batch.Queue(move, w.org.UUID, units, shop, now)
	return w.send(ctx, batch)
}

// Rekind implements registry.Tx. It goes through the units in pieces, so that it holds only some of them in memory.
func (w *writer) Rekind(ctx context.Context, model, kind string) error {
	const update = `
		update units set kind = $3, version = version + 1, updated = $4
		where org_id = $1 and unit_id in (
			select unit_id from units where org_id = $1 and model_id = $2 and kind <> $3 order by asset_tag, unit_id limit 2000)
		returning unit_id`
	for {
		rows, err := w.tx.Query(ctx, update, w.org.UUID, model, kind, w.now)
		if err != nil {
			return pg.Err(err)
		}
		ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
		if err != nil || len(ids) == 0 {
			return pg.Err(err)
		}
		units, err := w.unitsWhere(ctx, `u.unit_id = any ($2) order by u.asset_tag, u.unit_id`, ids)
		if err != nil {
			return err
		}
		changes := make([]registry.Change, len(units))
		for i := range units {
			changes[i].Unit = &units[i]
		}
		if err := w.Record(ctx, changes...); err != nil {
			return err
		}
	}
}

// Unit returns a unit, or NOT_FOUND.
func (s *Store) Unit(ctx context.Context, org tenant.Org, id uuid.UUID) (registry.Unit, error) {
	rows, err := read(ctx, s.db, org, scanUnit, unitQuery+`u.unit_id = $2`, org.UUID, id)
	return one(rows, err, resname.UnitName(org, id))
}

// Units returns the units with the ids, in one query and in no order; ids that do not exist are left out.
func (s *Store) Units(ctx context.Context, org tenant.Org, ids []uuid.UUID) ([]registry.Unit, error) {
	return read(ctx, s.db, org, scanUnit, unitQuery+`u.unit_id = any ($2)`, org.UUID, ids)
}

// UnitFields are the fields a list of units can be filtered by. The size is the unit's own or else its model's.
var UnitFields = Columns{
	"asset_tag":     "u.asset_tag = %s",
	"serial_number": "u.serial_number = %s",
	"kind":          "u.kind = %s",
	"model":         "u.model_id = %s",
	"shop":          "u.shop_id = %s",
	"size":          "coalesce(nullif(u.size, ''), (select m.size from models m where m.org_id = u.org_id and m.model_id = u.model_id)) = %s",
	"state":         "(case when u.retired is null then 'ACTIVE' else 'RETIRED' end) = %s",
}

// UnitCursor is a place in the list of units.
type UnitCursor struct {
	Tag string    `json:"t"`
	ID  uuid.UUID `json:"u"`
}

// ListUnits returns an org's units after a place that the filter shows, by asset tag and id.
func (s *Store) ListUnits(ctx context.Context, org tenant.Org, filter registry.Filter, after UnitCursor, limit int) ([]registry.Unit, error) {
	where, args, err := UnitFields.Where(filter, []any{org.UUID, after.Tag, after.ID, limit})
	if err != nil {
		return nil, err
	}
	return read(ctx, s.db, org, scanUnit, unitQuery+`(u.asset_tag, u.unit_id) > ($2, $3) and `+where+`
		order by u.asset_tag, u.unit_id limit $4`, args...)
}
