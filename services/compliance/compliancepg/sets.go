package compliancepg

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// Derive returns the sets of units, in the order asked, derived from what is projected for an instant and as known at
// another (zero for everything). An unknown unit is NOT_FOUND.
func (r *Reader) Derive(ctx context.Context, units []uuid.UUID, at, known time.Time) ([]*compliance.Set, error) {
	out := make([]*compliance.Set, 0, len(units))
	for chunk := range slices.Chunk(units, recomputeChunk) {
		f, err := r.store.loadFacts(ctx, r.tx, r.org, chunk, true, known, new(entryReader))
		if err != nil {
			return nil, err
		}
		if len(f.unknown) > 0 {
			return nil, r.notOnRecord(ctx, f.unknown[0], known)
		}
		for _, id := range chunk {
			out = append(out, f.set(id, at, known))
		}
	}
	return out, nil
}

// set derives a unit and what is fitted to it at an instant; at the end of all that is known for a zero one.
func (f *facts) set(unit uuid.UUID, at, known time.Time) *compliance.Set {
	in := f.input(unit, true)
	self := due.Derive(in, at, known)
	u := f.units[unit]
	s := &compliance.Set{Unit: unit, Tag: f.tags[unit], Kind: u.Kind, Size: u.Size, Self: &self, Waivers: in.Waivers}
	when := at
	if when.IsZero() {
		when = endOfTime
	}
	for _, part := range due.PartsAt(in.Fittings, unit, when) {
		d := due.Derive(f.input(part, false), at, known)
		s.Parts = append(s.Parts, &d)
	}
	return s
}

// endOfTime is after every instant of a ledger.
var endOfTime = time.Date(9999, 12, 30, 0, 0, 0, 0, time.UTC)

// covered says whether the stored rows are all that is in force at an instant, wherever on earth.
func covered(packs []due.Pack, at time.Time) bool {
	return compliance.WindowsOf(packs).Covers(civil.In(at, time.UTC).AddDays(-1))
}

// Sets returns the sets of units in the order asked, for an instant and those after it: from the stored rows where
// nothing has happened to the set since, and derived otherwise. Units must exist.
func (r *Reader) Sets(ctx context.Context, units []uuid.UUID, at time.Time) ([]*compliance.Set, error) {
	packs, err := r.Packs(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]*compliance.Set, 0, len(units))
	for chunk := range slices.Chunk(units, 4*recomputeChunk) {
		sets, err := r.stored(ctx, packs, chunk, at)
		if err != nil {
			return nil, err
		}
		var late []uuid.UUID
		for _, s := range sets {
			if !s.Settled {
				late = append(late, s.Unit)
			}
		}
		derived, err := r.Derive(ctx, late, at, time.Time{})
		if err != nil {
			return nil, err
		}
		for i, n := 0, 0; i < len(sets); i++ {
			if !sets[i].Settled {
				derived[n].Latest = sets[i]
				sets[i] = derived[n]
				n++
			}
		}
		out = append(out, sets...)
	}
	return out, nil
}

// stored returns the sets of units from the stored rows, which answer for the time after the last event; a set to which
// something happened after the instant, or that the stored clocks do not cover then, is not settled.
func (r *Reader) stored(ctx context.Context, packs []due.Pack, units []uuid.UUID, at time.Time) ([]*compliance.Set, error) {
	rows, err := storedSets(ctx, r.tx, r.org, packs, units, true)
	if err != nil {
		return nil, err
	}
	covers := covered(packs, at)
	out := make([]*compliance.Set, len(rows))
	for i := range rows {
		set := &rows[i].Set
		set.Settled = covers && !rows[i].settled.After(at)
		out[i] = set
	}
	return out, nil
}

// storedSet is a set of the stored rows, and what they know beside it.
type storedSet struct {
	compliance.Set
	settled time.Time // the last event of the unit and of all that is fitted to it
	kinds   []string  // of the unit and of all that is fitted to it
}

// storedSets returns the sets of units as of the last event, in the order asked: with what people placed, or without. Units must exist.
func storedSets(ctx context.Context, tx pgx.Tx, org tenant.Org, packs []due.Pack, units []uuid.UUID, placed bool) ([]storedSet, error) {
	rows, err := tx.Query(ctx, `with recursive down (unit_id) as (
			select * from unnest($2::uuid[])
		union
			select u.unit_id from down as d join p_units as u on u.org_id = $1 and u.host_id = d.unit_id
		)
		select u.unit_id, u.tag, u.kind, u.size, u.shop, s.time_zone, s.jurisdiction, u.host_id, u.commissioned_on, u.commissioned_month, u.retired,
			u.last_fill, u.settled
		from down as d join p_units as u on u.org_id = $1 and u.unit_id = d.unit_id join p_shops as s on s.org_id = $1 and s.shop = u.shop`, org.UUID, units)
	if err != nil {
		return nil, pg.Err(err)
	}
	type member struct {
		set     compliance.Set
		self    due.Derived
		settled time.Time
	}
	members := map[uuid.UUID]*member{}
	var fitted []due.Fitting
	var ids []uuid.UUID
	_, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (struct{}, error) {
		m := &member{}
		var name string
		var host *uuid.UUID
		var commissioned, retired, filled, settled *time.Time
		var month bool
		s, d := &m.set, &m.self
		if err := row.Scan(&s.Unit, &s.Tag, &s.Kind, &s.Size, &d.Stay.Shop, &name, &d.Stay.Jurisdiction, &host, &commissioned, &month, &retired,
			&filled, &settled); err != nil {
			return struct{}{}, err
		}
		d.Unit, d.Stay.Zone, d.Commissioned, d.Retired, d.LastFill = s.Unit, zone(name), markOf(commissioned, month), instantOf(retired), instantOf(filled)
		m.settled = instantOf(settled)
		if host != nil {
			d.Host = *host
			fitted = append(fitted, due.Fitting{Part: s.Unit, Host: *host})
		}
		members[s.Unit] = m
		ids = append(ids, s.Unit)
		return struct{}{}, nil
	})
	if err != nil {
		return nil, pg.Err(err)
	}
	clocks, err := readClocks(ctx, tx, org, indexRules(packs), ids)
	if err != nil {
		return nil, err
	}
	holds, err := readHolds(ctx, tx, org, ids, placed)
	if err != nil {
		return nil, err
	}
	byHost := map[uuid.UUID][]due.Fitting{}
	for _, f := range fitted {
		byHost[f.Host] = append(byHost[f.Host], f)
	}
	for id, m := range members {
		m.self.Clocks, m.self.Holds = clocks[id], holds[id]
	}
	out := make([]storedSet, len(units))
	for i, id := range units {
		m := members[id]
		if m == nil {
			return nil, errs.Missing(resname.UnitName(org, id))
		}
		s := storedSet{Set: m.set, settled: m.settled, kinds: []string{m.set.Kind}}
		s.Self = &m.self
		for _, part := range due.PartsAt(below(byHost, id), id, endOfTime) {
			p := members[part]
			s.Parts = append(s.Parts, &p.self)
			s.kinds = append(s.kinds, p.set.Kind)
			if p.settled.After(s.settled) {
				s.settled = p.settled
			}
		}
		out[i] = s
	}
	return out, nil
}

// below returns the fittings of a unit's parts, and of theirs.
func below(byHost map[uuid.UUID][]due.Fitting, unit uuid.UUID) []due.Fitting {
	out := slices.Clone(byHost[unit])
	for i := 0; i < len(out); i++ {
		if out[i].Part != unit && len(out) < 1000 {
			out = append(out, byHost[out[i].Part]...)
		}
	}
	return out
}
