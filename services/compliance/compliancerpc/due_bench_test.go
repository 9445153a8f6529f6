package compliancerpc

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// benchFleet writes a fleet straight into the projection of an org: shops of 500 units in three time zones. With entries it also writes a
// log of so many a unit, the last a passed inspection, for SQL to ask, and applies it. Clocks are not made here.
func benchFleet(b *testing.B, db *pg.DB, conn *pgx.Conn, org tenant.Org, units, entries int) {
	b.Helper()
	for _, sql := range []string{
		`insert into compliance.cursors (org_id, source, number) select $1::uuid, 1, 1 where $2::int + $3::int > 0
			on conflict (org_id, source) do update set number = 1`,
		`create table if not exists log (org_id uuid, unit_id uuid, entry_id uuid, occurred timestamptz, kind smallint, dives bigint, activities text[], outcome smallint, corrects uuid)`,
		`insert into compliance.p_models (org_id, model, kind, maker, size, attributes) select $1, 'bcd', 'bcd', 'Invented', 'M', '{}' where $2::int >= $3::int`,
		`insert into compliance.p_shops (org_id, shop, display_name, time_zone, jurisdiction)
			select $1, 'shop' || i, 'Shop ' || i, (array['Europe/London', 'Pacific/Auckland', 'America/New_York'])[1 + i % 3], 'GB' from generate_series(0, ($2::int - 1) / 500) as i where $3::int >= 0`,
		`insert into compliance.p_units (org_id, unit_id, tag, model, own_size, attributes, manufactured_month, commissioned_on, commissioned_month, placements,
				kind, size, shop, settled)
			select $1, md5($1::uuid::text || i)::uuid, 'T-' || i, 'bcd', '', '{}', false, '2024-01-01', false,
				jsonb_build_array(jsonb_build_object('shop', 'shop' || i % (1 + ($2::int - 1) / 500), 'from', '2024-01-01T00:00:00Z')),
				'bcd', 'M', 'shop' || i % (1 + ($2::int - 1) / 500), '2026-05-31'
			from generate_series(0, $2::int - 1) as i where $3::int >= 0`,
		// The inspections lie 335 to 700 days back, so that a tenth of the clocks is due within 30 days of now.
		`insert into log (org_id, unit_id, entry_id, occurred, kind, dives, activities, outcome)
			select $1, md5($1::uuid::text || i)::uuid, md5($1::uuid::text || i || '-' || n)::uuid, at.at, case when n = $3::int then 2 else 1 end,
				case when n = $3::int then 0 else 2 end, case when n = $3::int then array['inspection'] else '{}' end, case when n = $3::int then 1 else 0 end
			from generate_series(0, $2::int - 1) as i, generate_series(1, $3::int) as n,
				lateral (select timestamptz '2026-06-01 09:00Z' - case when n = $3::int then make_interval(days => (i::bigint * 7919 % 365)::int) else make_interval(days => n, hours => i % 24) end as at) as at`,
	} {
		args := []any{org.UUID, units, entries}
		if !strings.Contains(sql, "$1") {
			args = nil
		}
		if _, err := conn.Exec(b.Context(), sql, args...); err != nil {
			b.Fatal(err)
		}
	}
	if entries == 0 {
		return
	}
	rows, err := conn.Query(b.Context(), `select entry_id, unit_id, occurred, kind, dives, activities, outcome from log where org_id = $1 order by unit_id, occurred`, org.UUID)
	if err != nil {
		b.Fatal(err)
	}
	all, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (compliance.Change, error) {
		e := &due.Entry{}
		err := row.Scan(&e.ID, &e.Unit, &e.Occurred, &e.Kind, &e.Amount.Dives, &e.Activities, &e.Outcome)
		e.Recorded = e.Occurred
		return compliance.Change{Entry: e}, err
	})
	if err != nil {
		b.Fatal(err)
	}
	for i := range all {
		all[i].Number = int64(i + 1)
	}
	store := compliancepg.NewStore(db, func(string, []byte) (due.Pack, error) { return due.Pack{}, errors.New("no packs yet") })
	for page := range slices.Chunk(all, 10_000) {
		if _, err := store.Apply(b.Context(), org, compliance.History, page); err != nil {
			b.Fatal(err)
		}
	}
}

