package compliancepg

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// facts is what derivations of some units depend on, loaded in a few queries whatever their number. They are for one goroutine.
type facts struct {
	units     map[uuid.UUID]due.Facts
	tags      map[uuid.UUID]string
	histories map[uuid.UUID]due.History
	hosts     map[uuid.UUID][]due.Fitting // by part
	parts     map[uuid.UUID][]due.Fitting // by host
	holds     map[uuid.UUID][]due.ManualHold
	waivers   map[uuid.UUID][]due.Waiver
	packs     []due.Pack
	recalls   []due.Recall
	releases  map[uuid.UUID][]due.Release
	known     time.Time   // what the registry said by then; zero for all
	unknown   []uuid.UUID // asked for and not in the projection

	seen, seenDown map[uuid.UUID]bool // by input, while it makes one: what it visited, and what it looked for parts of
}

// loadFacts loads units, all that they were ever fitted to, and, with parts, all that was ever fitted to them: as the registry has them, or as
// it had them at an instant for a known that is not zero. The rest says itself when it became known. What happened to them is in memory, and
// good until that is used again.
func (s *Store) loadFacts(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID, parts bool, known time.Time, memory *entryReader) (*facts, error) {
	f := &facts{known: known}
	ids, err := f.loadFittings(ctx, tx, org, units, parts)
	if err != nil {
		return nil, err
	}
	if err := f.loadUnits(ctx, tx, org, ids); err != nil {
		return nil, err
	}
	for _, id := range units {
		if _, ok := f.units[id]; !ok {
			f.unknown = append(f.unknown, id)
		}
	}
	if f.histories, err = readHistories(ctx, tx, org, ids, memory); err != nil {
		return nil, err
	}
	if f.packs, err = s.readPacks(ctx, tx, org); err != nil {
		return nil, err
	}
	if f.holds, err = readManualHolds(ctx, tx, org, ids); err != nil {
		return nil, err
	}
	if f.waivers, err = readWaivers(ctx, tx, org, ids); err != nil {
		return nil, err
	}
	if f.recalls, err = s.readRecalls(ctx, tx, org); err != nil || len(f.recalls) == 0 {
		return f, err
	}
	f.releases, err = readReleases(ctx, tx, org, ids)
	return f, err
}

// loadFittings loads the fittings of the units and of their hosts, as a part and as a host, and returns all units they
// name. Hosts are followed to any depth, and parts too if asked for: a set's answer needs its parts, a part's clocks only its hosts.
func (f *facts) loadFittings(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID, parts bool) ([]uuid.UUID, error) {
	rows, err := tx.Query(ctx, `with recursive down (unit_id) as (
			select * from `+keys("$2")+`
		union
			select f.part_id from down as d cross join lateral (
				select f.part_id from p_fittings as f where $3 and f.org_id = $1 and f.host_id = d.unit_id offset 0) as f
		), up (fitting_id, part_id, host_id, fitted, unfitted) as (
			select f.* from down as d cross join lateral (
				select f.fitting_id, f.part_id, f.host_id, f.fitted, f.unfitted from p_fittings as f where f.org_id = $1 and f.part_id = d.unit_id offset 0) as f
		union
			select f.* from up as u cross join lateral (
				select f.fitting_id, f.part_id, f.host_id, f.fitted, f.unfitted from p_fittings as f where f.org_id = $1 and f.part_id = u.host_id offset 0) as f
		)
		select * from up
		union
		select f.* from down as d cross join lateral (
			select f.fitting_id, f.part_id, f.host_id, f.fitted, f.unfitted from p_fittings as f where f.org_id = $1 and f.host_id = d.unit_id offset 0) as f`,
		org.UUID, units, parts)
	if err != nil {
		return nil, pg.Err(err)
	}
	f.hosts, f.parts = map[uuid.UUID][]due.Fitting{}, map[uuid.UUID][]due.Fitting{}
	ids := make(map[uuid.UUID]struct{}, len(units))
	for _, id := range units {
		ids[id] = struct{}{}
	}
	var id uuid.UUID
	var row due.Fitting
	var to *time.Time
	var found []due.Fitting
	var fittings []uuid.UUID
	if _, err = pgx.ForEachRow(rows, []any{&id, &row.Part, &row.Host, &row.From, &to}, func() error {
		found = append(found, due.Fitting{Part: row.Part, Host: row.Host, From: row.From.UTC(), To: instantOf(to)})
		fittings = append(fittings, id)
		return nil
	}); err != nil {
		return nil, pg.Err(err)
	}
	if !f.known.IsZero() && len(found) > 0 {
		if found, err = fittingsKnown(ctx, tx, org, fittings, f.known); err != nil {
			return nil, err
		}
	}
	for _, fit := range found {
		f.hosts[fit.Part] = append(f.hosts[fit.Part], fit)
		f.parts[fit.Host] = append(f.parts[fit.Host], fit)
		ids[fit.Host] = struct{}{}
		if parts {
			ids[fit.Part] = struct{}{}
		}
	}
	return slices.Collect(maps.Keys(ids)), nil
}

