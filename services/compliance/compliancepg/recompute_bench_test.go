package compliancepg_test

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// twenty are the rules of the benchmark: every one of them is for every unit.
func twenty() due.Pack {
	p := due.Pack{ID: "twenty", Revision: 1, Effective: civil.New(2020, 1, 1)}
	rule := func(months int, stamp bool, limit due.Amount, baseline due.Baseline, activities ...string) {
		p.Rules = append(p.Rules, due.Rule{
			Pack: p.ID, ID: fmt.Sprintf("rule-%02d", len(p.Rules)+1), Title: strings.Join(activities, " or "), Activity: activities[0], SatisfiedBy: activities[1:], Authority: due.House,
			Months: months, MonthStamp: stamp, Limit: limit, Baselines: []due.Baseline{baseline}, Blocks: due.HandOut,
		})
	}
	dives := func(n int64) due.Amount { return due.Amount{Dives: n} }
	hours := func(n int) due.Amount { return due.Amount{Hours: time.Duration(n) * time.Hour} }
	fills := func(n int64) due.Amount { return due.Amount{Fills: n} }
	rule(12, false, dives(100), due.Commissioning, "overhaul")
	rule(6, false, due.Amount{}, due.Commissioning, "inspection", "overhaul")
	rule(24, true, due.Amount{}, due.Manufacture, "overhaul")
	rule(0, false, dives(20), due.Commissioning, "leak-test", "overhaul")
	rule(0, false, hours(80), due.Commissioning, "seat-check")
	rule(12, false, hours(120), due.Commissioning, "flow-test")
	rule(36, false, due.Amount{}, due.Manufacture, "hose-check")
	rule(60, true, due.Amount{}, due.Manufacture, "pressure-test")
	rule(0, false, fills(50), due.Commissioning, "inspection")
	rule(18, false, dives(60), due.Commissioning, "hose-check", "overhaul")
	rule(3, false, due.Amount{}, due.Commissioning, "leak-test", "inspection", "overhaul")
	rule(0, false, dives(300), due.Manufacture, "pressure-test")
	rule(12, true, fills(99), due.Commissioning, "inspection", "overhaul")
	rule(1, false, dives(10), due.Commissioning, "leak-test", "flow-test", "seat-check", "hose-check")
	rule(120, false, due.Amount{}, due.Manufacture, "pressure-test")
	rule(0, false, hours(40), due.Commissioning, "leak-test", "inspection")
	rule(24, false, dives(200), due.Commissioning, "seat-check", "overhaul")
	rule(9, false, due.Amount{}, due.Commissioning, "flow-test", "overhaul")
	rule(0, false, due.Amount{Dives: 75, Hours: 60 * time.Hour, Fills: 40}, due.Commissioning, "overhaul")
	rule(6, true, dives(30), due.Manufacture, "inspection", "leak-test")
	return p
}

