package compliancepg

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

const selectTransfer = `select t.from_shop, t.to_shop, t.seconds from transfer_times as t `

func scanTransfer(row pgx.CollectableRow) (t compliance.TransferTime, err error) {
	var seconds int64
	err = row.Scan(&t.From, &t.To, &seconds)
	t.Takes = time.Duration(seconds) * time.Second
	return t, err
}

// SetTransferTime stores how long the way from a shop to another takes. Both shops must be in the projection. It joins the transaction in ctx.
func (s *Store) SetTransferTime(ctx context.Context, org tenant.Org, t compliance.TransferTime, change compliance.OwnChange) (p compliance.Position, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		shops, err := readShops(ctx, tx, org, []string{t.From, t.To}, time.Time{})
		if err != nil {
			return err
		}
		for _, id := range []string{t.From, t.To} {
			if _, ok := shops[id]; !ok {
				return errs.Missing(resname.ShopName(org, id))
			}
		}
		if _, err := nextChange(ctx, tx, org, change); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `insert into transfer_times (org_id, from_shop, to_shop, seconds) values ($1, $2, $3, $4)
			on conflict (org_id, from_shop, to_shop) do update set seconds = excluded.seconds`, org.UUID, t.From, t.To, int64(t.Takes/time.Second)); err != nil {
			return pg.Err(err)
		}
		p, err = position(ctx, tx, org)
		return err
	})
	return p, err
}

// TransferTimes returns a page of transfer times by shop, and whether there is more.
func (r *Reader) TransferTimes(ctx context.Context, after compliance.TransferKey, limit int) (out []compliance.TransferTime, more bool, err error) {
	rows, err := r.tx.Query(ctx, selectTransfer+`where t.org_id = $1 and (t.from_shop, t.to_shop) > ($2, $3) order by t.from_shop, t.to_shop limit $4`,
		r.org.UUID, after.From, after.To, limit+1)
	if err != nil {
		return nil, false, pg.Err(err)
	}
	if out, err = pgx.CollectRows(rows, scanTransfer); err != nil {
		return nil, false, pg.Err(err)
	}
	if len(out) > limit {
		out, more = out[:limit], true
	}
	return out, more, nil
}

// TransfersTo returns how long it takes to a shop from the others, by shop; to any shop for none, by both.
func (r *Reader) TransfersTo(ctx context.Context, shop string) (map[compliance.TransferKey]time.Duration, error) {
	rows, err := r.tx.Query(ctx, selectTransfer+`where t.org_id = $1 and ($2 = '' or t.to_shop = $2)`, r.org.UUID, shop)
	if err != nil {
		return nil, pg.Err(err)
	}
	all, err := pgx.CollectRows(rows, scanTransfer)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := make(map[compliance.TransferKey]time.Duration, len(all))
	for _, t := range all {
		out[compliance.TransferKey{From: t.From, To: t.To}] = t.Takes
	}
	return out, nil
}
