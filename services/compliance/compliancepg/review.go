package compliancepg

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// toReview are the live allocations that may have come into conflict, or out of it, by the changes after $2 up to $3: those of units that changed, those
// that changed themselves and the others of the same unit, those whose unit somebody should have brought back by $4, and those in conflict of a kind and shop at
// which something changed, or whose unit another had before.
const toReview = `where a.org_id = $1 and a.state <= 3 and a.allocation_id in (
		select b.allocation_id from watch_units as w join allocations as b on b.org_id = $1 and b.unit_id = w.unit_id and b.state <= 3
			where w.org_id = $1 and w.number > $2 and w.number <= $3
	union
		select b.allocation_id from allocations as c join allocations as b on b.org_id = $1 and b.unit_id = c.unit_id and b.state <= 3
			where c.org_id = $1 and c.number > $2 and c.number <= $3
	union
		select b.allocation_id from allocations as l join allocations as b on b.org_id = $1 and b.unit_id = l.unit_id and b.state <= 2
			where l.org_id = $1 and l.state = 3 and upper(l.during) <= $4
	union
		select b.allocation_id from allocations as b where b.org_id = $1 and b.state <= 3 and b.conflicts <> '[]' and (
			exists (select from watch_units as w join p_ready as r on r.org_id = $1 and r.unit_id = w.unit_id
				where w.org_id = $1 and w.number > $2 and w.number <= $3 and r.kind = b.kind and r.shop = b.shop)
			or exists (select from allocations as c where c.org_id = $1 and c.number > $2 and c.number <= $3
				and (c.kind = b.kind and c.shop = b.shop or c.substitutions @> jsonb_build_array(jsonb_build_object('unit', b.unit_id)))))
	) order by lower(a.during), a.allocation_id`

// dueReview says whether there is anything to review: changes that were not looked at, promises that have run out, and units that are not back.
const dueReview = `select coalesce((select number from watch_heads where org_id = $1), 0) > coalesce((select number from review_heads where org_id = $1), 0)
	or exists (select from allocations where org_id = $1 and state = 1 and expires <= $2)
	or exists (select from allocations where org_id = $1 and state <= 2 and upper(during) <= $2)
	or exists (select from allocations where org_id = $1 and state = 3 and upper(during) <= $2)`

// Review looks again at the promises of an org that changes since the last time may concern, in one transaction. What cannot be kept any more gets another
// unit, unless its own was asked for by name; where there is none, it is in conflict until there is. With wait unset it leaves an org that somebody else is
// writing to.
func (s *Store) Review(ctx context.Context, org tenant.Org, now time.Time, wait bool) (out compliance.Reviewed, err error) {
	needed := false
	if err := s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		return pg.Err(tx.QueryRow(ctx, dueReview, org.UUID, now).Scan(&needed))
	}); err != nil || !needed {
		return out, err
	}
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		out = compliance.Reviewed{}
		lock := `select number from heads where org_id = $1 for update`
		if !wait {
			lock += ` skip locked`
		}
		var head int64
		err := tx.QueryRow(ctx, lock, org.UUID).Scan(&head)
		if pg.NoRows(err) {
			// Either somebody is writing, who wakes us again, or nothing was ever promised here.
			return pg.Err(tx.QueryRow(ctx, `select exists (select from heads where org_id = $1)`, org.UUID).Scan(&out.Busy))
		}
		if err != nil {
			return pg.Err(err)
		}
		v := &reviewing{promising: promising{store: s, org: org, tx: tx, now: now}, moved: map[uuid.UUID]bool{}}
		if err := v.review(ctx); err != nil {
			return err
		}
		for _, a := range v.changed {
			out.Changed = append(out.Changed, *a)
		}
		return nil
	})
	return out, err
}

// reviewing is one transaction of Review.
type reviewing struct {
	promising
	moved map[uuid.UUID]bool // units that have lost a promise in this review, or have another one: what was found of their others before is found anew
}

