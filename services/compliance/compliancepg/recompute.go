package compliancepg

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// recomputeChunk is how many units are loaded and derived at a time, which bounds the memory a large fleet needs.
const recomputeChunk = 500

// recompute derives again and replaces the rows of units. Those not in the projection yet are left until they are: an
// entry may arrive before its unit. It ends with marking the units for those who watch, which takes the last lock of the transaction.
func (s *Store) recompute(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID) error {
	var memory entryReader
	sets := composed{}
	var marks watchMarks
	for chunk := range slices.Chunk(units, recomputeChunk) {
		f, err := s.loadFacts(ctx, tx, org, chunk, false, time.Time{}, &memory)
		if err != nil {
			return err
		}
		rows := derivedRows{windows: compliance.WindowsOf(f.packs), at: s.clock.Now()}
		for _, id := range chunk {
			if _, ok := f.units[id]; !ok {
				continue
			}
			in := f.input(id, false)
			in.Holds = nil // what people placed is not part of the projection; what they waived is, as the days it excuses
			d := due.Derive(in, time.Time{}, time.Time{})
			settled := compliance.Settled(in)
			rows.add(f.units[id], &d, settled)
			if sets.note(in, &d) {
				rows.readyAlone(f.units[id], f.tags[id], &d, settled)
			}
			marks.add(id, compliance.ChangesAgain(&d, settled, rows.at))
			rows.lots.add(id, due.LotUses(in, time.Time{}, time.Time{}))
		}
		if err := rows.replace(ctx, tx, org); err != nil {
			return err
		}
	}
	if err := s.recomputeSets(ctx, tx, org, sets); err != nil {
		return err
	}
	return s.mark(ctx, tx, org, &marks)
}

// recomputeKinds derives again the units of some kinds; all for nil.
func (s *Store) recomputeKinds(ctx context.Context, tx pgx.Tx, org tenant.Org, kinds []string) error {
	return s.recomputeCovered(ctx, tx, org, kinds, nil)
}

// recomputeCovered derives again the units of some kinds, all for nil, that parts of some lots were put into, any for nil.
func (s *Store) recomputeCovered(ctx context.Context, tx pgx.Tx, org tenant.Org, kinds, lots []string) error {
	where, args := kindsAndLots(kinds, lots)
	units, err := unitIDs(ctx, tx, where, append([]any{org.UUID}, args...)...)
	if err != nil {
		return err
	}
	return s.recompute(ctx, tx, org, units)
}

// derivedRows are the rows of some units, column by column.
type derivedRows struct {
	windows  compliance.Windows
	at       time.Time // when they became known
	units    []uuid.UUID
	kind     []string
	size     []string
	shop     []string
	host     []*uuid.UUID
	settled  []*time.Time
	lastFill []*time.Time
	clocks   clockColumns
	holds    holdColumns
	lots     lotColumns
	ready    readyColumns
}

func (r *derivedRows) add(f due.Facts, d *due.Derived, settled time.Time) {
	r.units = append(r.units, f.Unit)
	r.kind, r.size, r.shop = append(r.kind, f.Kind), append(r.size, f.Size), append(r.shop, d.Stay.Shop)
	r.host = append(r.host, idOf(d.Host))
	r.settled, r.lastFill = append(r.settled, instant(settled)), append(r.lastFill, instant(d.LastFill))
	if d.Retired.IsZero() {
		for i := range d.Clocks {
			if c := &d.Clocks[i]; r.windows.Keeps(c) {
				r.clocks.add(f, d, c)
			}
		}
	}
	for i := range d.Holds {
		r.holds.add(&d.Holds[i])
	}
}

// replace writes the rows in the place of those the units had.
func (r *derivedRows) replace(ctx context.Context, tx pgx.Tx, org tenant.Org) error {
	if len(r.units) == 0 {
		return nil
	}
	batch := &pgx.Batch{}
	batch.Queue(`update p_units as u set kind = d.kind, size = d.size, shop = d.shop, host_id = d.host_id, settled = d.settled,
			last_fill = d.last_fill
		from unnest($2::uuid[], $3::text[], $4::text[], $5::text[], $6::uuid[], $7::timestamptz[], $8::timestamptz[])
			as d (unit_id, kind, size, shop, host_id, settled, last_fill)
		where u.org_id = $1 and u.unit_id = d.unit_id
			and (u.kind, u.size, u.shop, u.host_id, u.settled, u.last_fill)
				is distinct from (d.kind, d.size, d.shop, d.host_id, d.settled, d.last_fill)`,
		org.UUID, r.units, r.kind, r.size, r.shop, r.host, r.settled, r.lastFill)
	batch.Queue(`delete from clocks where org_id = $1 and unit_id = any ($2)`, org.UUID, r.units)
	batch.Queue(`delete from unit_holds where org_id = $1 and unit_id = any ($2)`, org.UUID, r.units)
	batch.Queue(`delete from p_lot_uses where org_id = $1 and unit_id = any ($2)`, org.UUID, r.units)
	batch.Queue(`insert into notice_units (org_id, unit_id, seen, marked) select $1, u.unit_id, $3, $3 from unnest($2::uuid[]) as u (unit_id) order by u.unit_id
		on conflict (org_id, unit_id) do update set marked = greatest(notice_units.marked, excluded.marked)`, org.UUID, r.units, r.at)
	r.clocks.queue(batch, org)
	r.holds.queue(batch, org)
	r.lots.queue(batch, org)
	r.ready.queue(batch, org)
	return pg.Err(tx.SendBatch(ctx, batch).Close())
}

func idOf(id uuid.UUID) *uuid.UUID {
	if id == uuid.Nil {
		return nil
	}
	return &id
}
