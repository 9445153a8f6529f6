package historypg

import (
	"context"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
)

const columns = `sequence, entry_id, unit_id, shop, kind, occurred, recorded, corrects, order_id, recorder, body, digest`

// Find is history.Tx.Find in a transaction of its own.
func (s *Store) Find(ctx context.Context, org tenant.Org, ids, targets []uuid.UUID) (found history.Found, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		found, err = (&writer{org: org, tx: tx}).Find(ctx, ids, targets)
		return err
	})
	return found, err
}

// readHead returns the end of the ledger; the zero head if the org has none.
func readHead(ctx context.Context, tx pgx.Tx, org tenant.Org) (head history.Head, err error) {
	err = scanHead(tx.QueryRow(ctx, `select number, digest, recorded from heads where org_id = $1`, org.UUID), &head)
	if pg.NoRows(err) {
		return history.Head{}, nil
	}
	return head, pg.Err(err)
}

// Get returns an entry of a unit.
func (s *Store) Get(ctx context.Context, org tenant.Org, unit, id uuid.UUID) (row history.Row, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		err := scan(tx.QueryRow(ctx, `select `+columns+` from entries where org_id = $1 and entry_id = $2 and unit_id = $3`, org.UUID, id, unit), &row)
		if pg.NoRows(err) {
			return errs.Missing(resname.EntryName(org, unit, id))
		}
		return pg.Err(err)
	})
	return row, err
}

// firstRecorded finds the first sequence that was recorded at or after an instant, by bisection: recorded rises with sequence.
// The ledger has no gaps, so that every probe finds a row. The limit keeps each probe a look into the primary key; a plain join
// would be planned as one over the whole table.
const firstRecorded = `
with recursive search (low, high) as (
  select 1::bigint, (select number from heads where org_id = $1) + 1
  union all
  select case when e.recorded < $2 then e.sequence + 1 else s.low end,
         case when e.recorded < $2 then s.high else e.sequence end
  from search s
  cross join lateral (select sequence, recorded from entries where org_id = $1 and sequence = (s.low + s.high) / 2 limit 1) e
  where s.low < s.high
)
select low from search where low >= high`

func sequenceAt(ctx context.Context, tx pgx.Tx, org tenant.Org, t time.Time) (int64, error) {
	var n int64
	err := tx.QueryRow(ctx, firstRecorded, org.UUID, t).Scan(&n)
	if pg.NoRows(err) { // an empty ledger
		return 1, nil
	}
	return n, pg.Err(err)
}

// List returns rows by sequence.
func (s *Store) List(ctx context.Context, org tenant.Org, q history.Query, after int64, limit int) (out []history.Row, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		sql, args, err := listing(ctx, tx, org, q, after, limit)
		if err != nil {
			return err
		}
		out, err = collect(ctx, tx, sql, args)
		return err
	})
	return out, err
}

// listing makes the statement of a listing. Ranges of recorded become ranges of sequence.
func listing(ctx context.Context, tx pgx.Tx, org tenant.Org, q history.Query, after int64, limit int) (string, []any, error) {
	low := after + 1
	from := q.RecordedFrom
	// What occurred after an instant was recorded after it, but for the skew of clocks.
	if t := q.OccurredFrom; !t.IsZero() && q.Unit == uuid.Nil {
		if t = t.Add(-history.Skew); t.After(from) {
			from = t
		}
	}
	if !from.IsZero() {
		n, err := sequenceAt(ctx, tx, org, from)
		if err != nil {
			return "", nil, err
		}
		low = max(low, n)
	}
	w := &where{args: []any{org.UUID, low}}
	w.text.WriteString(`org_id = $1 and sequence >= $2`)
	if !q.RecordedBefore.IsZero() {
		n, err := sequenceAt(ctx, tx, org, q.RecordedBefore)
		if err != nil {
			return "", nil, err
		}
		w.and(`sequence < `, n)
	}
	if q.Unit != uuid.Nil {
		w.and(`unit_id = `, q.Unit)
	}
	if q.Shop != "" {
		w.and(`shop = `, q.Shop)
	}
	if q.Kind != 0 {
		w.and(`kind = `, int16(q.Kind))
	}
	if !q.OccurredFrom.IsZero() {
		w.and(`occurred >= `, q.OccurredFrom)
	}
	if !q.OccurredBefore.IsZero() {
		w.and(`occurred < `, q.OccurredBefore)
	}
	return `select ` + columns + ` from entries where ` + w.text.String() + ` order by sequence limit ` + strconv.Itoa(limit), w.args, nil
}

