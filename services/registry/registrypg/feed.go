package registrypg

import (
	"context"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/feed"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
)

// Feed is the log of changes as the feed's source.
type Feed struct{ db *pg.DB }

var _ feed.Source = Feed{}

// NewFeed returns the feed of a database.
func NewFeed(db *pg.DB) Feed { return Feed{db} }

// Heads implements feed.Source.
func (f Feed) Heads(ctx context.Context) ([]feed.Head, error) {
	const query = `select org, number from heads order by org`
	var out []feed.Head
	err := f.db.AcrossOrgs(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, query)
		if err != nil {
			return pg.Err(err)
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (h feed.Head, err error) {
			var id string
			if err := row.Scan(&id, &h.Number); err != nil {
				return h, err
			}
			org, ok := tenant.New(id)
			if !ok {
				return h, errs.New(errs.Internal, "INTERNAL", "heads has a malformed org id")
			}
			h.Org = org
			return h, nil
		})
		return pg.Err(err)
	})
	return out, err
}

// Read implements feed.Source.
func (f Feed) Read(ctx context.Context, org tenant.Org, after int64, limit int) (changes []*feedpb.Change, head int64, err error) {
	const heads = `select coalesce((select number from heads where org_id = $1), 0)`
	const page = `select body from changes where org_id = $1 and number > $2 order by number limit $3`
	err = f.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		batch := &pgx.Batch{}
		batch.Queue(heads, org.UUID)
		batch.Queue(page, org.UUID, after, limit)
		res := tx.SendBatch(ctx, batch)
		defer func() { _ = res.Close() }() // what failed has been said by then
		if err := res.QueryRow().Scan(&head); err != nil {
			return pg.Err(err)
		}
		rows, err := res.Query()
		if err != nil {
			return pg.Err(err)
		}
		changes, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (*feedpb.Change, error) {
			var body []byte
			if err := row.Scan(&body); err != nil {
				return nil, err
			}
			c := &feedpb.Change{}
			return c, proto.Unmarshal(body, c)
		})
		return pg.Err(err)
	})
	return changes, head, err
}
