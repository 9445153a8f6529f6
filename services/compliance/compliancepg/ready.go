package compliancepg

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// readyColumns are rows of p_ready column by column.
type readyColumns struct {
	unit                     []uuid.UUID
	kind, shop, size, tag    []string
	host                     []*uuid.UUID
	retired, since, from, to []*time.Time
	more                     []bool
	dives, hours, fills      []*int64
	sure                     []bool
	members                  []string // separated by commas
}

// add adds the row of a set whose last event was at an instant, and in which units of some kinds are; windows say which clocks it has.
func (c *readyColumns) add(set *compliance.Set, settled time.Time, kinds []string, windows compliance.Windows) {
	if cut, ok := windows.Cut(kinds...); ok {
		if at := cut.Start(zoneOf(set.Self.Stay)); at.After(settled) {
			settled = at
		}
	}
	r := compliance.ReadyOf(set, settled)
	c.unit, c.kind, c.shop = append(c.unit, set.Unit), append(c.kind, set.Kind), append(c.shop, set.Self.Stay.Shop)
	c.size, c.tag, c.host = append(c.size, set.Size), append(c.tag, set.Tag), append(c.host, idOf(set.Self.Host))
	c.retired, c.since, c.more = append(c.retired, instant(set.Self.Retired)), append(c.since, instant(settled)), append(c.more, r.More)
	var from *time.Time
	if !r.OK.None {
		from = &r.OK.From // of a set to which nothing ever happened it is the zero instant, which is long before every window
	}
	c.from, c.to = append(c.from, from), append(c.to, instant(r.OK.Until))
	c.dives, c.hours, c.fills = append(c.dives, r.Left.Dives), append(c.hours, (*int64)(r.Left.Hours)), append(c.fills, r.Left.Fills)
	c.sure = append(c.sure, r.Left.Sure)
	members := make([]string, len(set.Parts))
	for i, p := range set.Parts {
		members[i] = p.Unit.String()
	}
	c.members = append(c.members, strings.Join(members, ","))
}

func (c *readyColumns) queue(batch *pgx.Batch, org tenant.Org) {
	if len(c.unit) == 0 {
		return
	}
	batch.Queue(`insert into p_ready as p (org_id, unit_id, kind, shop, size, tag, host_id, retired, since, ok_from, ok_until, more, left_dives, left_hours, left_fills, left_sure, members)
		select $1, r.unit_id, r.kind, r.shop, r.size, r.tag, r.host_id, r.retired, r.since, r.ok_from, r.ok_until, r.more, r.left_dives, r.left_hours, r.left_fills, r.left_sure,
			string_to_array(r.members, ',')::uuid[]
		from unnest($2::uuid[], $3::text[], $4::text[], $5::text[], $6::text[], $7::uuid[], $8::timestamptz[], $9::timestamptz[], $10::timestamptz[], $11::timestamptz[],
				$12::boolean[], $13::bigint[], $14::bigint[], $15::bigint[], $16::boolean[], $17::text[])
			as r (unit_id, kind, shop, size, tag, host_id, retired, since, ok_from, ok_until, more, left_dives, left_hours, left_fills, left_sure, members)
		on conflict (org_id, unit_id) do update set kind = excluded.kind, shop = excluded.shop, size = excluded.size, tag = excluded.tag, host_id = excluded.host_id,
			retired = excluded.retired, since = excluded.since, ok_from = excluded.ok_from, ok_until = excluded.ok_until, more = excluded.more,
			left_dives = excluded.left_dives, left_hours = excluded.left_hours, left_fills = excluded.left_fills, left_sure = excluded.left_sure, members = excluded.members
		where (p.kind, p.shop, p.size, p.tag, p.host_id, p.retired, p.since, p.ok_from, p.ok_until, p.more, p.left_dives, p.left_hours, p.left_fills, p.left_sure, p.members)
			is distinct from (excluded.kind, excluded.shop, excluded.size, excluded.tag, excluded.host_id, excluded.retired, excluded.since, excluded.ok_from, excluded.ok_until,
				excluded.more, excluded.left_dives, excluded.left_hours, excluded.left_fills, excluded.left_sure, excluded.members)`,
		org.UUID, c.unit, c.kind, c.shop, c.size, c.tag, c.host, c.retired, c.since, c.from, c.to, c.more, c.dives, c.hours, c.fills, c.sure, c.members)
}

// readyAlone adds the row of a unit that was just derived, and to which nothing is fitted.
func (r *derivedRows) readyAlone(f due.Facts, tag string, d *due.Derived, settled time.Time) {
	alone := *d
	alone.Clocks = nil
	if d.Retired.IsZero() { // as stored
		for i := range d.Clocks {
			if r.windows.Keeps(&d.Clocks[i]) {
				alone.Clocks = append(alone.Clocks, d.Clocks[i])
			}
		}
	}
	r.ready.add(&compliance.Set{Unit: f.Unit, Tag: tag, Kind: f.Kind, Size: f.Size, Self: &alone}, settled, []string{f.Kind}, r.windows)
}

// composed notes, of the units that are derived again, those to which something is fitted and the hosts of the others: their rows of p_ready
// depend on what is stored of several units, and are written after all of these.
type composed map[uuid.UUID]struct{}

func (c composed) note(in due.Input, d *due.Derived) (alone bool) {
	if d.Host != uuid.Nil {
		c[d.Host] = struct{}{}
	}
	if alone = len(due.PartsAt(in.Fittings, in.Unit, endOfTime)) == 0; !alone {
		c[in.Unit] = struct{}{}
	}
	return alone
}

// recomputeSets writes the rows of p_ready of sets, and of all the sets that these are in.
func (s *Store) recomputeSets(ctx context.Context, tx pgx.Tx, org tenant.Org, sets composed) error {
	if len(sets) == 0 {
		return nil
	}
	ids := make([]uuid.UUID, 0, len(sets))
	for id := range sets {
		ids = append(ids, id)
	}
	rows, err := tx.Query(ctx, `with recursive up (unit_id, host_id) as (
			select u.unit_id, u.host_id from `+keys("$2")+` join p_units as u on u.org_id = $1 and u.unit_id = k.unit_id
		union
			select h.unit_id, h.host_id from up as u join p_units as h on h.org_id = $1 and h.unit_id = u.host_id
		) select unit_id from up order by coalesce(host_id, unit_id), unit_id`, org.UUID, ids)
	if err != nil {
		return pg.Err(err)
	}
	if ids, err = pgx.CollectRows(rows, pgx.RowTo[uuid.UUID]); err != nil {
		return pg.Err(err)
	}
	packs, err := s.readPacks(ctx, tx, org)
	if err != nil {
		return err
	}
	windows := compliance.WindowsOf(packs)
	for chunk := range slices.Chunk(ids, recomputeChunk) {
		stored, err := storedSets(ctx, tx, org, packs, chunk, false)
		if err != nil {
			return err
		}
		var ready readyColumns
		for i := range stored {
			ready.add(&stored[i].Set, stored[i].settled, stored[i].kinds, windows)
		}
		batch := &pgx.Batch{}
		ready.queue(batch, org)
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return pg.Err(err)
		}
	}
	return nil
}