// loadUnits loads the facts of units, with their models and shops.
func (f *facts) loadUnits(ctx context.Context, tx pgx.Tx, org tenant.Org, ids []uuid.UUID) error {
	read := readUnits
	if !f.known.IsZero() {
		read = func(ctx context.Context, tx pgx.Tx, org tenant.Org, ids []uuid.UUID) ([]compliance.Unit, error) {
			return unitsKnown(ctx, tx, org, ids, f.known)
		}
	}
	found, err := read(ctx, tx, org, ids)
	if err != nil {
		return err
	}
	models, err := readModels(ctx, tx, org, found, f.known)
	if err != nil {
		return err
	}
	names := map[string]struct{}{}
	for i := range found {
		for _, at := range found[i].Placements {
			names[at.Shop] = struct{}{}
		}
	}
	shops, err := readShops(ctx, tx, org, append([]string{}, slices.Collect(maps.Keys(names))...), f.known)
	if err != nil {
		return err
	}
	for name := range names {
		if _, ok := shops[name]; !ok {
			return errs.New(errs.Internal, "INTERNAL", "the feed of registry has a unit at a shop it does not have", "shop", name)
		}
	}
	f.units, f.tags = make(map[uuid.UUID]due.Facts, len(found)), make(map[uuid.UUID]string, len(found))
	for _, u := range found {
		f.units[u.ID] = compliance.Facts(u, models[u.Model], shops, zone)
		f.tags[u.ID] = u.Tag
	}
	return nil
}