// benchClocks writes one clock a unit, spread evenly over a year of due days.
func benchClocks(b *testing.B, conn *pgx.Conn, org tenant.Org) {
	b.Helper()
	if _, err := conn.Exec(b.Context(), `insert into compliance.clocks (org_id, unit_id, pack, rule, revision, in_force_from, anchored, anchor_activity, anchor_baseline,
			anchor_on, anchor_month, anchor_mark_month, due_on, used_dives, used_hours, used_fills, usage_soon, spent, date_blocks, usage_blocks, shop, zone, kind)
		select u.org_id, u.unit_id, 'house', 'bcd', 1, '2020-01-01', true, '', 3, '2025-06-01', false, false,
			date '2026-06-01' + (substr(u.tag, 3)::bigint * 7919 % 365)::int, 7, 0, 0, false, false, 1, 1, u.shop, s.time_zone, u.kind
		from compliance.p_units as u join compliance.p_shops as s on s.org_id = u.org_id and s.shop = u.shop where u.org_id = $1`, org.UUID); err != nil {
		b.Fatal(err)
	}
}

// benchRig is a rig with the pack of the tests published in some orgs, and an administrator's connection.
func benchRig(b *testing.B, orgs ...string) (*rig, *pgx.Conn, map[string]compliancepb.ComplianceServiceClient) {
	b.Helper()
	r := newRig(b)
	conn, err := pgx.Connect(b.Context(), r.data.DSN())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close(context.WithoutCancel(b.Context())) })
	clients := map[string]compliancepb.ComplianceServiceClient{}
	for _, org := range orgs {
		clients[org] = compliancepb.NewComplianceServiceClient(r.conn(auth.RoleChainManager, org))
	}
	return r, conn, clients
}

func publishIn(b *testing.B, c compliancepb.ComplianceServiceClient, org string) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.Context(), 10*time.Minute)
	defer cancel()
	if _, err := c.PublishRulePack(ctx, &compliancepb.PublishRulePackRequest{Parent: "orgs/" + org, RulePackId: "house", RulePack: parsePack(b, housePack), RequestId: uuid.NewString()}); err != nil {
		b.Fatal(err)
	}
}

// settle does what autovacuum would have done by then.
func settle(b *testing.B, conn *pgx.Conn) {
	b.Helper()
	if _, err := conn.Exec(b.Context(), `vacuum analyze`); err != nil {
		b.Fatal(err)
	}
}

func listDue50(b *testing.B, c compliancepb.ComplianceServiceClient, org string) *compliancepb.ListDueResponse {
	b.Helper()
	resp, err := c.ListDue(b.Context(), &compliancepb.ListDueRequest{Parent: "orgs/" + org, PageSize: 50, HorizonDays: 30})
	if err != nil || len(resp.GetItems()) != 50 || resp.GetNextPageToken() == "" {
		b.Fatalf("a page of %d items, %v", len(resp.GetItems()), err)
	}
	return resp
}

func median(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}

// BenchmarkDueList compares the due list of 50 rows on a fleet of 100,000 units with that on one of 1,000, through the whole
// stack, in turn (ABAB) and in one database. It reports the ratio of the medians; the goal is at most 1.5.
func BenchmarkDueList(b *testing.B) {
	r, conn, clients := benchRig(b, "small", "big")
	for org, units := range map[string]int{"small": 1000, "big": 100_000} {
		publishIn(b, clients[org], org)
		benchFleet(b, r.db, conn, tenant.Must(org), units, 0)
		benchClocks(b, conn, tenant.Must(org))
	}
	settle(b, conn)
	for range 20 { // statements are prepared and pages cached
		listDue50(b, clients["small"], "small")
		listDue50(b, clients["big"], "big")
	}
	var wall clock.System
	var small, big []time.Duration
	for b.Loop() {
		began := wall.Now()
		listDue50(b, clients["small"], "small")
		between := wall.Now()
		listDue50(b, clients["big"], "big")
		small, big = append(small, between.Sub(began)), append(big, wall.Now().Sub(between))
	}
	s, l := median(small), median(big)
	b.ReportMetric(float64(s.Microseconds()), "us/small")
	b.ReportMetric(float64(l.Microseconds()), "us/big")
	b.ReportMetric(float64(l)/float64(s), "ratio")
}

