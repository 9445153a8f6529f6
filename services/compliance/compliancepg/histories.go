package compliancepg

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance/due"
)

// segmentBytes is how long a row of a history may become: short enough for PostgreSQL to keep it in its page.
const segmentBytes = 1800

// readHistories returns what happened to units, by unit, as it was told one after another. The answer is in the memory of r, and good until r
// is used again.
func readHistories(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID, r *entryReader) (map[uuid.UUID]due.History, error) {
	rows, err := tx.Query(ctx, `select k.place::integer, h.body
		from unnest($2::uuid[]) with ordinality as k (unit_id, place) cross join lateral (
			select h.body from p_ledger as h where h.org_id = $1 and h.unit_id = k.unit_id order by h.segment offset 0
		) as h`, org.UUID, units)
	if err != nil {
		return nil, pg.Err(err)
	}
	defer rows.Close()
	out := make(map[uuid.UUID]due.History, len(units))
	r.again()
	var place, last int32
	var body pgtype.DriverBytes // only good until the next row
	for rows.Next() {
		if err := rows.Scan(&place, &body); err != nil {
			return nil, pg.Err(err)
		}
		if place != last && last > 0 {
			out[units[last-1]] = r.history(units[last-1])
		}
		last = place
		if err := r.read(units[place-1], body); err != nil {
			return nil, err
		}
	}
	if last > 0 {
		out[units[last-1]] = r.history(units[last-1])
	}
	return out, pg.Err(rows.Err())
}

// storeHistories appends entries to the histories of their units, in the order given.
func storeHistories(ctx context.Context, tx pgx.Tx, org tenant.Org, entries []*due.Entry) error {
	var units []uuid.UUID
	open := map[uuid.UUID]*openSegment{}
	for _, e := range entries {
		if open[e.Unit] == nil {
			open[e.Unit] = &openSegment{}
			units = append(units, e.Unit)
		}
	}
	rows, err := tx.Query(ctx, `select k.unit_id, h.segment, h.length
		from `+keys("$2")+` cross join lateral (
			select h.segment, octet_length(h.body) as length from p_ledger as h where h.org_id = $1 and h.unit_id = k.unit_id order by h.segment desc limit 1
		) as h`, org.UUID, units)
	if err != nil {
		return pg.Err(err)
	}
	var unit uuid.UUID
	var segment int32
	var length int
	if _, err = pgx.ForEachRow(rows, []any{&unit, &segment, &length}, func() error {
		*open[unit] = openSegment{number: segment, length: length}
		return nil
	}); err != nil {
		return pg.Err(err)
	}
	var ids []uuid.UUID
	var numbers []int32
	var bodies [][]byte
	write := func(unit uuid.UUID, s *openSegment) {
		if len(s.added) > 0 {
			ids, numbers, bodies = append(ids, unit), append(numbers, s.number), append(bodies, s.added)
		}
	}
	for _, e := range entries {
		s := open[e.Unit]
		code := appendEntry(nil, e)
		if s.length > 0 && s.length+len(code) > segmentBytes {
			write(e.Unit, s)
			*s = openSegment{number: s.number + 1}
		}
		s.added, s.length = append(s.added, code...), s.length+len(code)
	}
	for _, unit := range units {
		write(unit, open[unit])
	}
	_, err = tx.Exec(ctx, `insert into p_ledger as h (org_id, unit_id, segment, body) select $1, a.* from unnest($2::uuid[], $3::integer[], $4::bytea[]) as a
		on conflict (org_id, unit_id, segment) do update set body = h.body || excluded.body`, org.UUID, ids, numbers, bodies)
	return pg.Err(err)
}

// openSegment is the last row of a history.
type openSegment struct {
	number int32
	length int // with what is added
	added  []byte
}

// storeAmendments notes which entries were corrected.
func storeAmendments(ctx context.Context, tx pgx.Tx, org tenant.Org, entries []*due.Entry) error {
	var corrects, ids, units []uuid.UUID
	for _, e := range entries {
		if e.Kind == due.Amendment {
			corrects, ids, units = append(corrects, e.Corrects), append(ids, e.ID), append(units, e.Unit)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	_, err := tx.Exec(ctx, `insert into p_amendments (org_id, corrects, entry_id, unit_id) select $1, a.* from unnest($2::uuid[], $3::uuid[], $4::uuid[]) as a`,
		org.UUID, corrects, ids, units)
	return pg.Err(err)
}

// slabSize is how many are allocated at first, maxSlab how many are at a time for a reader that needs many.
const (
	slabSize = 256
	maxSlab  = 1 << 16
)

// slab hands out what belongs to one unit after another, without allocating for each or moving them as they become more.
type slab[E any] struct {
	block []E // what there is to hand out
	begun int // where the present run begins
	used  int // where it ends
}

// again takes back all that was handed out, so that it is handed out again.
func (s *slab[E]) again() {
	s.begun, s.used = 0, 0
}

// add returns a new one of the present run, good until the next: what it was before, for the caller to overwrite.
func (s *slab[E]) add() *E {
	if s.used == len(s.block) {
		run := s.block[s.begun:s.used]
		s.block = make([]E, max(slabSize, 2*len(run), min(2*len(s.block), maxSlab)))
		s.begun, s.used = 0, copy(s.block, run)
	}
	s.used++
	return &s.block[s.used-1]
}

// cut ends the present run and returns it.
func (s *slab[E]) cut() []E {
	run := s.block[s.begun:s.used:s.used]
	s.begun = s.used
	return run
}