func (v *reviewing) review(ctx context.Context) error {
	if err := v.end(ctx); err != nil {
		return err
	}
	var from, upto int64
	if err := v.tx.QueryRow(ctx, `select coalesce((select number from review_heads where org_id = $1), 0), coalesce((select number from watch_heads where org_id = $1), 0)`,
		v.org.UUID).Scan(&from, &upto); err != nil {
		return pg.Err(err)
	}
	rows, err := v.tx.Query(ctx, selectAllocation+toReview, v.org.UUID, from, upto, v.now)
	if err != nil {
		return pg.Err(err)
	}
	all, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*compliance.Allocation, error) {
		a, err := scanAllocation(row)
		return &a, err
	})
	if err != nil {
		return pg.Err(err)
	}
	found, _, err := v.conflicts(ctx, all)
	if err != nil {
		return err
	}
	for i, a := range all {
		why := found[i]
		if len(why) > 0 && v.moved[a.Unit] {
			again, _, err := v.conflicts(ctx, all[i:i+1])
			if err != nil {
				return err
			}
			why = again[0]
		}
		if err := v.settle(ctx, a, why); err != nil {
			return err
		}
	}
	if _, err := v.tx.Exec(ctx, `insert into review_heads (org_id, number) values ($1, $2) on conflict (org_id) do update set number = excluded.number`, v.org.UUID, upto); err != nil {
		return pg.Err(err)
	}
	if len(v.changed) == 0 {
		return nil // a look at an org in which nothing happens writes no change
	}
	if err := v.log(ctx); err != nil {
		return err
	}
	return v.write(ctx)
}

// end ends what has run out by now, so that what it kept from others is looked at as free.
func (v *reviewing) end(ctx context.Context) error {
	var units []uuid.UUID
	if err := v.tx.QueryRow(ctx, `select array(select unit_id from allocations where org_id = $1 and state = 1 and expires <= $2
		union select unit_id from allocations where org_id = $1 and state <= 2 and upper(during) <= $2)`, v.org.UUID, v.now).Scan(&units); err != nil || len(units) == 0 {
		return pg.Err(err)
	}
	if err := v.log(ctx); err != nil {
		return err
	}
	batch := &pgx.Batch{}
	batch.Queue(watchOn, v.org.UUID)
	batch.Queue(ended, v.org.UUID, v.now, units)
	return pg.Err(v.tx.SendBatch(ctx, batch).Close())
}

// log writes a line of compliance's own log.
func (v *reviewing) log(ctx context.Context) error {
	_, err := nextChange(ctx, v.tx, v.org, compliance.OwnChange{At: v.now, Kind: compliance.PromisesReviewed, Subject: v.org.Name() + "/allocations/-", Actor: reviewer})
	return err
}

// reviewer is who acts where nobody asked.
const reviewer = "service:compliance"

// settle finds another unit for an allocation in conflict, or notes the conflict, or that there is none any more.
func (v *reviewing) settle(ctx context.Context, a *compliance.Allocation, found []compliance.AllocationConflict) error {
	if len(found) > 0 && !a.Pinned && a.State <= compliance.Confirmed {
		choices, err := v.choose(ctx, wishOf(a, v.now), a.Unit)
		switch {
		case err == nil:
			u := choices[0].Unit
			v.moved[a.Unit], v.moved[u.ID] = true, true
			v.substitute(a, u, "", found[0].Says)
			// At once, so that those that come after it are settled by what is promised now.
			_, err := v.tx.Exec(ctx, `update allocations set unit_id = $3 where org_id = $1 and allocation_id = $2`, v.org.UUID, a.ID, u.ID)
			return pg.Err(err)
		case !errs.Is(err, "NOT_AVAILABLE"):
			return err
		}
	}
	if known := keepKnown(a.Conflicts, found); !slices.Equal(known, a.Conflicts) {
		a.Conflicts = known
		v.changed = append(v.changed, a)
	}
	return nil
}

// keepKnown returns what was found, with the words and the instant of when it became known.
func keepKnown(before, found []compliance.AllocationConflict) []compliance.AllocationConflict {
	out := slices.Clone(found)
	for i := range out {
		for _, b := range before {
			if c := &out[i]; b.Code == c.Code && b.Unit == c.Unit && b.Rule == c.Rule && b.Hold == c.Hold {
				c.Known = b.Known
				break
			}
		}
	}
	return out
}
