package compliancepg

import (
	"bytes"
	"cmp"
	"context"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/forecast"
)

// nearShops is from how many other shops peers come.
const nearShops = 20

// Peers returns what some units of a kind were used for, as inputs that hold nothing but usage: those of the fleet at an instant, at shops
// with the same seasons, the same ones each time. However large the fleet, it reads no more than q.Limit units and what they were
// fitted to, found by index: the first by tag of its own shop and of 20 others.
func (r *Reader) Peers(ctx context.Context, q compliance.PeerQuery) ([]due.Input, error) {
	units, err := r.peers(ctx, q)
	if err != nil {
		return nil, err
	}
	f := &facts{known: q.Known}
	ids, err := f.loadFittings(ctx, r.tx, r.org, units, false)
	if err != nil {
		return nil, err
	}
	if err := f.loadUnits(ctx, r.tx, r.org, ids); err != nil {
		return nil, err
	}
	if f.histories, err = readHistories(ctx, r.tx, r.org, ids, new(entryReader)); err != nil {
		return nil, err
	}
	usesSince(f.histories, q.Since)
	out := make([]due.Input, len(units))
	for i, u := range units {
		out[i] = f.input(u, false)
	}
	return out, nil
}

// peers returns the units that Peers is about.
func (r *Reader) peers(ctx context.Context, q compliance.PeerQuery) (units []uuid.UUID, err error) {
	if !q.Known.IsZero() {
		return r.peersKnown(ctx, q)
	}
	rows, err := r.tx.Query(ctx, `with near (shop, n) as (
			(select shop, 0 from p_shops where org_id = $1 and shop = $3)
			union all
			(select shop, 1 from p_shops where org_id = $1 and shop <> $3 and (time_zone = any ($4)) = $5 order by shop limit $8)
		)
		select u.unit_id
		from near as s cross join lateral (
			select p.unit_id, row_number() over (order by p.tag, p.unit_id) as k
			from p_units as p where p.org_id = $1 and p.kind = $2 and p.shop = s.shop and (p.retired is null or p.retired > $6)
			order by p.tag, p.unit_id limit $7
		) as u
		order by u.k, s.n, s.shop limit $7`,
		r.org.UUID, q.Kind, q.Shop, forecast.SouthernZones(), forecast.Southern(q.Zone), q.At, q.Limit, nearShops)
	if err != nil {
		return nil, pg.Err(err)
	}
	units, err = pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return units, pg.Err(err)
}

// peersKnown chooses as peers does from the fleet as it was known at an instant. It goes through all of it.
func (r *Reader) peersKnown(ctx context.Context, q compliance.PeerQuery) ([]uuid.UUID, error) {
	shops, err := shopsKnown(ctx, r.tx, r.org, nil, q.Known)
	if err != nil {
		return nil, err
	}
	var near []string
	inOrder, err := r.sorted(ctx, slices.Collect(maps.Keys(shops)))
	if err != nil {
		return nil, err
	}
	for _, id := range inOrder {
		if id != q.Shop && forecast.Southern(shops[id].Zone) == forecast.Southern(q.Zone) && len(near) < nearShops {
			near = append(near, id)
		}
	}
	if _, ok := shops[q.Shop]; ok {
		near = append([]string{q.Shop}, near...)
	}
	ids, err := knownUnits(ctx, r.tx, r.org, q.Known)
	if err != nil {
		return nil, err
	}
	units, err := unitsKnown(ctx, r.tx, r.org, ids, q.Known)
	if err != nil {
		return nil, err
	}
	models, err := readModels(ctx, r.tx, r.org, units, q.Known)
	if err != nil {
		return nil, err
	}
	tags := map[string]struct{}{}
	for i := range units {
		tags[units[i].Tag] = struct{}{}
	}
	if inOrder, err = r.sorted(ctx, slices.Collect(maps.Keys(tags))); err != nil {
		return nil, err
	}
	place := make(map[string]int, len(inOrder))
	for i, tag := range inOrder {
		place[tag] = i
	}
	slices.SortFunc(units, func(a, b compliance.Unit) int {
		return cmp.Or(cmp.Compare(place[a.Tag], place[b.Tag]), bytes.Compare(a.ID[:], b.ID[:]))
	})
	at := map[string][]uuid.UUID{}
	for _, u := range units {
		if models[u.Model].Kind == q.Kind && (u.Retired.IsZero() || u.Retired.After(q.At)) {
			shop := u.Placements[len(u.Placements)-1].Shop
			at[shop] = append(at[shop], u.ID)
		}
	}
	var out []uuid.UUID
	for k, more := 0, true; more; k++ {
		more = false
		for _, shop := range near {
			if k < len(at[shop]) && len(out) < q.Limit {
				out, more = append(out, at[shop][k]), true
			}
		}
	}
	return out, nil
}

// sorted puts texts in the order in which the database puts them.
func (r *Reader) sorted(ctx context.Context, texts []string) ([]string, error) {
	rows, err := r.tx.Query(ctx, `select t.text from unnest($1::text[]) as t (text) order by t.text`, texts)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return out, pg.Err(err)
}

// usesSince keeps of histories the uses from an instant on, with the meter readings of all time, which later ones are compared with, and
// the amendments with what they correct, whenever that was.
func usesSince(histories map[uuid.UUID]due.History, since time.Time) {
	for unit, h := range histories {
		corrected := map[uuid.UUID]bool{}
		for i := range h.Entries {
			if h.Entries[i].Kind == due.Amendment {
				corrected[h.Entries[i].Corrects] = true
			}
		}
		h.Entries = slices.DeleteFunc(h.Entries, func(e due.Entry) bool {
			return e.Kind != due.Amendment && !corrected[e.ID] && (e.Kind != due.UsageEntry || !e.Reading && e.Occurred.Before(since))
		})
		first := due.InstantOf(since)
		h.Increments = slices.DeleteFunc(h.Increments, func(i due.Increment) bool { return !corrected[i.ID] && i.Occurred.Before(first) })
		histories[unit] = h
	}
}
