package compliancepg

import (
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance/notice"
)

const shopFields = `n.shop, n.zone, n.day, n.closed, n.closed_blocking, n.closed_due_soon, n.upto, n.blocking, n.due_soon`

// shopScan is the target of a row of shopFields, all of which are null where there is none.
type shopScan struct {
	id, zone                                               *string
	day                                                    *time.Time
	closed                                                 *bool
	closedBlocking, closedDueSoon, upto, blocking, dueSoon *int64
}

func (s *shopScan) targets() []any {
	return []any{&s.id, &s.zone, &s.day, &s.closed, &s.closedBlocking, &s.closedDueSoon, &s.upto, &s.blocking, &s.dueSoon}
}

// shop returns the shop of the row; nil if there is none.
func (s *shopScan) shop() *notice.Shop {
	if s.id == nil {
		return nil
	}
	return &notice.Shop{
		ID: *s.id, Zone: zone(*s.zone), Day: civil.In(*s.day, time.UTC), Closed: *s.closed, Upto: *s.upto,
		AtClose:  notice.Counts{Blocking: *s.closedBlocking, DueSoon: *s.closedDueSoon},
		Standing: notice.Counts{Blocking: *s.blocking, DueSoon: *s.dueSoon},
	}
}

// newNoticeShop returns a shop whose first digest is of the day on which it is first seen.
func newNoticeShop(id string, z *time.Location, now time.Time, number int64) *notice.Shop {
	return &notice.Shop{ID: id, Zone: z, Day: civil.In(now, z), Upto: number}
}

// queueShop writes how far a shop's digests are. Its counts are written by queueCounts.
func queueShop(batch *pgx.Batch, org tenant.Org, s *notice.Shop) {
	batch.Queue(`insert into notice_shops (org_id, shop, zone, day, closed, closed_blocking, closed_due_soon, upto, blocking, due_soon, next_change)
		values ($1, $2, $3, $4, $5, $6, $7, $8, 0, 0, $9)
		on conflict (org_id, shop) do update set zone = excluded.zone, day = excluded.day, closed = excluded.closed, closed_blocking = excluded.closed_blocking,
			closed_due_soon = excluded.closed_due_soon, upto = excluded.upto, next_change = excluded.next_change`,
		org.UUID, s.ID, s.Zone.String(), dayOf(s.Day), s.Closed, s.AtClose.Blocking, s.AtClose.DueSoon, s.Upto, s.Next())
}

// queueCounts adds to the counts of shops.
func queueCounts(batch *pgx.Batch, org tenant.Org, counts map[string]notice.Counts) {
	for shop, c := range counts {
		if c != (notice.Counts{}) {
			batch.Queue(`update notice_shops set blocking = blocking + $3, due_soon = due_soon + $4 where org_id = $1 and shop = $2`, org.UUID, shop, c.Blocking, c.DueSoon)
		}
	}
}