// dueOverLog is the best we know to ask of the log itself: per unit the last entry that performed the activity and passed,
// by one probe of a partial index made for nothing else (as are the others), corrections set aside or taken over, the due day by the same
// arithmetic, the first 50; and only for those the dives since. A unit is its own in this fleet (nothing is fitted),
// which favours this side.
const dueOverLog = `with today as (
	select shop, (timestamptz '2026-06-01 09:00Z' at time zone time_zone)::date as today, time_zone from compliance.p_shops where org_id = $1
), page as (
	select u.unit_id, u.tag, u.shop, a.at, (a.on_day + interval '12 months')::date as due_on
	from compliance.p_units as u join today as t on t.shop = u.shop,
		lateral (
			select coalesce(e.occurred, u.commissioned_on) as at, coalesce((e.occurred at time zone t.time_zone)::date, u.commissioned_on) as on_day
			from (select 1) as one left join lateral (
				select e.occurred from log as e
				where e.org_id = $1 and e.unit_id = u.unit_id and e.kind = 2 and e.outcome = 1 and e.activities @> array['inspection']
					and not exists (select from log as x where x.org_id = $1 and x.corrects = e.entry_id)
				order by e.occurred desc limit 1
			) as e on true
		) as a
	where u.org_id = $1 and u.kind = 'bcd' and u.retired is null and (a.on_day + interval '12 months')::date <= t.today + 30
	order by due_on, u.unit_id limit 50
)
select p.unit_id, p.due_on, (
	select coalesce(sum(e.dives), 0)::bigint from log as e
	where e.org_id = $1 and e.unit_id = p.unit_id and e.kind = 1 and e.occurred >= p.at
		and not exists (select from log as x where x.org_id = $1 and x.corrects = e.entry_id)
) from page as p order by p.due_on, p.unit_id`

// BenchmarkDueListOverLog compares the same first page, whole stack and all, with asking the log for it in SQL alone: 50,000
// units with 10 entries each, whose clocks were derived by publishing the pack. (The log's time grows with the fleet; the list's
// does not.) Both answers are compared first. Ten lists and one question to the log take turns. It reports how many times longer
// the log takes, by the medians; the goal is at least 50.
func BenchmarkDueListOverLog(b *testing.B) {
	const name = "log"
	org := tenant.Must(name)
	r, conn, clients := benchRig(b, name)
	benchFleet(b, r.db, conn, org, 50_000, 10)
	publishIn(b, clients[name], name)
	if _, err := conn.Exec(b.Context(), `create index log_passed on log (org_id, unit_id, occurred desc) include (activities, entry_id) where kind = 2 and outcome = 1; create index log_used on log (org_id, unit_id, occurred) include (dives, entry_id) where kind = 1; create index log_corrects on log (org_id, corrects) where corrects is not null`); err != nil {
		b.Fatal(err)
	}
	settle(b, conn)

	type row struct {
		Unit  uuid.UUID
		Due   time.Time
		Dives int64
	}
	overLog := func() []row {
		rows, err := conn.Query(b.Context(), dueOverLog, org.UUID)
		if err != nil {
			b.Fatal(err)
		}
		out, err := pgx.CollectRows(rows, pgx.RowToStructByPos[row])
		if err != nil {
			b.Fatal(err)
		}
		return out
	}
	want, got := overLog(), listDue50(b, clients[name], name).GetItems()
	for i, item := range got {
		d := item.GetClock().GetDueDate()
		if i >= len(want) || item.GetUnit() != resname.UnitName(org, want[i].Unit) || item.GetClock().GetDivesUsed() != want[i].Dives ||
			time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()), 0, 0, 0, 0, time.UTC) != want[i].Due {
			b.Fatalf("row %d: the list says %v, the log %+v", i, item, want[min(i, len(want)-1)])
		}
	}
	var wall clock.System
	var list, log []time.Duration
	for b.Loop() {
		for range 10 {
			began := wall.Now()
			listDue50(b, clients[name], name)
			list = append(list, wall.Now().Sub(began))
		}
		began := wall.Now()
		overLog()
		log = append(log, wall.Now().Sub(began))
	}
	a, l := median(list), median(log)
	b.ReportMetric(float64(a.Microseconds()), "us/list")
	b.ReportMetric(float64(l.Microseconds()), "us/log")
	b.ReportMetric(float64(l)/float64(a), "ratio")
}
