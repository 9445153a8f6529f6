package compliancepg

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// renamed returns the units of which changes that are about to be applied tell another tag. Allocations are told with the tag of their unit, by which
// people find it: whoever keeps a copy of them must be told of them again.
func renamed(ctx context.Context, tx pgx.Tx, org tenant.Org, changes []compliance.Change) ([]uuid.UUID, error) {
	last := map[uuid.UUID]string{}
	for i := range changes {
		if u := changes[i].Unit; u != nil {
			last[u.ID] = u.Tag
		}
	}
	return otherTags(ctx, tx, org, last)
}

// otherTags returns those of some units that have another tag than is given.
func otherTags(ctx context.Context, tx pgx.Tx, org tenant.Org, given map[uuid.UUID]string) ([]uuid.UUID, error) {
	if len(given) == 0 {
		return nil, nil
	}
	ids, tags := make([]uuid.UUID, 0, len(given)), make([]string, 0, len(given))
	for id, tag := range given {
		ids, tags = append(ids, id), append(tags, tag)
	}
	rows, err := tx.Query(ctx, `select u.unit_id from unnest($2::uuid[], $3::text[]) as k (unit_id, tag) join p_units as u on u.org_id = $1 and u.unit_id = k.unit_id
		where u.tag <> k.tag`, org.UUID, ids, tags)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return out, pg.Err(err)
}

// promisedTags returns the tags of the units that are promised.
func promisedTags(ctx context.Context, tx pgx.Tx, org tenant.Org) (map[uuid.UUID]string, error) {
	rows, err := tx.Query(ctx, `select distinct u.unit_id, u.tag from allocations as a join p_units as u on u.org_id = $1 and u.unit_id = a.unit_id where a.org_id = $1 and a.state <= 3`, org.UUID)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := map[uuid.UUID]string{}
	var id uuid.UUID
	var tag string
	_, err = pgx.ForEachRow(rows, []any{&id, &tag}, func() error {
		out[id] = tag
		return nil
	})
	return out, pg.Err(err)
}

// lockHead takes the lock of the org's head, under which alone allocations change.
func lockHead(ctx context.Context, tx pgx.Tx, org tenant.Org) error {
	_, err := tx.Exec(ctx, `select number from heads where org_id = $1 for update`, org.UUID)
	return pg.Err(err)
}

// markPromises gives the live allocations of units the number of the transaction's change, which units were marked with before. The lock of the head must be held.
func markPromises(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID) error {
	_, err := tx.Exec(ctx, `update allocations set number = `+thisChange+` where org_id = $1 and unit_id = any ($2) and state <= 3`, org.UUID, units)
	return pg.Err(err)
}
