package compliancepg

import (
	"context"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// Allocation returns an allocation as it stands at an instant.
func (r *Reader) Allocation(ctx context.Context, id uuid.UUID, now time.Time) (*compliance.Allocation, error) {
	rows, err := r.tx.Query(ctx, selectAllocation+`where a.org_id = $1 and a.allocation_id = $2`, r.org.UUID, id)
	if err != nil {
		return nil, pg.Err(err)
	}
	a, err := pgx.CollectExactlyOneRow(rows, scanAllocation)
	a.AsOf(now)
	return &a, one(err, resname.AllocationName(r.org, id))
}

// Allocations returns a page of allocations as they stand at an instant, and whether there is more.
func (r *Reader) Allocations(ctx context.Context, q compliance.AllocationQuery) (out []*compliance.Allocation, more bool, err error) {
	args := []any{r.org.UUID, q.Limit + 1, q.Now}
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	// What has ended without anybody's doing is written so later: until then it is told by its instants.
	const stateNow = `case when a.state = 1 and a.expires <= $3 or a.state <= 2 and upper(a.during) <= $3 then 6 else a.state end`
	where := `where a.org_id = $1`
	if len(q.States) == 0 {
		where += ` and a.state <= 3 and ` + stateNow + ` <= 3`
	} else {
		where += ` and ` + stateNow + ` = any (` + arg(q.States) + `::smallint[])`
	}
	if q.Shop != "" {
		where += ` and a.shop = ` + arg(q.Shop)
	}
	if q.Unit != uuid.Nil {
		where += ` and a.unit_id = ` + arg(q.Unit)
	}
	if q.Group != uuid.Nil {
		where += ` and a.group_id = ` + arg(q.Group)
	}
	if q.InConflict {
		where += ` and a.conflicts <> '[]'`
	}
	if !q.From.IsZero() {
		where += ` and upper(a.during) > ` + arg(q.From)
	}
	if !q.Before.IsZero() {
		where += ` and lower(a.during) < ` + arg(q.Before)
	}
	if k := q.After; k != nil {
		where += ` and (lower(a.during), a.allocation_id) > (` + arg(k.Start) + `, ` + arg(k.ID) + `)`
	}
	rows, err := r.tx.Query(ctx, selectAllocation+where+` order by lower(a.during), a.allocation_id limit $2`, args...)
	if err != nil {
		return nil, false, pg.Err(err)
	}
	if out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (*compliance.Allocation, error) {
		a, err := scanAllocation(row)
		a.AsOf(q.Now)
		return &a, err
	}); err != nil {
		return nil, false, pg.Err(err)
	}
	if len(out) > q.Limit {
		out, more = out[:q.Limit], true
	}
	return out, more, nil
}

// Affected returns the live allocations of units, or of what these are fitted to, that are in conflict, and those that had one of the units up to an instant or later and
// have another now, by start of the window.
func (s *Store) Affected(ctx context.Context, org tenant.Org, units []uuid.UUID, since, now time.Time) (out []*compliance.Allocation, err error) {
	err = s.Read(ctx, org, func(ctx context.Context, r *Reader) error {
		rows, err := r.tx.Query(ctx, `with recursive up (unit_id) as (
				select * from unnest($2::uuid[])
			union
				select u.host_id from up join p_units as u on u.org_id = $1 and u.unit_id = up.unit_id and u.host_id is not null
			) `+selectAllocation+`where a.org_id = $1 and a.state <= 3 and (
				a.conflicts <> '[]' and a.unit_id in (select unit_id from up)
				or a.substitutions <> '[]' and exists (select from jsonb_array_elements(a.substitutions) as s
					where (s->>'unit')::uuid in (select unit_id from up) and (s->>'at')::timestamptz >= $3))
			order by lower(a.during), a.allocation_id`, org.UUID, units, since)
		if err != nil {
			return pg.Err(err)
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (*compliance.Allocation, error) {
			a, err := scanAllocation(row)
			a.AsOf(now)
			return &a, err
		})
		return pg.Err(err)
	})
	return out, err
}

// RecalledUnits returns the units that have a hold of a recall.
func (s *Store) RecalledUnits(ctx context.Context, org tenant.Org, recall string) (out []uuid.UUID, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		out, err = held(ctx, tx, org, recall)
		return err
	})
	return out, err
}
