package compliancepg

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/promise"
)

// Paper makes the paper list of a shop from what is stored. Errors: NOT_FOUND.
func (r *Reader) Paper(ctx context.Context, shop string, now time.Time) (*compliance.PaperList, error) {
	shops, err := readShops(ctx, r.tx, r.org, []string{shop}, time.Time{})
	if err != nil {
		return nil, err
	}
	s, ok := shops[shop]
	if !ok {
		return nil, errs.Missing(resname.ShopName(r.org, shop))
	}
	l := &compliance.PaperList{Shop: s, Zone: zone(s.Zone), Printed: now}
	if l.Position, err = r.Position(ctx); err != nil {
		return nil, err
	}
	if l.Complete, err = r.complete(ctx); err != nil {
		return nil, err
	}
	if l.Complete.After(now) { // another clock
		l.Complete = now
	}
	rows, err := r.tx.Query(ctx, `select unit_id from p_ready where org_id = $1 and shop = $2 and host_id is null and (retired is null or retired > $3)`, r.org.UUID, shop, now)
	if err != nil {
		return nil, pg.Err(err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return nil, pg.Err(err)
	}
	t := &promising{store: r.store, org: r.org, tx: r.tx, now: now}
	claims, err := t.claims(ctx, ids)
	if err != nil {
		return nil, err
	}
	to, err := r.promisedTo(ctx, claims)
	if err != nil {
		return nil, err
	}
	sets, err := r.Sets(ctx, ids, now)
	if err != nil {
		return nil, err
	}
	gone, err := t.away(ctx, sets)
	if err != nil {
		return nil, err
	}
	for _, set := range sets {
		l.Add(set, claims[set.Unit], len(gone[set.Unit]) > 0, func(c promise.Claim) string { return to[c.Allocation] })
	}
	l.Sort()
	return l, nil
}

// promisedTo returns whom allocations are for: their reference, or their group.
func (r *Reader) promisedTo(ctx context.Context, claims map[uuid.UUID][]promise.Claim) (map[uuid.UUID]string, error) {
	var ids []uuid.UUID
	for _, all := range claims {
		for _, c := range all {
			ids = append(ids, c.Allocation)
		}
	}
	rows, err := r.tx.Query(ctx, `select allocation_id, coalesce(nullif(reference, ''), group_id::text) from allocations where org_id = $1 and allocation_id = any ($2)`, r.org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := map[uuid.UUID]string{}
	var id uuid.UUID
	var to string
	_, err = pgx.ForEachRow(rows, []any{&id, &to}, func() error {
		out[id] = to
		return nil
	})
	return out, pg.Err(err)
}
