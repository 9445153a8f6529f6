package compliancepg

import (
	"context"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
)

// countFleet counts settled units by shop and kind, in sets. What blocks a unit, or only holds it, is worked out for every
// unit alone and then carried up to what it is fitted to. It says the same as compliance.Count says of each unit's set:
//
//   - a clock blocks hand-out when it is in force on the day at its unit's shop and has no anchor, or its date limit has
//     passed, or nothing is left of a usage limit, and neither a phase-in nor a waiver excuses the unit on that day;
//   - a hold blocks while it is open; one for missing history of a rule speaks through its clock;
//   - retirement and a commissioning yet to come block.
//
// A unit's day is that of its own shop. A part goes by the day at its host's, so sets that are not together are among $6.
//
// $1 org, $2 instant, $3 shops, $4 the day at each, $5 horizon in days, $6 units that are counted otherwise.
const countFleet = `with recursive day (shop, today) as (
	select * from unnest($3::text[], $4::date[])
), clock (unit_id, blocking, overdue, spent, within) as (
	select c.unit_id,
		bool_or(not c.excused @> d.today and (not c.anchored and c.usage_blocks & 1 = 1
			or c.anchored and (c.due_on < d.today and c.date_blocks & 1 = 1 or c.spent and c.usage_blocks & 1 = 1))),
		bool_or(coalesce(c.due_on < d.today, false)), bool_or(c.spent), bool_or(coalesce(c.due_on <= d.today + $5::integer, false))
	from clocks as c join day as d on d.shop = c.shop
	where c.org_id = $1 and c.in_force_from <= d.today and (c.in_force_until is null or c.in_force_until > d.today)
	group by c.unit_id
), hold (unit_id, blocking) as (
	select unit_id, bool_or(blocks & 1 = 1) from (
		select unit_id, case when cause = 5 and rule <> '' then 0 else blocks end as blocks from unit_holds
			where org_id = $1 and opened <= $2 and (lifted is null or lifted > $2)
		union all
		select unit_id, blocks from holds_manual where org_id = $1 and placed <= $2 and (lifted is null or lifted > $2)
	) as h group by unit_id
), unit as (
	select u.unit_id, u.host_id, u.shop, u.kind, c.unit_id is not null as ruled, c.overdue, c.spent, c.within,
		u.retired is null or u.retired > $2 as living, u.commissioned_on is null or u.commissioned_on <= d.today as commissioned,
		h.unit_id is not null as held, coalesce(h.blocking, false) or coalesce(c.blocking, false) as blocked
	from p_units as u join day as d on d.shop = u.shop left join clock as c on c.unit_id = u.unit_id left join hold as h on h.unit_id = u.unit_id
	where u.org_id = $1
), troubled (unit_id, host_id, held, blocked) as (
	select unit_id, host_id, held, blocked or not living or not commissioned from unit where held or blocked or not living or not commissioned
union
	select u.unit_id, u.host_id, t.held, t.blocked from troubled as t join p_units as u on u.org_id = $1 and u.unit_id = t.host_id
), trouble (unit_id, held, blocked) as (
	select unit_id, bool_or(held), bool_or(blocked) from troubled group by unit_id
)
select u.shop, u.kind, count(*), count(u.host_id),
	count(*) filter (where u.host_id is null and u.ruled and not coalesce(t.blocked, false)),
	count(*) filter (where t.held),
	count(*) filter (where u.overdue), count(*) filter (where u.spent), count(*) filter (where u.within and not u.overdue)
from unit as u left join trouble as t on t.unit_id = u.unit_id
where u.living and u.commissioned and u.unit_id <> all ($6)
group by u.shop, u.kind`

// Fleet counts the units of the fleet at an instant, as known at another (zero for everything), by the shop they are at and their kind, and
// returns the org's shops. Units to which something happened since, or whose parts that is true of or are at another shop, are derived and counted one by one.
func (r *Reader) Fleet(ctx context.Context, at, known time.Time, horizon int) (map[compliance.CountKey]compliance.Counts, map[string]compliance.Shop, error) {
	shops, err := readShops(ctx, r.tx, r.org, nil, known)
	if err != nil {
		return nil, nil, err
	}
	packs, err := r.Packs(ctx)
	if err != nil {
		return nil, nil, err
	}
	out := map[compliance.CountKey]compliance.Counts{}
	covers := known.IsZero() && covered(packs, at)
	ids, dates := make([]string, 0, len(shops)), make([]*time.Time, 0, len(shops))
	days := map[civil.Date]bool{}
	for id, s := range shops {
		day := civil.In(at, zone(s.Zone))
		ids, dates = append(ids, id), append(dates, dayOf(day))
		days[day] = true
	}
	late, err := r.otherwise(ctx, at, known, !covers, len(days) > 1)
	if err != nil {
		return nil, nil, err
	}
	if covers {
		rows, err := r.tx.Query(ctx, countFleet, r.org.UUID, at, ids, dates, horizon, append([]uuid.UUID{}, late...))
		if err != nil {
			return nil, nil, pg.Err(err)
		}
		var k compliance.CountKey
		var c compliance.Counts
		if _, err = pgx.ForEachRow(rows, []any{&k.Shop, &k.Kind, &c.Units, &c.Fitted, &c.Ready, &c.Pulled, &c.OverdueByDate, &c.DueByUsage, &c.DueWithin}, func() error {
			out[k] = c
			return nil
		}); err != nil {
			return nil, nil, pg.Err(err)
		}
	}
	var adding sync.Mutex
	err = r.eachChunk(ctx, late, true, known, func(f *facts, chunk []uuid.UUID) error {
		counted := map[compliance.CountKey]compliance.Counts{}
		for _, id := range chunk {
			s := f.set(id, at, known)
			k := compliance.CountKey{Shop: s.Self.Stay.Shop, Kind: s.Kind}
			if c := compliance.Count(s, at, horizon); c.Units > 0 {
				c.Add(counted[k])
				counted[k] = c
			}
		}
		adding.Lock()
		defer adding.Unlock()
		for k, c := range counted {
			c.Add(out[k])
			out[k] = c
		}
		return nil
	})
	return out, shops, err
}

// otherwise returns the units that cannot be counted in sets, and the hosts they are fitted to: those to which something happened
// after an instant; with apart, those that are at another shop than their host, whose days may differ; every unit if all is set. Registry
// keeps sets together, but its feed tells of a transfer unit by unit.
func (r *Reader) otherwise(ctx context.Context, at, known time.Time, all, apart bool) ([]uuid.UUID, error) {
	query, args := `with recursive other (unit_id, host_id) as (
			select unit_id, host_id from p_units where org_id = $1 and settled > $2
		union
			select p.unit_id, p.host_id from p_units as p join p_units as h on $3 and h.org_id = $1 and h.unit_id = p.host_id
			where p.org_id = $1 and p.host_id is not null and p.shop <> h.shop
		union
			select u.unit_id, u.host_id from other as o join p_units as u on u.org_id = $1 and u.unit_id = o.host_id
		) select unit_id from other`, []any{r.org.UUID, at, apart}
	if !known.IsZero() {
		return knownUnits(ctx, r.tx, r.org, known)
	}
	if all {
		return unitIDs(ctx, r.tx, "true", r.org.UUID)
	}
	rows, err := r.tx.Query(ctx, query, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return ids, pg.Err(err)
}
