package compliancepg

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/notice"
)

// stepRow is a notice.Step as it is stored.
type stepRow struct {
	On       int    `json:"on"` // days since 1970-01-01
	State    int    `json:"state"`
	Blocking bool   `json:"blocking,omitempty"`
	Left     string `json:"left,omitempty"`
	Due      *int   `json:"due,omitempty"` // days since 1970-01-01
	Revision int64  `json:"revision,omitempty"`
}

// planText writes the steps to come of a row.
func planText(plan []notice.Step) string {
	rows := make([]stepRow, len(plan))
	for i, s := range plan {
		rows[i] = stepRow{On: int(s.On - epoch), State: int(s.State), Blocking: s.Blocking, Left: s.Left, Revision: s.Revision}
		if !s.DueOn.IsZero() {
			rows[i].Due = new(int(s.DueOn.First() - epoch))
		}
	}
	text, err := json.Marshal(rows)
	if err != nil {
		panic(err) // strings and numbers
	}
	return string(text)
}

func planOf(rows []stepRow) []notice.Step {
	plan := make([]notice.Step, len(rows))
	for i, r := range rows {
		plan[i] = notice.Step{On: epoch.AddDays(r.On), Standing: notice.Standing{State: due.State(r.State), Blocking: r.Blocking, Left: r.Left, Revision: r.Revision}}
		if r.Due != nil {
			plan[i].DueOn = civil.Day(epoch.AddDays(*r.Due))
		}
	}
	return plan
}

// load fills the batch: what is due by now, up to the limits, and what is needed to tell it. What takes effect before is told before:
// where a limit cuts something off, everything is told up to there only.
func (n *notifying) load(ctx context.Context) error {
	until := later(n.now, n.head.told) // where the clock was put back, nothing is told of before
	cut := func(last time.Time) {
		n.more = true
		if last.Before(until) {
			until = last
		}
	}
	n.batch = notice.Batch{Told: n.head.told, Number: n.head.number, News: map[uuid.UUID]notice.News{}, Seen: map[uuid.UUID]time.Time{}, Shops: map[string]*notice.Shop{}}
	marked, err := n.marks(ctx, until)
	if err != nil {
		return err
	}
	if len(marked) > n.limit {
		marked = marked[:n.limit]
		cut(marked[n.limit-1].at)
	}
	next, err := n.rows(ctx, `next_change <= $2 order by next_change, unit_id, pack, rule limit $3`, until, n.limit+1)
	if err != nil {
		return err
	}
	if len(next) > n.limit {
		next = next[:n.limit]
		cut(next[n.limit-1].row.Next())
	}
	shops, err := n.dueShops(ctx, until)
	if err != nil {
		return err
	}
	var tied time.Time // an instant at which more shops have something to do than this transaction looks at
	if len(shops) > n.limit {
		if last := shops[n.limit-1].Next(); shops[n.limit].Next().Equal(last) {
			tied = last
		}
		shops = shops[:n.limit]
		cut(shops[n.limit-1].Next())
	}
	if !tied.IsZero() && !until.Before(tied) {
		// A shop's day ends before anything of the next begins, so what else takes effect then waits until every shop has had its turn.
		before := func(at time.Time) bool { return at.Before(tied) }
		if before(shops[0].Next()) || len(next) > 0 && before(next[0].row.Next()) || len(marked) > 0 && before(later(marked[0].at, n.head.told)) {
			until = tied.Add(-time.Microsecond)
		} else {
			next, marked = nil, nil
		}
	}
	until = later(until, n.head.told) // a mark of before that came in late counts from then on
	n.batch.Until = until
	for _, s := range shops {
		if !s.Next().After(until) {
			n.batch.Shops[s.ID] = s
		}
	}
	n.batch.Rows = make(map[notice.Key]notice.Row, len(next))
	units := map[uuid.UUID]struct{}{}
	for _, r := range next {
		if !r.row.Next().After(until) {
			n.batch.Rows[r.key] = r.row
			units[r.key.Unit] = struct{}{}
		}
	}
	var news []uuid.UUID
	for _, m := range marked {
		if !m.at.After(until) {
			news = append(news, m.unit)
			n.batch.News[m.unit] = notice.News{At: m.at}
			units[m.unit] = struct{}{}
		}
	}
	if err := n.loadNews(ctx, news); err != nil {
		return err
	}
	return n.loadUnits(ctx, slices.Collect(maps.Keys(units)))
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

type mark struct {
	unit uuid.UUID
	at   time.Time
}

// marks locks units that were derived again by an instant, and one more than the limit. One that an applier has locked is left: it will
// be marked anew. So nobody waits for an applier, and an applier that waits for us marks after we have cleared.
func (n *notifying) marks(ctx context.Context, until time.Time) ([]mark, error) {
	rows, err := n.tx.Query(ctx, `select unit_id, marked from notice_units where org_id = $1 and marked <= $2 order by marked, unit_id limit $3 for update skip locked`,
		n.org.UUID, until, n.limit+1)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (m mark, err error) {
		err = row.Scan(&m.unit, &m.at)
		m.at = m.at.UTC()
		return m, err
	})
	return out, pg.Err(err)
}

