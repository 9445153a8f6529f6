package compliancepg

import (
	"context"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/chainview"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// Chain returns the units that stand alone with what their days depend on, and what is promised. The zones are those of the org's shops.
func (r *Reader) Chain(ctx context.Context, q compliance.ChainQuery, zones map[string]*time.Location) ([]*chainview.Unit, []chainview.Promise, error) {
	query := compliance.PromiseQuery{At: q.At, Now: q.Now}
	if q.Kind != "" {
		query.Kinds = []string{q.Kind}
	}
	found, err := r.PromiseUnits(ctx, query)
	if err != nil {
		return nil, nil, err
	}
	c := chainUnits{r: r, q: q, of: make(map[uuid.UUID]*chainview.Unit, 2*len(found))}
	kept := make([]chainview.Unit, 0, len(found)) // in one piece: there may be many
	for _, u := range found {
		if u.Host != uuid.Nil {
			continue
		}
		kept = append(kept, chainview.Unit{Unit: u})
		unit := &kept[len(kept)-1]
		c.units = append(c.units, unit)
		c.of[u.ID] = unit
		for _, part := range u.Members {
			c.of[part] = unit
		}
	}
	for _, step := range []func(context.Context) error{c.commissioned, c.holds, c.clocks, func(ctx context.Context) error { return c.uncertain(ctx, zones) }} {
		if err := step(ctx); err != nil {
			return nil, nil, err
		}
	}
	promises, err := r.promises(ctx, q)
	return c.units, promises, err
}

// chainUnits are units whose days are being read.
type chainUnits struct {
	r     *Reader
	q     compliance.ChainQuery
	units []*chainview.Unit
	of    map[uuid.UUID]*chainview.Unit // by what it is, and by what is fitted to it
}

// first and last bound the dates of the view, wherever its shops are.
func (c *chainUnits) first() civil.Date { return civil.In(c.q.At, time.UTC).AddDays(-1) }
func (c *chainUnits) last() civil.Date  { return civil.In(c.q.At, time.UTC).AddDays(c.q.Days + 1) }

// commissioned reads which units are yet to come.
func (c *chainUnits) commissioned(ctx context.Context) error {
	rows, err := c.r.tx.Query(ctx, `select unit_id, commissioned_on, commissioned_month from p_units where org_id = $1 and commissioned_on > $2`, c.r.org.UUID, dayOf(c.first()))
	if err != nil {
		return pg.Err(err)
	}
	var id uuid.UUID
	var on time.Time
	var month bool
	_, err = pgx.ForEachRow(rows, []any{&id, &on, &month}, func() error {
		if u := c.of[id]; u != nil && u.ID == id { // a part's day is not its host's
			u.Commissioned = markOf(&on, month)
		}
		return nil
	})
	return pg.Err(err)
}

// holds reads what holds units, beside what people placed. What is held for missing history of a rule is told by its clock.
func (c *chainUnits) holds(ctx context.Context) error {
	rows, err := c.r.tx.Query(ctx, `select unit_id, opened, lifted from unit_holds
		where org_id = $1 and blocks & 1 = 1 and (lifted is null or lifted > $2) and not (cause = $3 and rule <> '')`, c.r.org.UUID, c.q.At, int16(due.CauseMissingHistory))
	if err != nil {
		return pg.Err(err)
	}
	var id uuid.UUID
	var opened time.Time
	var lifted *time.Time
	_, err = pgx.ForEachRow(rows, []any{&id, &opened, &lifted}, func() error {
		if u := c.of[id]; u != nil {
			u.Holds = append(u.Holds, chainview.Open{From: opened, Until: instantOf(lifted)})
		}
		return nil
	})
	return pg.Err(err)
}

// chainClocks reads the clocks that may block hand-out within the days, or are near to it. Dates are read as days since 1970-01-01, and what excuses a unit
// as pairs of them.
const chainClocks = `select c.unit_id, c.pack, c.revision, c.rule, c.in_force_from - date '1970-01-01', c.in_force_until - date '1970-01-01', c.anchored,
		c.due_on - date '1970-01-01', c.date_blocks & 1 = 1, c.usage_blocks & 1 = 1, c.spent, c.usage_soon,
		case when isempty(c.excused) then null else array(
			select unnest(array[case when lower_inf(e) then $5 else lower(e) - date '1970-01-01' end, case when upper_inf(e) then $6 else upper(e) - date '1970-01-01' - 1 end])
			from unnest(c.excused) as e) end
	from clocks as c
	where c.org_id = $1 and c.in_force_from <= $3 and (c.in_force_until is null or c.in_force_until > $2) and (c.date_blocks | c.usage_blocks) & 1 = 1
		and (not c.anchored or c.spent or c.usage_soon or c.due_on <= $3 + $4::integer)`

func (c *chainUnits) clocks(ctx context.Context) error {
	packs, err := c.r.Packs(ctx)
	if err != nil {
		return err
	}
	rules := indexRules(packs)
	lead := 0
	for _, ref := range rules {
		lead = max(lead, ref.rule.DateLead())
	}
	rows, err := c.r.tx.Query(ctx, chainClocks, c.r.org.UUID, dayOf(c.first()), dayOf(c.last()), lead, math.MinInt32, math.MaxInt32)
	if err != nil {
		return pg.Err(err)
	}
	var id uuid.UUID
	var key ruleKey
	var from int32
	var until, due *int32
	var anchored, dateBlocks, usageBlocks, spent, soon bool
	var excused []int32
	_, err = pgx.ForEachRow(rows, []any{&id, &key.pack, &key.revision, &key.rule, &from, &until, &anchored, &due, &dateBlocks, &usageBlocks, &spent, &soon, &excused}, func() error {
		u, ref := c.of[id], rules[key]
		if u == nil || ref.rule == nil {
			return nil
		}
		k := chainview.Clock{
			From: civil.Date(from), To: math.MaxInt32, Missing: !anchored, Lead: ref.rule.DateLead(), DateBlocks: dateBlocks, UsageBlocks: usageBlocks, Spent: spent, UsageSoon: soon,
		}
		if until != nil {
			k.To = civil.Date(*until) - 1
		}
		if due != nil {
			k.DueOn = civil.Day(civil.Date(*due))
		}
		for i := 0; i+1 < len(excused); i += 2 {
			k.Excused = append(k.Excused, chainview.Span{First: civil.Date(excused[i]), Last: civil.Date(excused[i+1])})
		}
		u.Clocks = append(u.Clocks, k)
		return nil
	})
	return pg.Err(err)
}

// uncertain works out the days on which units are ready whose stretch does not tell all of them.
func (c *chainUnits) uncertain(ctx context.Context, zones map[string]*time.Location) error {
	var units []*chainview.Unit
	var ids []uuid.UUID
	for _, u := range c.units {
		if !compliance.Certain(u.Unit, c.q.At) && zones[u.Shop] != nil {
			units, ids = append(units, u), append(ids, u.ID)
		}
	}
	sets, err := c.r.Sets(ctx, ids, c.q.At)
	if err != nil {
		return err
	}
	calendars := map[string]*chainview.Calendar{}
	for i, u := range units {
		cal := calendars[u.Shop]
		if cal == nil {
			cal = chainview.CalendarOf(c.q.At, c.q.Days, zones[u.Shop])
			calendars[u.Shop] = cal
		}
		days := compliance.ReadyDays(sets[i], cal)
		u.ReadyOn = &days
	}
	return nil
}

// promises reads what is promised and has not lapsed.
func (r *Reader) promises(ctx context.Context, q compliance.ChainQuery) ([]chainview.Promise, error) {
	rows, err := r.tx.Query(ctx, `select a.allocation_id, a.unit_id, a.shop, a.kind, a.size, lower(a.during), upper(a.during), a.dives, a.hours, a.fills, a.state, a.pinned, a.conflicts <> '[]'
		from allocations as a where a.org_id = $1 and a.state <= 3 and ($2 = '' or a.kind = $2) and (a.state <> 1 or a.expires > $3) and (a.state = 3 or upper(a.during) > $3)`,
		r.org.UUID, q.Kind, q.Now)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (p chainview.Promise, err error) {
		var hours int64
		var state compliance.AllocationState
		err = row.Scan(&p.ID, &p.Unit, &p.Shop, &p.Kind, &p.Size, &p.Start, &p.End, &p.Expected.Dives, &hours, &p.Expected.Fills, &state, &p.Pinned, &p.Conflict)
		p.Window = promise.Window{Start: p.Start.UTC(), End: p.End.UTC()}
		p.Expected.Hours, p.Out = time.Duration(hours), state == compliance.Out
		return p, err
	})
	if err != nil {
		return nil, pg.Err(err)
	}
	slices.SortFunc(out, func(a, b chainview.Promise) int {
		if c := a.Start.Compare(b.Start); c != 0 {
			return c
		}
		return slices.Compare(a.ID[:], b.ID[:])
	})
	return out, nil
}
