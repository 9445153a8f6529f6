package compliancepg

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/notice"
)

// Notify tells what has changed in an org up to an instant, in one transaction that looks at no more than limit rows whose next step
// is due, limit units that were derived again, and limit shops; more says that there is more. What it costs follows what changes, not
// the fleet. It holds the lock of the org's head, so that of any number of callers one tells and each change is told once; with wait
// unset it leaves an org that is locked to the other.
func (s *Store) Notify(ctx context.Context, org tenant.Org, now time.Time, limit int, wait bool) (told compliance.Told, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		n := &notifying{store: s, org: org, tx: tx, now: now, limit: limit}
		told = compliance.Told{}
		free, err := n.lock(ctx, wait)
		if err != nil || !free {
			told.Busy = !free
			return err
		}
		if n.seen.Registry < n.head.registry || n.seen.History < n.head.history {
			told.Behind = true
			return nil
		}
		if err := n.followShops(ctx); err != nil {
			return err
		}
		if err := n.load(ctx); err != nil {
			return err
		}
		if len(n.batch.Rows) == 0 && len(n.batch.News) == 0 && len(n.batch.Shops) == 0 && n.seen.Registry == n.head.registry && n.seen.History == n.head.history {
			return nil // a look at an org in which nothing happens writes nothing
		}
		r := notice.Tell(&n.batch)
		told.Notices, told.Digests, told.More = len(r.Changes), len(r.Digests), n.more
		return n.write(ctx, &r)
	})
	return told, err
}

// notifying is one transaction of Notify.
type notifying struct {
	store *Store
	org   tenant.Org
	tx    pgx.Tx
	now   time.Time
	limit int

	head  noticeHead
	seen  compliance.Position
	batch notice.Batch
	more  bool
	units map[uuid.UUID]noticeUnit
	rules ruleIndex
}

// noticeHead is how far an org is told.
type noticeHead struct {
	number            int64
	told              time.Time
	registry, history int64
}

// noticeUnit is what notices say of a unit.
type noticeUnit struct{ tag, kind string }

// lock locks the org's head, and reads where the projection stands.
func (n *notifying) lock(ctx context.Context, wait bool) (free bool, err error) {
	if _, err := n.tx.Exec(ctx, `insert into notice_heads (org_id, number, registry, history) values ($1, 0, 0, 0) on conflict do nothing`, n.org.UUID); err != nil {
		return false, pg.Err(err)
	}
	query := `select number, told, registry, history from notice_heads where org_id = $1 for update`
	if !wait {
		query += ` skip locked`
	}
	var told *time.Time
	err = n.tx.QueryRow(ctx, query, n.org.UUID).Scan(&n.head.number, &told, &n.head.registry, &n.head.history)
	if pg.NoRows(err) {
		return false, nil
	}
	if err != nil {
		return false, pg.Err(err)
	}
	n.head.told = instantOf(told)
	n.seen, err = position(ctx, n.tx, n.org)
	return true, err
}

// followShops begins the digests of shops that are new, and moves those of shops whose zone has changed. Shops come from the registry:
// if it has told nothing new, there is nothing to look for.
func (n *notifying) followShops(ctx context.Context) error {
	if n.seen.Registry == n.head.registry {
		return nil
	}
	rows, err := n.tx.Query(ctx, `select s.shop, s.time_zone, `+shopFields+` from p_shops as s left join notice_shops as n on n.org_id = $1 and n.shop = s.shop
		where s.org_id = $1 and (n.shop is null or n.zone <> s.time_zone)`, n.org.UUID)
	if err != nil {
		return pg.Err(err)
	}
	shops, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*notice.Shop, error) {
		var scan shopScan
		var id, name string
		if err := row.Scan(append([]any{&id, &name}, scan.targets()...)...); err != nil {
			return nil, err
		}
		s := scan.shop()
		if s == nil {
			s = newNoticeShop(id, zone(name), n.now, n.head.number)
		}
		s.Zone = zone(name)
		return s, nil
	})
	if err != nil || len(shops) == 0 {
		return pg.Err(err)
	}
	batch := &pgx.Batch{}
	for _, s := range shops {
		queueShop(batch, n.org, s)
	}
	return pg.Err(n.tx.SendBatch(ctx, batch).Close())
}
