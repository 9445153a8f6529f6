package compliancepg

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// away is a unit or part that somebody has who has not brought it back, as far as anybody said: it went out by itself, or with what it was fitted to then.
type away struct {
	part, with uuid.UUID
	until      time.Time
}

// selectAway is which of $2 are away. A part that was taken off something while that was out went out with it all the same: what it was used for is not
// recorded before that is returned, nor what happened to it.
const selectAway = `with recursive up (part_id, unit_id, since, upto) as (
		select k.unit_id, k.unit_id, null::timestamptz, null::timestamptz from unnest($2::uuid[]) as k (unit_id)
	union
		select u.part_id, f.host_id, greatest(u.since, f.fitted), least(u.upto, f.unfitted) from up as u cross join lateral (
			select f.host_id, f.fitted, f.unfitted from p_fittings as f where f.org_id = $1 and f.part_id = u.unit_id
				and (u.upto is null or f.fitted < u.upto) and (f.unfitted is null or u.since is null or f.unfitted > u.since)
				and (f.unfitted is null or f.unfitted > (select min(handed_out) from allocations where org_id = $1 and state = 3)) offset 0) as f
	)
	select u.part_id, a.unit_id, max(upper(a.during)) from up as u join allocations as a on a.org_id = $1 and a.unit_id = u.unit_id and a.state = 3
	where u.upto is null or u.upto > a.handed_out
	group by u.part_id, a.unit_id order by u.part_id, a.unit_id`

// away returns what of the sets is away: of their units only what went out with something else, as those that went out themselves have a promise that says so.
func (t *promising) away(ctx context.Context, sets []*compliance.Set) (map[uuid.UUID][]away, error) {
	of := map[uuid.UUID][]uuid.UUID{} // units of sets by member
	var ids []uuid.UUID
	add := func(unit uuid.UUID, set *compliance.Set) {
		if of[unit] == nil {
			ids = append(ids, unit)
		}
		if all := of[unit]; len(all) == 0 || all[len(all)-1] != set.Unit {
			of[unit] = append(all, set.Unit)
		}
	}
	for _, set := range sets {
		add(set.Unit, set)
		for _, s := range []*compliance.Set{set, set.Latest} {
			if s == nil {
				continue
			}
			for _, p := range s.Parts {
				add(p.Unit, set)
			}
		}
	}
	rows, err := t.tx.Query(ctx, selectAway, t.org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := map[uuid.UUID][]away{}
	var a away
	_, err = pgx.ForEachRow(rows, []any{&a.part, &a.with, &a.until}, func() error {
		for _, unit := range of[a.part] {
			if unit != a.with {
				out[unit] = append(out[unit], a)
			}
		}
		return nil
	})
	return out, pg.Err(err)
}

// gone says that a part of a unit, or the unit itself, is away.
func (t *promising) gone(unit uuid.UUID, there due.Stay, a away, names due.Names) compliance.AllocationConflict {
	part, with := names.Unit(a.part), names.Unit(a.with)
	says := "The unit"
	if a.part != unit {
		says = part + ", which is fitted to it,"
	}
	if a.part == a.with {
		says += fmt.Sprintf(" is out, and due back at %s by the clock of its shop.", there.Clock(a.until))
	} else {
		says += fmt.Sprintf(" went out with %s, which is due back at %s by the clock of its shop.", with, there.Clock(a.until))
	}
	return compliance.AllocationConflict{Code: string(due.Out), Blocks: due.HandOut, Unit: a.part, Says: says, Clears: "The return of " + with + ".", Known: t.now}
}
