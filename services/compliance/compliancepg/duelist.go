package compliancepg

import (
	"context"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// days are the dates of an instant in the zones of shops. There are at most three on earth at one time.
type days struct {
	of    map[string]civil.Date // by zone
	first civil.Date            // the earliest of them
	last  civil.Date            // the latest
}

func daysIn(at time.Time, zones []string) days {
	d := days{of: make(map[string]civil.Date, len(zones))}
	for i, name := range zones {
		on := civil.In(at, zone(name))
		d.of[name] = on
		if i == 0 {
			d.first, d.last = on, on
		}
		d.first, d.last = min(d.first, on), max(d.last, on)
	}
	return d
}

// on returns the zones where it is a given day.
func (d days) on(day civil.Date) []string {
	out := []string{}
	for name, on := range d.of {
		if on == day {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

// Due returns a page of a due list, and whether there is more.
//
// It reads the index from the key of the page before, so its cost follows the page, not the fleet. Where it is a day later
// at some shops than at others, one range up to the latest bound is read and the rows of the other shops beyond theirs, at
// most a day's or two, are left out. Units to which something happened after the instant asked about are derived, and so is
// the whole fleet when the instant lies before what the stored clocks cover, or when it is asked what was known once; that is the
// price of a question about the past.
func (r *Reader) Due(ctx context.Context, q compliance.DueQuery) (out []compliance.DueRow, more bool, err error) {
	packs, err := r.Packs(ctx)
	if err != nil {
		return nil, false, err
	}
	d, err := r.daysFor(ctx, q)
	if err != nil || len(d.of) == 0 {
		return nil, false, err
	}
	want := q.Limit + 1
	stored := q.Known.IsZero() && covered(packs, q.At) // the rows know everything
	if stored {
		if out, err = r.dueStored(ctx, q, d, indexRules(packs), want); err != nil {
			return nil, false, err
		}
	}
	late, err := r.dueDerived(ctx, q, !stored)
	if err != nil {
		return nil, false, err
	}
	if len(late) > 0 {
		out = append(out, late...)
		slices.SortFunc(out, func(a, b compliance.DueRow) int { return a.Key.Compare(b.Key) })
	}
	if len(out) > q.Limit {
		out, more = out[:q.Limit], true
	}
	return out, more, r.hostTags(ctx, out, q.Known)
}

// daysFor returns the days at the shops a query is about. The zones of a chain are few: they are hopped through in their
// index, however many shops there are.
func (r *Reader) daysFor(ctx context.Context, q compliance.DueQuery) (days, error) {
	if !q.Known.IsZero() {
		shops, err := shopsKnown(ctx, r.tx, r.org, nil, q.Known)
		var zones []string
		for id, s := range shops {
			if q.Shop == "" || id == q.Shop {
				zones = append(zones, s.Zone)
			}
		}
		return daysIn(q.At, zones), err
	}
	query, args := `with recursive z (zone) as (
			select min(time_zone) from p_shops where org_id = $1
		union all
			select (select min(s.time_zone) from p_shops as s where s.org_id = $1 and s.time_zone > z.zone) from z where z.zone is not null
		) select zone from z where zone is not null`, []any{r.org.UUID}
	if q.Shop != "" {
		query, args = `select time_zone from p_shops where org_id = $1 and shop = $2`, append(args, q.Shop)
	}
	rows, err := r.tx.Query(ctx, query, args...)
	if err != nil {
		return days{}, pg.Err(err)
	}
	zones, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return daysIn(q.At, zones), pg.Err(err)
}

// dueStored reads the page from the stored clocks of units to which nothing has happened since.
func (r *Reader) dueStored(ctx context.Context, q compliance.DueQuery, d days, rules ruleIndex, want int) ([]compliance.DueRow, error) {
	last := d.last.AddDays(q.Horizon)
	if !q.ByUsage {
		return r.dueRange(ctx, q, d, rules, want, "due_on", "c.due_on is not null", &last)
	}
	// What is spent or expected by the horizon first; then what is inside the lead and expected later, or on no known day.
	out, err := r.dueRange(ctx, q, d, rules, want, "usage_on", "c.usage_on is not null", &last)
	if err != nil || len(out) >= want {
		return out, err
	}
	if from := last.AddDays(1); q.After == nil || q.After.On < from {
		q.After = &compliance.DueKey{On: from}
	}
	soon, err := r.dueRange(ctx, q, d, rules, want-len(out), "usage_on", "c.usage_soon", nil)
	return append(out, soon...), err
}

// condemned is the cause of a hold that nothing lifts: no work is due on such a unit any more.
var condemned = strconv.Itoa(int(due.CauseCondemned))

// dueRange reads rows in the order of one of the due indexes, from the query's key up to a last day.
func (r *Reader) dueRange(ctx context.Context, q compliance.DueQuery, d days, rules ruleIndex, want int, column, partial string, last *civil.Date) ([]compliance.DueRow, error) {
	args := []any{r.org.UUID, q.At, want}
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	where := "c.org_id = $1 and " + partial
	if q.Shop != "" {
		where += " and c.shop = " + arg(q.Shop)
	}
	if q.Kind != "" {
		where += " and c.kind = " + arg(q.Kind)
	}
	if last != nil {
		where += " and c." + column + " <= " + arg(dayOf(*last))
	}
	if k := q.After; k != nil {
		where += " and (c." + column + ", c.unit_id, c.pack, c.rule, c.revision) > (" + arg(dayOf(k.On)) + ", " + arg(k.Unit) + ", " + arg(k.Pack) + ", " +
			arg(k.Rule) + ", " + arg(k.Revision) + ")"
	}
	// Day by day: the revision must be in force, the unit commissioned, and the row within the bound, at the unit's own shop.
	var at string
	for day := d.first; day <= d.last; day++ {
		zones := d.on(day)
		if len(zones) == 0 {
			continue
		}
		if at != "" {
			at += " or "
		}
		on := arg(dayOf(day))
		at += "("
		if d.first != d.last {
			at += "c.zone = any (" + arg(zones) + ") and "
			if last != nil {
				bound := "c." + column + " <= " + arg(dayOf(day.AddDays(q.Horizon)))
				if q.ByUsage {
					bound = "(" + bound + " or c.usage_soon)"
				}
				at += bound + " and "
			}
		}
		at += "c.in_force_from <= " + on + " and (c.in_force_until is null or c.in_force_until > " + on + ") and (u.commissioned_on is null or u.commissioned_on <= " + on + "))"
	}
	rows, err := r.tx.Query(ctx, `select `+clockFields+`, c.`+column+`, c.kind, c.shop, c.zone, u.tag, u.host_id
		from clocks as c join p_units as u on u.org_id = $1 and u.unit_id = c.unit_id
		where `+where+` and (u.settled is null or u.settled <= $2) and (`+at+`)
			and not exists (select from unit_holds as h where h.org_id = $1 and h.unit_id = c.unit_id and h.cause = `+condemned+`)
		order by c.`+column+`, c.unit_id, c.pack, c.rule, c.revision limit $3`, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	s := clockScan{rules: rules}
	var on time.Time
	var row compliance.DueRow
	var host *uuid.UUID
	var zone string
	var out []compliance.DueRow
	_, err = pgx.ForEachRow(rows, append(s.targets(), &on, &row.Kind, &row.Shop, &zone, &row.Tag, &host), func() error {
		c, err := s.clock()
		if err != nil {
			return err
		}
		next := row
		next.Clock, next.On = c, d.of[zone]
		next.Key = compliance.DueKey{On: civil.In(on, time.UTC), Unit: c.Unit, Pack: c.Pack.ID, Rule: c.Rule.ID, Revision: c.Pack.Revision}
		if host != nil {
			next.Host = *host
		}
		out = append(out, next)
		return nil
	})
	return out, pg.Err(err)
}

// unsettled returns the units to which something happened after an instant; every unit if all is set. Those retired by
// then are left out, and those that were at another shop, if one is given, or are of another kind.
func (r *Reader) unsettled(ctx context.Context, q compliance.DueQuery, all bool) ([]uuid.UUID, error) {
	if !q.Known.IsZero() {
		return knownUnits(ctx, r.tx, r.org, q.Known) // what they were like then, their derivation tells
	}
	where, args := `(retired is null or retired > $2)`, []any{r.org.UUID, q.At}
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	if !all {
		where += ` and settled > $2`
	}
	if q.Kind != "" {
		where += ` and kind = ` + arg(q.Kind)
	}
	if q.Shop != "" {
		where += ` and (shop = ` + arg(q.Shop) + ` or settled > $2)` // where it is now says nothing of where it was
	}
	return unitIDs(ctx, r.tx, where, args...)
}

// dueDerived returns the rows of unsettled units after the query's key, in no order.
func (r *Reader) dueDerived(ctx context.Context, q compliance.DueQuery, all bool) ([]compliance.DueRow, error) {
	ids, err := r.unsettled(ctx, q, all)
	if err != nil {
		return nil, err
	}
	var out []compliance.DueRow
	var adding sync.Mutex
	err = r.eachChunk(ctx, ids, false, q.Known, func(f *facts, chunk []uuid.UUID) error {
		var found []compliance.DueRow
		for _, id := range chunk {
			d := due.Derive(f.input(id, false), q.At, q.Known)
			u := f.units[id]
			if !compliance.WorkIsDue(&d, q.At) || q.Shop != "" && d.Stay.Shop != q.Shop || q.Kind != "" && u.Kind != q.Kind {
				continue
			}
			on := civil.In(q.At, zoneOf(d.Stay))
			for i := range d.Clocks {
				key, ok := q.Lists(&d.Clocks[i], on)
				if !ok || q.After != nil && key.Compare(*q.After) <= 0 {
					continue
				}
				found = append(found, compliance.DueRow{Key: key, Clock: d.Clocks[i], On: on, Tag: f.tags[id], Kind: u.Kind, Shop: d.Stay.Shop, Host: d.Host})
			}
		}
		adding.Lock()
		out = append(out, found...)
		adding.Unlock()
		return nil
	})
	return out, err
}

// hostTags fills in the tags of hosts.
func (r *Reader) hostTags(ctx context.Context, out []compliance.DueRow, known time.Time) error {
	var ids []uuid.UUID
	for _, row := range out {
		if row.Host != uuid.Nil {
			ids = append(ids, row.Host)
		}
	}
	tags, err := r.Tags(ctx, ids, known)
	for i := range out {
		out[i].HostTag = tags[out[i].Host]
	}
	return err
}

// Tags returns the tags of units; with a known that is not zero, as they were known then.
func (r *Reader) Tags(ctx context.Context, ids []uuid.UUID, known time.Time) (map[uuid.UUID]string, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	if !known.IsZero() {
		units, err := unitsKnown(ctx, r.tx, r.org, ids, known)
		out := make(map[uuid.UUID]string, len(units))
		for _, u := range units {
			out[u.ID] = u.Tag
		}
		return out, err
	}
	rows, err := r.tx.Query(ctx, `select unit_id, tag from p_units where org_id = $1 and unit_id = any ($2)`, r.org.UUID, ids)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := make(map[uuid.UUID]string, len(ids))
	var id uuid.UUID
	var tag string
	_, err = pgx.ForEachRow(rows, []any{&id, &tag}, func() error {
		out[id] = tag
		return nil
	})
	return out, pg.Err(err)
}
