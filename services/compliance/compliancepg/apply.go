package compliancepg

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// Apply applies a page of a source's changes and its cursor in one transaction, and derives again the rows of every unit
// they touch. Changes applied before are skipped; a gap is refused and nothing is written.
func (s *Store) Apply(ctx context.Context, org tenant.Org, source compliance.Source, changes []compliance.Change) (p compliance.Position, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := lockCursors(ctx, tx, org); err != nil {
			return err
		}
		if p, err = position(ctx, tx, org); err != nil {
			return err
		}
		fresh, err := following(p.Of(source), changes)
		if err != nil || len(fresh) == 0 {
			return err
		}
		tagged, err := renamed(ctx, tx, org, fresh)
		if err != nil {
			return err
		}
		touched, err := s.store(ctx, tx, org, fresh)
		if err != nil {
			return err
		}
		last := fresh[len(fresh)-1].Number
		if _, err := tx.Exec(ctx, `update cursors set number = $3 where org_id = $1 and source = $2`, org.UUID, source, last); err != nil {
			return pg.Err(err)
		}
		if source == compliance.Registry {
			p.Registry = last
		} else {
			p.History = last
		}
		if len(tagged) == 0 {
			return s.recompute(ctx, tx, org, touched)
		}
		if err := lockHead(ctx, tx, org); err != nil {
			return err
		}
		if err := s.recompute(ctx, tx, org, touched); err != nil {
			return err
		}
		return markPromises(ctx, tx, org, tagged)
	})
	return p, err
}

// following returns the changes after a cursor. They must be numbered without gaps.
func following(cursor int64, changes []compliance.Change) ([]compliance.Change, error) {
	for len(changes) > 0 && changes[0].Number <= cursor {
		changes = changes[1:]
	}
	for i, c := range changes {
		if want := cursor + 1 + int64(i); c.Number != want {
			return nil, errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("the feed goes from %d to %d: changes are missing", want-1, c.Number))
		}
	}
	return changes, nil
}

