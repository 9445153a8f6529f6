package compliancepg

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/forecast"
)

// Peers returns what some units of a kind were used for, as inputs that hold nothing but usage: those of the fleet at an instant, at shops
// with the same seasons, the same ones each time. However large the fleet, it reads no more than q.Limit units and what they were
// fitted to, found by index: the first by tag of its own shop and of 20 others.
func (r *Reader) Peers(ctx context.Context, q compliance.PeerQuery) ([]due.Input, error) {
	rows, err := r.tx.Query(ctx, `with near (shop, n) as (
			(select shop, 0 from p_shops where org_id = $1 and shop = $3)
			union all
			(select shop, 1 from p_shops where org_id = $1 and shop <> $3 and (time_zone = any ($4)) = $5 order by shop limit 20)
		)
		select u.unit_id
		from near as s cross join lateral (
			select p.unit_id, row_number() over (order by p.tag) as k
			from p_units as p where p.org_id = $1 and p.kind = $2 and p.shop = s.shop and (p.retired is null or p.retired > $6)
			order by p.tag limit $7
		) as u
		order by u.k, s.n, s.shop limit $7`,
		r.org.UUID, q.Kind, q.Shop, forecast.SouthernZones(), forecast.Southern(q.Zone), q.At, q.Limit)
	if err != nil {
		return nil, pg.Err(err)
	}
	var units []uuid.UUID
	var id uuid.UUID
	if _, err = pgx.ForEachRow(rows, []any{&id}, func() error {
		units = append(units, id)
		return nil
	}); err != nil {
		return nil, pg.Err(err)
	}
	f := &facts{}
	ids, err := f.loadFittings(ctx, r.tx, r.org, units, false)
	if err != nil {
		return nil, err
	}
	if err := f.loadUnits(ctx, r.tx, r.org, ids); err != nil {
		return nil, err
	}
	if f.entries, err = r.uses(ctx, ids, q.Since); err != nil {
		return nil, err
	}
	out := make([]due.Input, len(units))
	for i, u := range units {
		out[i] = f.input(u, false)
	}
	return out, nil
}

// uses returns the usage entries of units from an instant on, with the meter readings of all time, which later ones are
// compared with, and the amendments with what they correct, whenever that was.
func (r *Reader) uses(ctx context.Context, units []uuid.UUID, since time.Time) (map[uuid.UUID]history, error) {
	rows, err := r.tx.Query(ctx, `select unit_id, entry_id, occurred, recorded, kind, dives, hours, fills, meter, replaced, replacement, rollover, estimated, celsius,
			corrects, correct::text
		from p_entries where org_id = $1 and unit_id = any ($2) and (kind = $3 and (occurred >= $4 or meter <> 0) or corrects is not null or
			(unit_id, entry_id) in (select unit_id, corrects from p_entries where org_id = $1 and unit_id = any ($2) and corrects is not null))`,
		r.org.UUID, units, due.UsageEntry, since)
	if err != nil {
		return nil, pg.Err(err)
	}
	found := map[uuid.UUID][]due.Entry{}
	var e due.Entry
	var kind, meter int16
	var hours, replacement int64
	var celsius *int16
	var corrects *uuid.UUID
	var correct *string
	_, err = pgx.ForEachRow(rows, []any{
		&e.Unit, &e.ID, &e.Occurred, &e.Recorded, &kind, &e.Amount.Dives, &hours, &e.Amount.Fills, &meter, &e.Replaced, &replacement, &e.Rollover, &e.Estimated,
		&celsius, &corrects, &correct,
	}, func() error {
		row := e
		row.Occurred, row.Recorded, row.Kind, row.Amount.Hours = row.Occurred.UTC(), row.Recorded.UTC(), due.Kind(kind), time.Duration(hours)
		if meter != 0 {
			row.Reading, row.Meter, row.Replacement = true, due.Measure(meter), amountOf(replacement, due.Measure(meter))
		}
		if celsius != nil {
			row.Celsius, row.HasCelsius = *celsius, true
		}
		if corrects != nil {
			row.Corrects = *corrects
		}
		if correct != nil {
			var said replacementRow
			if err := json.Unmarshal([]byte(*correct), &said); err != nil {
				return err
			}
			row.Correct = said.entry(row)
		}
		found[row.Unit] = append(found[row.Unit], row)
		return nil
	})
	out := make(map[uuid.UUID]history, len(found))
	for unit, entries := range found {
		out[unit] = history{entries}
	}
	return out, pg.Err(err)
}
