package compliancepg

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance/notice"
)

// write stores what a batch came to.
func (n *notifying) write(ctx context.Context, r *notice.Result) error {
	batch := &pgx.Batch{}
	n.queueNotices(batch, r.Changes)
	n.queueStates(batch, n.batch.Rows, r.Rows)
	looked := make([]uuid.UUID, 0, len(n.batch.News))
	for id := range n.batch.News {
		looked = append(looked, id)
	}
	batch.Queue(`update notice_units set marked = null where org_id = $1 and unit_id = any ($2)`, n.org.UUID, looked)
	for _, s := range n.batch.Shops {
		queueShop(batch, n.org, s)
	}
	queueCounts(batch, n.org, r.Counts)
	for i := range r.Digests {
		d := &r.Digests[i]
		batch.Queue(`insert into digests (org_id, shop, day, due, after_number, upto_number, blocking, due_soon, made) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			n.org.UUID, d.Shop, dayOf(d.Day), d.At, d.After, d.Upto, d.Blocking, d.DueSoon, n.now)
	}
	batch.Queue(`update notice_heads set number = $2, told = $3, registry = $4, history = $5 where org_id = $1`,
		n.org.UUID, r.Number, n.batch.Until, n.seen.Registry, n.seen.History)
	return pg.Err(n.tx.SendBatch(ctx, batch).Close())
}

// queueNotices inserts notices.
func (n *notifying) queueNotices(batch *pgx.Batch, changes []notice.Change) {
	if len(changes) == 0 {
		return
	}
	k := len(changes)
	number, unit := make([]int64, k), make([]uuid.UUID, k)
	tag, kind, shop, pack, rule, title, sentence := make([]string, k), make([]string, k), make([]string, k), make([]string, k), make([]string, k), make([]string, k), make([]string, k)
	from, to, blocking := make([]int16, k), make([]int16, k), make([]bool, k)
	effective, on, due := make([]time.Time, k), make([]*time.Time, k), make([]*time.Time, k)
	for i := range changes {
		c := &changes[i]
		u := n.units[c.Unit]
		number[i], unit[i], tag[i], kind[i], shop[i], pack[i], rule[i] = c.Number, c.Unit, u.tag, u.kind, c.Shop, c.Pack, c.Rule
		title[i] = n.title(c)
		sentence[i] = c.Sentence(u.tag, title[i])
		from[i], to[i], blocking[i] = int16(c.From.State), int16(c.To.State), c.To.Blocking
		effective[i], on[i] = c.At, dayOf(c.On)
		due[i], _ = dateOf(c.To.DueOn)
	}
	batch.Queue(`insert into notices (org_id, number, unit_id, tag, kind, shop, pack, rule, title, sentence, from_state, to_state, blocking, effective, effective_on, due_on, noticed)
		select $1, n.*, $17 from unnest($2::bigint[], $3::uuid[], $4::text[], $5::text[], $6::text[], $7::text[], $8::text[], $9::text[], $10::text[], $11::smallint[],
			$12::smallint[], $13::boolean[], $14::timestamptz[], $15::date[], $16::date[]) as n`,
		n.org.UUID, number, unit, tag, kind, shop, pack, rule, title, sentence, from, to, blocking, effective, on, due, n.now)
}

// title returns the rule's line for people, as the revision that runs has it, or the one that ran last.
func (n *notifying) title(c *notice.Change) string {
	revision := c.To.Revision
	if !c.To.Runs() {
		revision = c.From.Revision
	}
	if r, ok := n.rules[ruleKey{c.Pack, revision, c.Rule}]; ok {
		return r.rule.Title
	}
	return c.Pack + "/" + c.Rule
}

// queueStates writes rows that have changed and deletes those in which nothing runs or will run.
func (n *notifying) queueStates(batch *pgx.Batch, before, after map[notice.Key]notice.Row) {
	var unit, goneUnit []uuid.UUID
	var pack, rule, gonePack, goneRule, shop, zoneName, plan []string
	var state []int16
	var blocking []bool
	var revision []int64
	var next []*time.Time
	for key, row := range after {
		was, had := before[key]
		if !row.Runs() && len(row.Plan) == 0 {
			if had {
				goneUnit, gonePack, goneRule = append(goneUnit, key.Unit), append(gonePack, key.Pack), append(goneRule, key.Rule)
			}
			continue
		}
		text := planText(row.Plan)
		if had && was.Place == row.Place && was.State == row.State && was.Blocking == row.Blocking && was.Revision == row.Revision && planText(was.Plan) == text {
			continue
		}
		unit, pack, rule = append(unit, key.Unit), append(pack, key.Pack), append(rule, key.Rule)
		shop, zoneName, plan = append(shop, row.Shop), append(zoneName, row.Zone.String()), append(plan, text)
		state, blocking, revision = append(state, int16(row.State)), append(blocking, row.Blocking), append(revision, row.Revision)
		next = append(next, instant(row.Next()))
	}
	if len(goneUnit) > 0 {
		batch.Queue(`delete from notice_states as s using unnest($2::uuid[], $3::text[], $4::text[]) as g (unit_id, pack, rule)
			where s.org_id = $1 and s.unit_id = g.unit_id and s.pack = g.pack and s.rule = g.rule`, n.org.UUID, goneUnit, gonePack, goneRule)
	}
	if len(unit) > 0 {
		batch.Queue(`insert into notice_states (org_id, unit_id, pack, rule, shop, zone, state, blocking, revision, plan, next_change)
			select $1, s.* from unnest($2::uuid[], $3::text[], $4::text[], $5::text[], $6::text[], $7::smallint[], $8::boolean[], $9::bigint[], $10::text[]::jsonb[], $11::timestamptz[]) as s
			on conflict (org_id, unit_id, pack, rule) do update set shop = excluded.shop, zone = excluded.zone, state = excluded.state, blocking = excluded.blocking,
				revision = excluded.revision, plan = excluded.plan, next_change = excluded.next_change`,
			n.org.UUID, unit, pack, rule, shop, zoneName, state, blocking, revision, plan, next)
	}
}