// store writes the facts of a page and returns the units they touch, sorted.
func (s *Store) store(ctx context.Context, tx pgx.Tx, org tenant.Org, changes []compliance.Change) ([]uuid.UUID, error) {
	touched := map[uuid.UUID]struct{}{}
	if err := s.storeFacts(ctx, tx, org, changes, touched); err != nil {
		return nil, err
	}
	out := slices.Collect(maps.Keys(touched))
	slices.SortFunc(out, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
	return out, nil
}

// storeFacts writes the facts of a page and adds the units they touch.
func (s *Store) storeFacts(ctx context.Context, tx pgx.Tx, org tenant.Org, changes []compliance.Change, touched map[uuid.UUID]struct{}) error {
	shops, models := map[string]*compliance.Shop{}, map[string]*compliance.Model{}
	units, fittings := map[uuid.UUID]*compliance.Unit{}, map[uuid.UUID]*compliance.Fitting{}
	var entries []*due.Entry
	for _, c := range changes {
		switch {
		case c.Shop != nil:
			shops[c.Shop.ID] = c.Shop
		case c.Model != nil:
			models[c.Model.ID] = c.Model
		case c.Unit != nil:
			units[c.Unit.ID] = c.Unit
		case c.Fitting != nil:
			fittings[c.Fitting.ID] = c.Fitting
		case c.Entry != nil:
			entries = append(entries, c.Entry)
		}
	}
	for _, step := range []func() error{
		func() error { return storeShops(ctx, tx, org, slices.Collect(maps.Values(shops)), touched) },
		func() error { return storeModels(ctx, tx, org, slices.Collect(maps.Values(models)), touched) },
		func() error { return storeUnits(ctx, tx, org, slices.Collect(maps.Values(units)), touched) },
		func() error { return storeFittings(ctx, tx, org, slices.Collect(maps.Values(fittings)), touched) },
		func() error { return storeEntries(ctx, tx, org, entries, touched) },
		func() error { return storeVersions(ctx, tx, org, changes) },
	} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

func storeShops(ctx context.Context, tx pgx.Tx, org tenant.Org, shops []*compliance.Shop, touched map[uuid.UUID]struct{}) error {
	if len(shops) == 0 {
		return nil
	}
	ids := make([]string, len(shops))
	for i, s := range shops {
		ids[i] = s.ID
		if _, err := tx.Exec(ctx, `insert into p_shops (org_id, shop, display_name, time_zone, jurisdiction) values ($1, $2, $3, $4, $5)
			on conflict (org_id, shop) do update set display_name = excluded.display_name, time_zone = excluded.time_zone, jurisdiction = excluded.jurisdiction`,
			org.UUID, s.ID, s.Name, s.Zone, s.Jurisdiction); err != nil {
			return pg.Err(err)
		}
	}
	// A zone or jurisdiction counts for every stay of a unit, not only the present one.
	return touch(ctx, tx, touched, `select unit_id from p_units where org_id = $1 and exists (
		select from jsonb_array_elements(placements) as p where p->>'shop' = any ($2))`, org.UUID, ids)
}

func storeModels(ctx context.Context, tx pgx.Tx, org tenant.Org, models []*compliance.Model, touched map[uuid.UUID]struct{}) error {
	if len(models) == 0 {
		return nil
	}
	ids := make([]string, len(models))
	for i, m := range models {
		ids[i] = m.ID
		if _, err := tx.Exec(ctx, `insert into p_models (org_id, model, kind, maker, size, attributes) values ($1, $2, $3, $4, $5, $6)
			on conflict (org_id, model) do update set kind = excluded.kind, maker = excluded.maker, size = excluded.size, attributes = excluded.attributes`,
			org.UUID, m.ID, m.Kind, m.Maker, m.Size, attributes(m.Attributes)); err != nil {
			return pg.Err(err)
		}
	}
	return touch(ctx, tx, touched, `select unit_id from p_units where org_id = $1 and model = any ($2)`, org.UUID, ids)
}

func storeUnits(ctx context.Context, tx pgx.Tx, org tenant.Org, units []*compliance.Unit, touched map[uuid.UUID]struct{}) error {
	if len(units) == 0 {
		return nil
	}
	n := len(units)
	ids, tags, serials, models, sizes := make([]uuid.UUID, n), make([]string, n), make([]string, n), make([]string, n), make([]string, n)
	attrs, places := make([]map[string]string, n), make([][]compliance.Placement, n)
	made, madeMonth := make([]*time.Time, n), make([]bool, n)
	since, sinceMonth := make([]*time.Time, n), make([]bool, n)
	retired := make([]*time.Time, n)
	for i, u := range units {
		touched[u.ID] = struct{}{}
		ids[i], tags[i], serials[i], models[i], sizes[i], attrs[i], places[i] = u.ID, u.Tag, u.Serial, u.Model, u.Size, attributes(u.Attributes), u.Placements
		made[i], madeMonth[i] = dateOf(u.Manufactured)
		since[i], sinceMonth[i] = dateOf(u.Commissioned)
		retired[i] = instant(u.Retired)
	}
	_, err := tx.Exec(ctx, `insert into p_units (org_id, unit_id, tag, serial, model, own_size, attributes, manufactured_on, manufactured_month,
			commissioned_on, commissioned_month, retired, placements)
		select $1, u.* from unnest($2::uuid[], $3::text[], $4::text[], $5::text[], $6::text[], $7::jsonb[], $8::date[], $9::boolean[], $10::date[],
			$11::boolean[], $12::timestamptz[], $13::jsonb[]) as u
		on conflict (org_id, unit_id) do update set tag = excluded.tag, serial = excluded.serial, model = excluded.model, own_size = excluded.own_size, attributes = excluded.attributes,
			manufactured_on = excluded.manufactured_on, manufactured_month = excluded.manufactured_month, commissioned_on = excluded.commissioned_on,
			commissioned_month = excluded.commissioned_month, retired = excluded.retired, placements = excluded.placements`,
		org.UUID, ids, tags, serials, models, sizes, attrs, made, madeMonth, since, sinceMonth, retired, places)
	return pg.Err(err)
}

func storeFittings(ctx context.Context, tx pgx.Tx, org tenant.Org, fittings []*compliance.Fitting, touched map[uuid.UUID]struct{}) error {
	if len(fittings) == 0 {
		return nil
	}
	n := len(fittings)
	ids, parts, hosts, places := make([]uuid.UUID, n), make([]uuid.UUID, n), make([]uuid.UUID, n), make([]string, n)
	from, to := make([]time.Time, n), make([]*time.Time, n)
	for i, f := range fittings {
		touched[f.Host] = struct{}{}
		ids[i], parts[i], hosts[i], places[i], from[i], to[i] = f.ID, f.Part, f.Host, f.Place, f.From, instant(f.To)
	}
	// What the fitting said before may have reached others.
	if err := touch(ctx, tx, touched, `select part_id from p_fittings where org_id = $1 and fitting_id = any ($2)
		union select host_id from p_fittings where org_id = $1 and fitting_id = any ($2)`, org.UUID, ids); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `insert into p_fittings (org_id, fitting_id, part_id, host_id, place, fitted, unfitted)
		select $1, f.* from unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::text[], $6::timestamptz[], $7::timestamptz[]) as f
		on conflict (org_id, fitting_id) do update set part_id = excluded.part_id, host_id = excluded.host_id, place = excluded.place,
			fitted = excluded.fitted, unfitted = excluded.unfitted`, org.UUID, ids, parts, hosts, places, from, to); err != nil {
		return pg.Err(err)
	}
	// The usage of the host reaches the part and whatever is fitted to the part.
	return touchParts(ctx, tx, org, touched, parts)
}

func storeEntries(ctx context.Context, tx pgx.Tx, org tenant.Org, entries []*due.Entry, touched map[uuid.UUID]struct{}) error {
	if len(entries) == 0 {
		return nil
	}
	var hosts, reachAll []uuid.UUID
	var used []time.Time
	ids := make([]uuid.UUID, len(entries))
	for i, e := range entries {
		touched[e.Unit] = struct{}{}
		ids[i] = e.ID
		switch {
		case e.Kind == due.UsageEntry && !e.Reading:
			hosts, used = append(hosts, e.Unit), append(used, e.Occurred)
		case e.Kind == due.UsageEntry || e.Kind == due.Amendment:
			// A reading also changes what the next one stands for, and an amendment what happened at another instant.
			reachAll = append(reachAll, e.Unit)
		}
	}
	if err := storeHistories(ctx, tx, org, entries); err != nil {
		return err
	}
	if err := storeAmendments(ctx, tx, org, entries); err != nil {
		return err
	}
	if len(hosts) > 0 {
		if err := touch(ctx, tx, touched, `with recursive reached (unit_id, at) as (
				select * from unnest($2::uuid[], $3::timestamptz[])
			union
				select f.part_id, r.at from reached as r join p_fittings as f
					on f.org_id = $1 and f.host_id = r.unit_id and f.fitted <= r.at and (f.unfitted is null or f.unfitted > r.at)
			) select distinct unit_id from reached`, org.UUID, hosts, used); err != nil {
			return err
		}
	}
	// An entry whose amendment arrived before it stands for what the amendment says.
	amended := map[uuid.UUID]struct{}{}
	if err := touch(ctx, tx, amended, `select distinct unit_id from p_amendments where org_id = $1 and corrects = any ($2)`, org.UUID, ids); err != nil {
		return err
	}
	if reachAll = append(reachAll, slices.Collect(maps.Keys(amended))...); len(reachAll) > 0 {
		return touchParts(ctx, tx, org, touched, reachAll)
	}
	return nil
}

// touchParts touches units and all that was ever fitted to them, at any depth.
func touchParts(ctx context.Context, tx pgx.Tx, org tenant.Org, touched map[uuid.UUID]struct{}, units []uuid.UUID) error {
	return touch(ctx, tx, touched, `with recursive reached (unit_id) as (
			select * from unnest($2::uuid[])
		union
			select f.part_id from reached as r join p_fittings as f on f.org_id = $1 and f.host_id = r.unit_id
		) select unit_id from reached`, org.UUID, units)
}

func touch(ctx context.Context, tx pgx.Tx, touched map[uuid.UUID]struct{}, query string, args ...any) error {
	rows, err := tx.Query(ctx, query, args...)
	if err != nil {
		return pg.Err(err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	for _, id := range ids {
		touched[id] = struct{}{}
	}
	return pg.Err(err)
}