type keyedRow struct {
	key notice.Key
	row notice.Row
}

// rows reads rows of notice_states.
func (n *notifying) rows(ctx context.Context, where string, args ...any) ([]keyedRow, error) {
	rows, err := n.tx.Query(ctx, `select unit_id, pack, rule, shop, zone, state, blocking, revision, plan from notice_states where org_id = $1 and `+where, append([]any{n.org.UUID}, args...)...)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (k keyedRow, err error) {
		var zoneName string
		var state int16
		var plan []stepRow
		err = row.Scan(&k.key.Unit, &k.key.Pack, &k.key.Rule, &k.row.Shop, &zoneName, &state, &k.row.Blocking, &k.row.Revision, &plan)
		k.row.Zone, k.row.State, k.row.Plan = zone(zoneName), due.State(state), planOf(plan)
		return k, err
	})
	return out, pg.Err(err)
}

// dueShops reads the shops for which something is to be done by an instant, and one more than the limit.
func (n *notifying) dueShops(ctx context.Context, until time.Time) ([]*notice.Shop, error) {
	rows, err := n.tx.Query(ctx, `select `+shopFields+` from notice_shops as n where n.org_id = $1 and n.next_change <= $2 order by n.next_change, n.shop limit $3`, n.org.UUID, until, n.limit+1)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*notice.Shop, error) {
		var scan shopScan
		err := row.Scan(scan.targets()...)
		return scan.shop(), err
	})
	return out, pg.Err(err)
}

// loadNews reads what is known of units that were derived again, and all their rows.
func (n *notifying) loadNews(ctx context.Context, ids []uuid.UUID) error {
	packs, err := n.store.readPacks(ctx, n.tx, n.org)
	if err != nil {
		return err
	}
	n.rules = indexRules(packs)
	if len(ids) == 0 {
		return nil
	}
	told, err := n.rows(ctx, `unit_id = any ($2)`, ids)
	if err != nil {
		return err
	}
	for _, r := range told {
		n.batch.Rows[r.key] = r.row
	}
	clocks, err := readClocks(ctx, n.tx, n.org, n.rules, ids)
	if err != nil {
		return err
	}
	rows, err := n.tx.Query(ctx, `select u.unit_id, u.shop, s.time_zone, u.commissioned_on, u.commissioned_month,
			u.retired is not null or exists (select from unit_holds as h where h.org_id = $1 and h.unit_id = u.unit_id and h.cause = `+condemned+`)
		from p_units as u join p_shops as s on s.org_id = $1 and s.shop = u.shop where u.org_id = $1 and u.unit_id = any ($2)`, n.org.UUID, ids)
	if err != nil {
		return pg.Err(err)
	}
	known := map[uuid.UUID]notice.News{}
	var id uuid.UUID
	var shop, zoneName string
	var since *time.Time
	var month, over bool
	_, err = pgx.ForEachRow(rows, []any{&id, &shop, &zoneName, &since, &month, &over}, func() error {
		k := n.batch.News[id]
		k.Place, k.Commissioned = notice.Place{Shop: shop, Zone: zone(zoneName)}, markOf(since, month)
		if !over {
			k.Rules = rulesOf(clocks[id])
		}
		known[id] = k
		return nil
	})
	n.batch.News = known
	return pg.Err(err)
}

// rulesOf puts the clocks of a unit together by rule.
func rulesOf(clocks []due.Clock) (out []notice.Rule) {
	at := map[[2]string]int{}
	for _, c := range clocks {
		k := [2]string{c.Pack.ID, c.Rule.ID}
		i, ok := at[k]
		if !ok {
			i = len(out)
			at[k] = i
			out = append(out, notice.Rule{Pack: k[0], Rule: k[1]})
		}
		out[i].Clocks = append(out[i].Clocks, c)
	}
	return out
}

// loadUnits reads how units are called and when they were first seen.
func (n *notifying) loadUnits(ctx context.Context, ids []uuid.UUID) error {
	n.units = make(map[uuid.UUID]noticeUnit, len(ids))
	if len(ids) == 0 {
		return nil
	}
	rows, err := n.tx.Query(ctx, `select n.unit_id, n.seen, coalesce(u.tag, ''), coalesce(u.kind, '')
		from notice_units as n left join p_units as u on u.org_id = $1 and u.unit_id = n.unit_id where n.org_id = $1 and n.unit_id = any ($2)`, n.org.UUID, ids)
	if err != nil {
		return pg.Err(err)
	}
	var id uuid.UUID
	var seen time.Time
	var u noticeUnit
	_, err = pgx.ForEachRow(rows, []any{&id, &seen, &u.tag, &u.kind}, func() error {
		n.units[id], n.batch.Seen[id] = u, seen.UTC()
		return nil
	})
	return pg.Err(err)
}
