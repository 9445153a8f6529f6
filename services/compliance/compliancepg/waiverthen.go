package compliancepg

import (
	"context"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// waiversThen returns a page of the waivers there were at an instant, as known at another, and whether there is more. A revocation that
// came later does not show. Whether one had ended goes by the day where its unit was then; those that had are passed over page by page.
func (r *Reader) waiversThen(ctx context.Context, q compliance.WaiverQuery) (out []due.Waiver, more bool, err error) {
	for {
		page, err := r.granted(ctx, q)
		if err != nil {
			return nil, false, err
		}
		f := facts{known: q.Known}
		if !q.Ended {
			units := make([]uuid.UUID, len(page))
			for i := range page {
				units[i] = page[i].Unit
			}
			if err := f.loadUnits(ctx, r.tx, r.org, units); err != nil {
				return nil, false, err
			}
		}
		for _, w := range page {
			if w.Revoked.After(q.At) || !q.Known.IsZero() && w.Revoked.After(q.Known) {
				w.Revoked, w.Revoker, w.RevokeReason = time.Time{}, "", ""
			}
			if q.Ended || w.Revoked.IsZero() && w.To >= due.DateAt(f.units[w.Unit].Stays, q.At) {
				out = append(out, w)
			}
		}
		if len(out) > q.Limit {
			return out[:q.Limit], true, nil
		}
		if len(page) <= q.Limit {
			return out, false, nil
		}
		last := page[len(page)-1]
		q.After = &compliance.WaiverKey{Granted: last.Granted, ID: uuid.MustParse(last.ID)}
	}
}

// granted reads the waivers that were granted by an instant and known at another, after the query's key: a page and one more.
func (r *Reader) granted(ctx context.Context, q compliance.WaiverQuery) ([]due.Waiver, error) {
	by := q.At
	if !q.Known.IsZero() && q.Known.Before(by) {
		by = q.Known
	}
	args := []any{r.org.UUID, q.Limit + 1, by}
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	where := "where w.org_id = $1 and w.granted <= $3"
	if q.Unit != uuid.Nil {
		where += " and w.unit_id = " + arg(q.Unit)
	}
	if k := q.After; k != nil {
		where += " and (w.granted, w.waiver_id) < (" + arg(k.Granted) + ", " + arg(k.ID) + ")"
	}
	rows, err := r.tx.Query(ctx, selectWaiver+where+` order by w.granted desc, w.waiver_id desc limit $2`, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, scanWaiver)
	return slices.Clip(out), pg.Err(err)
}
