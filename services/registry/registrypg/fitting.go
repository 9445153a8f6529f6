package registrypg

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/registry"
)

const fittingColumns = `fitting_id, part_id, host_id, place, fitted, unfitted`

func scanFitting(row pgx.CollectableRow) (f registry.Fitting, err error) {
	var to *time.Time
	err = row.Scan(&f.ID, &f.Part, &f.Host, &f.Place, &f.From, &to)
	if to != nil {
		f.To = *to
	}
	return f, err
}

// FittingsOf implements registry.Tx.
func (w *writer) FittingsOf(ctx context.Context, units []uuid.UUID) (asPart, asHost []registry.Fitting, err error) {
	const parts = `select ` + fittingColumns + ` from fittings where org_id = $1 and part_id = any ($2) order by fitted, fitting_id`
	const hosts = `select ` + fittingColumns + ` from fittings where org_id = $1 and host_id = any ($2) order by fitted, fitting_id`
	batch := &pgx.Batch{}
	batch.Queue(parts, w.org.UUID, units)
	batch.Queue(hosts, w.org.UUID, units)
	res := w.tx.SendBatch(ctx, batch)
	defer func() { _ = res.Close() }() // what failed has been said by then
	for _, into := range []*[]registry.Fitting{&asPart, &asHost} {
		rows, err := res.Query()
		if err != nil {
			return nil, nil, pg.Err(err)
		}
		if *into, err = pgx.CollectRows(rows, scanFitting); err != nil {
			return nil, nil, pg.Err(err)
		}
	}
	return asPart, asHost, pg.Err(res.Close())
}

// FittingsAbove implements registry.Tx.
func (w *writer) FittingsAbove(ctx context.Context, units []uuid.UUID) ([]registry.Fitting, error) {
	const query = `
		with recursive above (unit_id) as (
			select unnest($2::uuid[])
			union
			select f.host_id from above a join fittings f on f.org_id = $1 and f.part_id = a.unit_id)
		select f.fitting_id, f.part_id, f.host_id, f.place, f.fitted, f.unfitted
		from above a join fittings f on f.org_id = $1 and f.part_id = a.unit_id order by f.fitted, f.fitting_id`
	rows, err := w.tx.Query(ctx, query, w.org.UUID, units)
	if err != nil {
		return nil, pg.Err(err)
	}
	fittings, err := pgx.CollectRows(rows, scanFitting)
	return fittings, pg.Err(err)
}

// PartsAt implements registry.Tx.
func (w *writer) PartsAt(ctx context.Context, unit uuid.UUID, at time.Time) ([]uuid.UUID, error) {
	const query = `
		with recursive below (unit_id) as (
			select f.part_id from fittings f
			where f.org_id = $1 and f.host_id = $2 and f.fitted <= $3 and (f.unfitted is null or f.unfitted > $3)
			union
			select f.part_id from below b join fittings f on f.org_id = $1 and f.host_id = b.unit_id
				and f.fitted <= $3 and (f.unfitted is null or f.unfitted > $3))
		select unit_id from below order by unit_id`
	rows, err := w.tx.Query(ctx, query, w.org.UUID, unit, at)
	if err != nil {
		return nil, pg.Err(err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return ids, pg.Err(err)
}

// FittingExists implements registry.Tx.
func (w *writer) FittingExists(ctx context.Context, id uuid.UUID) (yes bool, err error) {
	const query = `select exists (select from fittings where org_id = $1 and fitting_id = $2)`
	err = w.tx.QueryRow(ctx, query, w.org.UUID, id).Scan(&yes)
	return yes, pg.Err(err)
}

// InsertFittings implements registry.Tx.
func (w *writer) InsertFittings(ctx context.Context, fittings []registry.Fitting) error {
	const insert = `
		insert into fittings (org_id, fitting_id, part_id, host_id, place, fitted, unfitted)
		select $1, fitting_id, part_id, host_id, place, fitted, unfitted
		from unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::text[], $6::timestamptz[], $7::timestamptz[])
			as f (fitting_id, part_id, host_id, place, fitted, unfitted)`
	n := len(fittings)
	if n == 0 {
		return nil
	}
	ids, parts, hosts, places := make([]uuid.UUID, n), make([]uuid.UUID, n), make([]uuid.UUID, n), make([]string, n)
	from, to := make([]time.Time, n), make([]*time.Time, n)
	for i, f := range fittings {
		ids[i], parts[i], hosts[i], places[i], from[i], to[i] = f.ID, f.Part, f.Host, f.Place, f.From, orNull(f.To)
	}
	_, err := w.tx.Exec(ctx, insert, w.org.UUID, ids, parts, hosts, places, from, to)
	if pg.HasConstraint(err, "fittings_one_host") { // the rule stands before it; this is the second fence
		return errs.New(errs.Precondition, "FITTING_OVERLAP", "a unit would be in two places at once").Because(err)
	}
	return pg.Err(err)
}

// EndFittings implements registry.Tx.
func (w *writer) EndFittings(ctx context.Context, fittings []registry.Fitting) error {
	const update = `update fittings set unfitted = $3 where org_id = $1 and fitting_id = $2`
	batch := &pgx.Batch{}
	for _, f := range fittings {
		batch.Queue(update, w.org.UUID, f.ID, orNull(f.To))
	}
	return w.send(ctx, batch)
}

// FittingFields are the fields a list of fittings can be filtered by.
var FittingFields = Columns{"host": "host_id = %s::uuid"}

// FittingCursor is a place in the list of fittings.
type FittingCursor struct {
	From time.Time `json:"f"`
	ID   uuid.UUID `json:"i"`
}

// FittingList says which fittings are asked for.
type FittingList struct {
	Part   uuid.UUID // zero for every part
	Filter registry.Filter
	AsOf   time.Time // only those in force then; zero for all
	After  FittingCursor
	Limit  int
}

// ListFittings returns an org's fittings after a place, earliest first.
func (s *Store) ListFittings(ctx context.Context, org tenant.Org, q FittingList) ([]registry.Fitting, error) {
	where, args, err := FittingFields.Where(q.Filter, []any{org.UUID, q.After.From, q.After.ID, q.Limit})
	if err != nil {
		return nil, err
	}
	if q.Part != uuid.Nil {
		args = append(args, q.Part)
		where += " and part_id = " + parameter(args)
	}
	if !q.AsOf.IsZero() {
		args = append(args, q.AsOf)
		where += " and fitted <= " + parameter(args) + " and (unfitted is null or unfitted > " + parameter(args) + ")"
	}
	return read(ctx, s.db, org, scanFitting, `select `+fittingColumns+` from fittings
		where org_id = $1 and (fitted, fitting_id) > ($2, $3) and `+where+` order by fitted, fitting_id limit $4`, args...)
}
