package compliancepg

import (
	"context"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// Notices returns notices by number.
func (r *Reader) Notices(ctx context.Context, q compliance.NoticeQuery) ([]compliance.Notice, error) {
	where, args := `org_id = $1 and number > $2`, []any{r.org.UUID, q.After, q.Limit}
	if q.Upto > 0 {
		args = append(args, q.Upto)
		where += ` and number <= $` + strconv.Itoa(len(args))
	}
	if q.Shop != "" {
		args = append(args, q.Shop)
		where += ` and shop = $` + strconv.Itoa(len(args))
	}
	for _, f := range []struct {
		column string
		upto   time.Time
	}{{"effective", q.By}, {"noticed", q.Known}} {
		if !f.upto.IsZero() {
			args = append(args, f.upto)
			where += ` and ` + f.column + ` <= $` + strconv.Itoa(len(args))
		}
	}
	rows, err := r.tx.Query(ctx, `select number, unit_id, tag, kind, shop, pack, rule, title, from_state, to_state, blocking, effective, effective_on, noticed, due_on, sentence
		from notices where `+where+` order by number limit $3`, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (n compliance.Notice, err error) {
		var from, to int16
		var on time.Time
		var dueOn *time.Time
		err = row.Scan(&n.Number, &n.Unit, &n.Tag, &n.Kind, &n.Shop, &n.Pack, &n.Rule, &n.Title, &from, &to, &n.Blocking, &n.Effective, &on, &n.Noticed, &dueOn, &n.Sentence)
		n.From, n.To, n.EffectiveOn, n.DueOn = due.State(from), due.State(to), civil.In(on, time.UTC), markOf(dueOn, false)
		n.Effective, n.Noticed = n.Effective.UTC(), n.Noticed.UTC()
		return n, err
	})
	return out, pg.Err(err)
}

// Digests returns digests, the latest first, with how many notices of each sort they have.
func (r *Reader) Digests(ctx context.Context, q compliance.DigestQuery) ([]compliance.Digest, error) {
	where, args := `org_id = $1`, []any{r.org.UUID, q.Limit}
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	if q.Shop != "" {
		where += ` and shop = ` + arg(q.Shop)
	}
	if q.Day != nil {
		where += ` and day = ` + arg(dayOf(*q.Day))
	}
	if k := q.After; k != nil {
		at := arg(k.Due)
		where += ` and due <= ` + at + ` and (due < ` + at + ` or (shop, day) > (` + arg(k.Shop) + `, ` + arg(dayOf(k.Day)) + `))`
	}
	rows, err := r.tx.Query(ctx, `select d.shop, d.day, d.due, d.after_number, d.upto_number, d.blocking, d.due_soon, t.soon, t.due, t.overdue, t.none, t.fine, t.other
		from (select shop, day, due, after_number, upto_number, blocking, due_soon from digests where `+where+` order by due desc, shop, day limit $2) as d
		cross join lateral (select
			count(*) filter (where n.to_state = 1) as fine, count(*) filter (where n.to_state = 2) as soon, count(*) filter (where n.to_state = 3) as due,
			count(*) filter (where n.to_state = 4) as overdue, count(*) filter (where n.to_state = 5) as none, count(*) filter (where n.to_state = 0) as other
			from notices as n where n.org_id = $1 and n.shop = d.shop and n.number > d.after_number and n.number <= d.upto_number) as t
		order by d.due desc, d.shop, d.day`, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (d compliance.Digest, err error) {
		var day time.Time
		t := &d.Told
		err = row.Scan(&d.Shop, &day, &d.At, &d.After, &d.Upto, &d.Blocking, &d.DueSoon, &t.DueSoon, &t.Due, &t.Overdue, &t.NoAnchor, &t.Fine, &t.Other)
		d.Day, d.At = civil.In(day, time.UTC), d.At.UTC()
		return d, err
	})
	return out, pg.Err(err)
}