// fleetStatement is the best we know to ask of the same rows in one statement: what every unit went through, with what it was fitted to;
// per rule the last pass of any of its activities; the last day of use by the same arithmetic; and what was used since. Uses are added up
// once for every instant that some rule of a unit counts from, not once for every rule. It is told nothing of amendments, meters, estimates,
// marks on units, holds, waivers, phase-ins, revisions, rates of use or shops changed, all of which the engine looks for.
//
// $1 org, $2 rules: ids, activities separated by commas, months, month stamps, from manufacture or not.
const fleetStatement = `with recursive rule (rule, activities, months, stamp, made) as materialized (
	select r.rule, string_to_array(r.activities, ','), r.months, r.stamp, r.made
	from unnest($2::text[], $3::text[], $4::int[], $5::boolean[], $6::boolean[]) as r (rule, activities, months, stamp, made)
), counts (rule, activity) as materialized (
	select rule, unnest(activities) from rule
), reach (unit_id, host_id, fitted, unfitted) as (
	select part_id, host_id, fitted, coalesce(unfitted, 'infinity') from compliance.p_fittings where org_id = $1
union all
	select r.unit_id, f.host_id, greatest(r.fitted, f.fitted), least(r.unfitted, coalesce(f.unfitted, 'infinity'))
	from reach as r join compliance.p_fittings as f on f.org_id = $1 and f.part_id = r.host_id and f.fitted < r.unfitted and coalesce(f.unfitted, 'infinity') > r.fitted
), used (unit_id, at, dives, hours, fills) as (
	select unit_id, occurred, dives, hours, fills from log where org_id = $1 and kind = 1
union all
	select r.unit_id, e.occurred, e.dives, e.hours, e.fills
	from reach as r join log as e on e.org_id = $1 and e.kind = 1 and e.unit_id = r.host_id and e.occurred >= r.fitted and e.occurred < r.unfitted
), passed (unit_id, activity, at) as (
	select e.unit_id, a.activity, max(e.occurred) from log as e, unnest(e.activities) as a (activity)
	where e.org_id = $1 and e.kind = 2 and e.outcome = 1 group by e.unit_id, a.activity
), last (unit_id, rule, at) as (
	select p.unit_id, c.rule, max(p.at) from passed as p join counts as c on c.activity = p.activity group by p.unit_id, c.rule
), anchor (unit_id, rule, at, on_day, months, stamp) as materialized (
	select u.unit_id, r.rule, l.at,
		coalesce((l.at at time zone s.time_zone)::date, case when r.made then u.manufactured_on else u.commissioned_on end), r.months, r.stamp
	from compliance.p_units as u
		join compliance.p_shops as s on s.org_id = $1 and s.shop = u.placements -> -1 ->> 'shop'
		cross join rule as r
		left join last as l on l.unit_id = u.unit_id and l.rule = r.rule
	where u.org_id = $1
), since (unit_id, at, dives, hours, fills) as (
	select k.unit_id, k.at, sum(e.dives), sum(e.hours), sum(e.fills)
	from (select distinct unit_id, at from anchor) as k left join used as e on e.unit_id = k.unit_id and e.at >= coalesce(k.at, '-infinity')
	group by k.unit_id, k.at
)
select a.unit_id, a.rule, a.at, a.on_day,
	case when a.months = 0 then null when a.stamp then (date_trunc('month', a.on_day + make_interval(months => a.months)) + interval '1 month - 1 day')::date
		else (a.on_day + make_interval(months => a.months))::date end as due_on,
	coalesce(e.dives, 0)::bigint as dives, coalesce(e.hours, 0)::bigint as hours, coalesce(e.fills, 0)::bigint as fills
from anchor as a left join since as e on e.unit_id = a.unit_id and e.at is not distinct from a.at`

// statementArgs are the parameters of fleetStatement.
func statementArgs(p *due.Pack) []any {
	var ids, activities []string
	var months []int32
	var stamps, made []bool
	for _, r := range p.Rules {
		ids, activities = append(ids, r.ID), append(activities, strings.Join(append([]string{r.Activity}, r.SatisfiedBy...), ","))
		months, stamps, made = append(months, int32(r.Months)), append(stamps, r.MonthStamp), append(made, r.Baselines[0] == due.Manufacture)
	}
	return []any{org.UUID, ids, activities, months, stamps, made}
}

