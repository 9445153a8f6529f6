package compliancepg

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// watchMarks are units whose state has changed, with when time alone changes it next.
type watchMarks struct {
	units []uuid.UUID
	again []*time.Time
}

func (m *watchMarks) add(unit uuid.UUID, again time.Time) {
	m.units, m.again = append(m.units, unit), append(m.again, instant(again))
}

// markChunk is how many units one statement marks.
const markChunk = 5000

// markHosts are the units of $2 with everything that they are fitted to at $4 or later, directly or through others: the state of a set is
// that of its parts too. Which hosts a fitting changed, it was told of itself.
const markHosts = `with recursive up (unit_id) as (
		select k.unit_id from unnest($2::uuid[]) as k (unit_id)
	union
		select f.host_id from up as u cross join lateral (
			select f.host_id from p_fittings as f where f.org_id = $1 and f.part_id = u.unit_id and (f.unfitted is null or f.unfitted > $4) offset 0) as f
	) `

// markedAgain are the rows of markHosts; of those of $2, $5 says when they change again, which may be never. What only has parts among
// them keeps what was said of it.
const markedAgain = `$1, u.unit_id, $3, min(coalesce(d.again, 'infinity')) filter (where d.unit_id is not null)
	from up as u left join unnest($2::uuid[], $5::timestamptz[]) as d (unit_id, again) on d.unit_id = u.unit_id group by u.unit_id`

// mark gives units that were derived again, and what they are fitted to, the number of a change. It takes the lock of the org's row in
// watch_heads, after which a transaction takes no other.
func (s *Store) mark(ctx context.Context, tx pgx.Tx, org tenant.Org, m *watchMarks) error {
	if len(m.units) == 0 {
		return nil
	}
	number, now, err := s.nextMark(ctx, tx, org)
	if err != nil {
		return err
	}
	for i := 0; i < len(m.units); i += markChunk {
		end := min(i+markChunk, len(m.units))
		if _, err := tx.Exec(ctx, markHosts+`insert into watch_units (org_id, unit_id, number, again)
			select `+markedAgain+` on conflict (org_id, unit_id) do update set number = excluded.number, again = coalesce(excluded.again, watch_units.again)`,
			org.UUID, m.units[i:end], number, now, m.again[i:end]); err != nil {
			return pg.Err(err)
		}
	}
	return nil
}

// markHeld marks a unit for a hold that was placed on it or lifted, and what it is fitted to.
func (s *Store) markHeld(ctx context.Context, tx pgx.Tx, org tenant.Org, unit uuid.UUID) error {
	number, now, err := s.nextMark(ctx, tx, org)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, markHosts+`insert into watch_units (org_id, unit_id, number) select $1, u.unit_id, $3 from up as u
		on conflict (org_id, unit_id) do update set number = excluded.number`, org.UUID, []uuid.UUID{unit}, number, now)
	return pg.Err(err)
}

// nextMark is watchOn for marks, which say as of when they are made.
func (s *Store) nextMark(ctx context.Context, tx pgx.Tx, org tenant.Org) (number int64, now time.Time, err error) {
	now = s.clock.Now()
	err = tx.QueryRow(ctx, `insert into watch_heads (org_id, number, told) values ($1, 1, $2)
		on conflict (org_id) do update set number = watch_heads.number + 1, told = greatest(watch_heads.told, excluded.told) returning number`, org.UUID, now).Scan(&number)
	return number, now, pg.Err(err)
}

// MarkPassed marks units whose state time alone has changed up to an instant, at most limit of them, and says whether there are more. What
// it costs follows what changes, not the fleet.
func (s *Store) MarkPassed(ctx context.Context, org tenant.Org, now time.Time, limit int) (marked int, more bool, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		marked, more = 0, false
		rows, err := tx.Query(ctx, `select w.unit_id, u.settled from watch_units as w join p_units as u on u.org_id = $1 and u.unit_id = w.unit_id
			where w.org_id = $1 and w.again <= $2 and w.again < 'infinity' order by w.again, w.unit_id limit $3`, org.UUID, now, limit+1)
		if err != nil {
			return pg.Err(err)
		}
		var units []uuid.UUID
		settled := map[uuid.UUID]time.Time{}
		var id uuid.UUID
		var at *time.Time
		if _, err := pgx.ForEachRow(rows, []any{&id, &at}, func() error {
			units, settled[id] = append(units, id), instantOf(at)
			return nil
		}); err != nil || len(units) == 0 {
			return pg.Err(err)
		}
		if more = len(units) > limit; more {
			units = units[:limit]
		}
		r := &Reader{store: s, org: org, tx: tx}
		packs, err := r.Packs(ctx)
		if err != nil {
			return err
		}
		sets, err := r.stored(ctx, packs, units, now)
		if err != nil {
			return err
		}
		var m watchMarks
		for _, set := range sets {
			m.add(set.Unit, compliance.ChangesAgain(set.Self, settled[set.Unit], now))
		}
		marked = len(m.units)
		number, _, err := s.nextMark(ctx, tx, org)
		if err != nil {
			return err
		}
		// What was derived again in the meantime says itself when it changes next.
		_, err = tx.Exec(ctx, markHosts+`insert into watch_units (org_id, unit_id, number, again)
			select `+markedAgain+` on conflict (org_id, unit_id) do update set number = excluded.number,
				again = case when excluded.again is null or watch_units.again > $4 then watch_units.again else excluded.again end`,
			org.UUID, m.units, number, now, m.again)
		return pg.Err(err)
	})
	return marked, more, err
}