type where struct {
	text strings.Builder
	args []any
}

func (w *where) and(condition string, arg any) {
	w.args = append(w.args, arg)
	w.text.WriteString(` and ` + condition + `$` + strconv.Itoa(len(w.args)))
}

// collect runs a listing. It is planned for its arguments each time: which index is best depends on how wide the ranges are, and
// a partial index is used only for a kind that the planner knows.
func collect(ctx context.Context, tx pgx.Tx, sql string, args []any) (out []history.Row, err error) {
	return collected(tx.Query(ctx, sql, append([]any{pgx.QueryExecModeCacheDescribe}, args...)...))
}

// collected reads the rows of a query.
func collected(rows pgx.Rows, err error) (out []history.Row, _ error) {
	if err != nil {
		return nil, pg.Err(err)
	}
	defer rows.Close()
	for rows.Next() {
		out = append(out, history.Row{})
		if err := scan(rows, &out[len(out)-1]); err != nil {
			return nil, pg.Err(err)
		}
	}
	return out, pg.Err(rows.Err())
}

func scan(row pgx.Row, r *history.Row) error {
	var corrects, order *uuid.UUID
	var digest []byte
	if err := row.Scan(&r.Sequence, &r.ID, &r.Unit, &r.Shop, &r.Kind, &r.Occurred, &r.Recorded, &corrects, &order, &r.Recorder, &r.Body, &digest); err != nil {
		return err
	}
	if order != nil {
		r.Order = *order
	}
	finish(r, corrects, digest)
	return nil
}

// Walk reads the whole ledger, in memory that does not depend on its length.
func (s *Store) Walk(ctx context.Context, org tenant.Org, fn func(*history.Row) error) (head history.Head, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if head, err = readHead(ctx, tx, org); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, `select `+columns+` from entries where org_id = $1 order by sequence`, org.UUID)
		if err != nil {
			return pg.Err(err)
		}
		defer rows.Close()
		for rows.Next() {
			var r history.Row
			if err := scan(rows, &r); err != nil {
				return pg.Err(err)
			}
			if err := fn(&r); err != nil {
				return err
			}
		}
		return pg.Err(rows.Err())
	})
	return head, err
}

// After returns at most limit rows after a sequence, and the head's number, both as of one moment: a page of the feed.
func (s *Store) After(ctx context.Context, org tenant.Org, after int64, limit int) (out []history.Row, head int64, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		h, err := readHead(ctx, tx, org)
		if err != nil {
			return err
		}
		if head, out = h.Number, nil; head <= after {
			return nil
		}
		out, err = collect(ctx, tx, `select `+columns+` from entries where org_id = $1 and sequence > $2 order by sequence limit $3`, []any{org.UUID, after, limit})
		return err
	})
	return out, head, err
}

// OrgHead is where an org's ledger ends.
type OrgHead struct {
	Org    tenant.Org
	Number int64
}

// Heads returns where every org's ledger ends.
func (s *Store) Heads(ctx context.Context) (out []OrgHead, err error) {
	err = s.db.AcrossOrgs(ctx, func(ctx context.Context, tx pgx.Tx) error {
		out = nil
		rows, err := tx.Query(ctx, `select org, number from heads`)
		if err != nil {
			return pg.Err(err)
		}
		var id string
		var number int64
		_, err = pgx.ForEachRow(rows, []any{&id, &number}, func() error {
			org, ok := tenant.New(id)
			if !ok {
				return errs.New(errs.Internal, "INTERNAL", "an org id in heads is malformed")
			}
			out = append(out, OrgHead{org, number})
			return nil
		})
		return pg.Err(err)
	})
	return out, err
}