// TestFleetStatementAgrees holds both sides of BenchmarkRecomputeFleet to the same answer: every clock of every unit.
func TestFleetStatementAgrees(t *testing.T) {
	long(t)
	t.Parallel()
	w, conn := benchWorld(t, 1200)
	p := twenty()
	publishQuietly(t, conn, p)
	rows, err := conn.Query(t.Context(), fleetStatement, statementArgs(&p)...)
	if err != nil {
		t.Fatal(err)
	}
	type answer struct {
		Unit                uuid.UUID
		Rule                string
		At, On, Due         *time.Time
		Dives, Hours, Fills int64
	}
	want, err := pgx.CollectRows(rows, pgx.RowToStructByPos[answer])
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var got []answer
	fitted := 0
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		return r.EachUnit(ctx, func(d *due.Derived) {
			mu.Lock()
			defer mu.Unlock()
			if d.Host != uuid.Nil {
				fitted++
			}
			for _, c := range d.Clocks {
				a := answer{Unit: d.Unit, Rule: c.Rule.ID, Dives: c.Used.Dives, Hours: int64(c.Used.Hours), Fills: c.Used.Fills}
				if !c.AnchorOccurred.IsZero() {
					a.At = &c.AnchorOccurred
				}
				on := c.AnchorDate.First().Start(time.UTC)
				a.On = &on
				if !c.DueOn.IsZero() {
					last := c.DueOn.First().Start(time.UTC)
					a.Due = &last
				}
				got = append(got, a)
			}
		})
	})
	for _, all := range [][]answer{want, got} {
		slices.SortFunc(all, func(a, b answer) int {
			return cmp.Or(slices.Compare(a.Unit[:], b.Unit[:]), cmp.Compare(a.Rule, b.Rule))
		})
	}
	if len(want) != 1200*20 || len(got) != len(want) || fitted < 300 {
		t.Fatalf("the statement has %d clocks, the engine %d; %d units are fitted", len(want), len(got), fitted)
	}
	same := func(a, b *time.Time) bool { return (a == nil) == (b == nil) && (a == nil || a.Equal(*b)) }
	for i, a := range want {
		b := got[i]
		if a.Unit != b.Unit || a.Rule != b.Rule || !same(a.At, b.At) || !same(a.On, b.On) || !same(a.Due, b.Due) || a.Dives != b.Dives || a.Hours != b.Hours || a.Fills != b.Fills {
			t.Fatalf("the statement says %+v, the engine %+v", a, b)
		}
	}
}

// benchUnits is the fleet of BenchmarkRecomputeFleet.
const benchUnits = 100_000

// BenchmarkRecomputeFleet derives the clocks of 100,000 units by 20 rules from five years of entries (6,500,000; a stage's own and its
// set's), and asks one statement for them over the same entries, in turn (ABAB), one database and machine. Neither stores or sends what it
// found: the statement's rows are counted where they are made. It reports how many times longer the statement takes, by the medians; the
// goal is at least 5.
func BenchmarkRecomputeFleet(b *testing.B) {
	w, conn := benchWorld(b, benchUnits)
	p := twenty()
	publishQuietly(b, conn, p)
	ours := func() time.Duration {
		began := time.Now()
		var clocks atomic.Int64
		w.read(func(ctx context.Context, r *compliancepg.Reader) error {
			return r.EachUnit(ctx, func(d *due.Derived) { clocks.Add(int64(len(d.Clocks))) })
		})
		if clocks.Load() != 20*benchUnits {
			b.Fatalf("%d clocks", clocks.Load())
		}
		return time.Since(began)
	}
	theirs := func() time.Duration {
		began := time.Now()
		var clocks, sum int64
		if err := conn.QueryRow(b.Context(), `select count(*), sum(dives + fills + hours / 60000000000 + (due_on is null)::int + (on_day is null)::int)::bigint from (`+fleetStatement+`) as t`,
			statementArgs(&p)...).Scan(&clocks, &sum); err != nil {
			b.Fatal(err)
		}
		if clocks != 20*benchUnits {
			b.Fatalf("%d clocks", clocks)
		}
		return time.Since(began)
	}
	ours()
	theirs()
	var engine, statement []time.Duration
	for b.Loop() {
		engine, statement = append(engine, ours()), append(statement, theirs())
	}
	e, s := medianOf(engine), medianOf(statement)
	b.ReportMetric(e.Seconds(), "s/engine")
	b.ReportMetric(s.Seconds(), "s/statement")
	b.ReportMetric(s.Seconds()/e.Seconds(), "ratio")
}

func medianOf(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}