// readUnits returns those of the units that there are.
func readUnits(ctx context.Context, tx pgx.Tx, org tenant.Org, ids []uuid.UUID) ([]compliance.Unit, error) {
	rows, err := tx.Query(ctx, `select u.unit_id, u.tag, u.serial, u.own_size, u.attributes, u.manufactured_on, u.manufactured_month, u.commissioned_on,
			u.commissioned_month, u.retired, u.placements, u.model
		from `+keys("$2")+` cross join lateral (select * from p_units as u where u.org_id = $1 and u.unit_id = k.unit_id offset 0) as u`, org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	found := make([]compliance.Unit, 0, len(ids))
	var u compliance.Unit
	var made, since, retired *time.Time
	var madeMonth, sinceMonth bool
	var attrs, places []byte
	if _, err = pgx.ForEachRow(rows, []any{
		&u.ID, &u.Tag, &u.Serial, &u.Size, &attrs, &made, &madeMonth, &since, &sinceMonth, &retired, &places, &u.Model,
	}, func() error {
		next := u
		next.Manufactured, next.Commissioned, next.Retired = markOf(made, madeMonth), markOf(since, sinceMonth), instantOf(retired)
		if string(attrs) != "{}" {
			if err := json.Unmarshal(attrs, &next.Attributes); err != nil {
				return err
			}
		}
		if err := json.Unmarshal(places, &next.Placements); err != nil {
			return err
		}
		found = append(found, next)
		return nil
	}); err != nil {
		return nil, pg.Err(err)
	}
	return found, nil
}

// readModels returns the models of units by id, all of which must be there. With a known that is not zero, as they were known then.
func readModels(ctx context.Context, tx pgx.Tx, org tenant.Org, units []compliance.Unit, known time.Time) (map[string]compliance.Model, error) {
	out := map[string]compliance.Model{}
	var ids []string
	for i := range units {
		if _, ok := out[units[i].Model]; !ok {
			out[units[i].Model] = compliance.Model{}
			ids = append(ids, units[i].Model)
		}
	}
	if !known.IsZero() {
		return modelsKnown(ctx, tx, org, ids, known)
	}
	rows, err := tx.Query(ctx, `select m.model, m.kind, m.maker, m.size, m.attributes
		from unnest($2::text[]) as k (model) join p_models as m on m.org_id = $1 and m.model = k.model`, org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	if _, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (struct{}, error) {
		var m compliance.Model
		err := row.Scan(&m.ID, &m.Kind, &m.Maker, &m.Size, &m.Attributes)
		out[m.ID] = m
		return struct{}{}, err
	}); err != nil {
		return nil, pg.Err(err)
	}
	for _, id := range ids {
		if out[id].ID == "" {
			return nil, errs.New(errs.Internal, "INTERNAL", "the feed of registry has a unit of a model it does not have", "model", id)
		}
	}
	return out, nil
}

// input returns what the derivation of one unit depends on: itself, its hosts, and with parts its parts, their hosts, and so on.
func (f *facts) input(unit uuid.UUID, parts bool) due.Input {
	in := due.Input{Unit: unit, Packs: f.packs, Recalls: f.recalls}
	if len(f.hosts[unit]) == 0 && len(f.parts[unit]) == 0 {
		f.add(&in, unit)
		return in
	}
	if f.seen == nil {
		f.seen, f.seenDown = map[uuid.UUID]bool{}, map[uuid.UUID]bool{}
	}
	clear(f.seen)
	clear(f.seenDown)
	f.visit(&in, unit, true, parts)
	for id := range f.seenDown { // a part that was not visited is none whose fittings were added
		for _, fit := range f.parts[id] {
			if !f.seen[fit.Part] {
				in.Fittings = append(in.Fittings, fit)
			}
		}
	}
	return in
}

// visit adds a unit and its hosts, with what it is fitted to; down, and with parts its parts too.
func (f *facts) visit(in *due.Input, id uuid.UUID, down, parts bool) {
	if !f.seen[id] {
		f.seen[id] = true
		f.add(in, id)
		in.Fittings = append(in.Fittings, f.hosts[id]...)
		for _, fit := range f.hosts[id] {
			f.visit(in, fit.Host, false, parts)
		}
	}
	if down && !f.seenDown[id] {
		f.seenDown[id] = true
		if parts {
			for _, fit := range f.parts[id] {
				f.visit(in, fit.Part, true, true)
			}
		}
	}
}

// add adds what is known of one unit.
func (f *facts) add(in *due.Input, id uuid.UUID) {
	if u, ok := f.units[id]; ok {
		in.Units = append(in.Units, u)
	}
	if h, ok := f.histories[id]; ok {
		in.Histories = append(in.Histories, h)
	}
	in.Holds = append(in.Holds, f.holds[id]...)
	in.Waivers = append(in.Waivers, f.waivers[id]...)
	in.Releases = append(in.Releases, f.releases[id]...)
}

// readShops returns shops by id; all of the org's for nil. With a known that is not zero, as they were known then.
func readShops(ctx context.Context, tx pgx.Tx, org tenant.Org, ids []string, known time.Time) (map[string]compliance.Shop, error) {
	if !known.IsZero() {
		return shopsKnown(ctx, tx, org, ids, known)
	}
	rows, err := tx.Query(ctx, `select shop, display_name, time_zone, jurisdiction from p_shops where org_id = $1 and ($2::text[] is null or shop = any ($2))`, org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := map[string]compliance.Shop{}
	var s compliance.Shop
	_, err = pgx.ForEachRow(rows, []any{&s.ID, &s.Name, &s.Zone, &s.Jurisdiction}, func() error {
		out[s.ID] = s
		return nil
	})
	return out, pg.Err(err)
}

var zones sync.Map // name -> *time.Location

// zone returns a time zone. Its name was checked before the shop was stored; one that has vanished since counts days as
// they end first anywhere, so that nothing is due later than it should be.
func zone(name string) *time.Location {
	if z, ok := zones.Load(name); ok {
		return z.(*time.Location)
	}
	z, err := time.LoadLocation(name)
	if err != nil {
		return time.FixedZone(name, 14*60*60)
	}
	zones.Store(name, z)
	return z
}
