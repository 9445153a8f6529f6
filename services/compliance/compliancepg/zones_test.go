package compliancepg_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

var allOver = []string{
	"America/New_York", "Europe/London", "Australia/Sydney", "Australia/Lord_Howe", "America/Santiago", "Pacific/Chatham", "Antarctica/Troll", "Africa/Casablanca",
	"Asia/Beirut", "America/Havana", "Asia/Kathmandu", "Pacific/Kiritimati",
}

// timesOfZones are spans in which clocks of the world do what they do: go forward and back in either hemisphere, by half an hour, by two,
// at midnight, past the very hour of the digest, and over a day that a zone leaves out.
var timesOfZones = []struct {
	name       string
	begin, end time.Time
	zones      []string
}{
	{"from February to April", time.Date(2026, 2, 18, 3, 17, 0, 0, time.UTC), time.Date(2026, 4, 12, 12, 0, 0, 0, time.UTC), allOver},
	{"from August to November", time.Date(2026, 8, 18, 3, 17, 0, 0, time.UTC), time.Date(2026, 11, 9, 12, 0, 0, 0, time.UTC), allOver},
	{"the day that Samoa and Tokelau left out", time.Date(2011, 12, 8, 1, 0, 0, 0, time.UTC), time.Date(2012, 1, 14, 0, 0, 0, 0, time.UTC), []string{
		"Pacific/Apia", "Pacific/Fakaofo", "Pacific/Auckland", "Pacific/Pago_Pago",
	}},
	{"the morning without 06:00 at Casey", time.Date(2018, 9, 10, 0, 0, 0, 0, time.UTC), time.Date(2018, 11, 20, 0, 0, 0, 0, time.UTC), []string{
		"Antarctica/Casey", "America/Sao_Paulo", "America/Havana", "Australia/Lord_Howe", "Asia/Amman",
	}},
	{"the day that Kwajalein left out", time.Date(1993, 7, 25, 0, 0, 0, 0, time.UTC), time.Date(1993, 9, 5, 0, 0, 0, 0, time.UTC), []string{"Pacific/Kwajalein", "America/New_York"}},
}

// TestZonesAgreeWithPostgres tells shops all over the world of units whose last days of use lie around every change of their clocks, with
// looks at random times and an outage of five days now and then. What PostgreSQL says of the same zones, minutes and months with AT TIME
// ZONE and interval arithmetic alone is what is told: every day of every shop in one digest, at the first instant at which the clock on the
// wall shows 06:00 or later on the next day that there is; every notice at the first instant of its day, once, and in the one digest of the
// time it falls in.
func TestZonesAgreeWithPostgres(t *testing.T) {
	t.Parallel()
	for _, span := range timesOfZones {
		t.Run(span.name, func(t *testing.T) {
			t.Parallel()
			w := &teller{world: newWorld(t), clock: clock.NewFake(span.begin)}
			w.store.Clocked(w.clock)
			f := &feeds{rng: seed(t)}
			conn := w.admin()
			exec := func(sql string, args ...any) {
				t.Helper()
				if _, err := conn.Exec(t.Context(), sql, args...); err != nil {
					t.Fatal(err)
				}
			}
			exec(`create temp table shops (shop text primary key, zone text not null)`)
			exec(`create temp table units (unit uuid primary key, shop text not null, commissioned date not null)`)
			f.register(compliance.Change{Model: &compliance.Model{ID: "bcd", Kind: "bcd"}})
			if testing.Short() {
				span.zones = span.zones[:min(4, len(span.zones))]
			}
			for i, name := range span.zones {
				shop := fmt.Sprint("shop", i)
				exec(`insert into shops values ($1, $2)`, shop, name)
				f.register(compliance.Change{Shop: &compliance.Shop{ID: shop, Name: name, Zone: name, Jurisdiction: "XX"}})
				for _, last := range lastDays(t, name, span.begin.AddDate(0, 0, 15), span.end) {
					u := compliance.Unit{ID: f.id(), Tag: fmt.Sprint("T-", len(f.registry)), Model: "bcd", Commissioned: civil.Day(last.AddMonths(-1)), Placements: []compliance.Placement{{Shop: shop}}}
					f.register(compliance.Change{Unit: ptr(u)})
					exec(`insert into units values ($1, $2, $3)`, u.ID, shop, u.Commissioned.String())
				}
			}
			w.publishAt(span.begin, due.Pack{ID: "house", Effective: civil.New(1990, 1, 1), Cautions: []string{"Local code wins."}, Rules: []due.Rule{{
				ID: "monthly", Title: "Inspection", Activity: "inspection", Authority: due.House, Scope: due.Scope{Kinds: []string{"bcd"}}, Months: 1, LeadDays: 10,
				Baselines: []due.Baseline{due.Commissioning}, Blocks: due.HandOut,
			}}})
			w.apply(f)
			w.notify(w.store, span.begin, 500)
			for now := span.begin; !now.After(span.end); {
				w.clock.Set(now)
				w.notify(w.store, now, 1+f.rng.IntN(60))
				if now = now.Add(time.Duration(1+f.rng.IntN(60*60)) * time.Minute); f.rng.IntN(12) == 0 {
					now = now.AddDate(0, 0, 5)
				}
			}
			w.notify(w.store, span.end, 500)

			// A quarter of an hour is the finest that a clock of these times and zones is set by.
			exec(`create temp table wall as select shop, at, at at time zone zone as clock from shops, generate_series($1::timestamptz - interval '3 days', $2::timestamptz + interval '3 days', interval '15 minutes') as at`,
				span.begin.Truncate(15*time.Minute), span.end.Truncate(15*time.Minute))
			exec(`create index on wall (shop, clock, at)`)
			exec(`analyze wall`)
			exec(`create temp table days as select shop, clock::date as day, lead(clock::date) over (partition by shop order by clock::date) as next from wall group by shop, clock::date`)
			exec(`create temp table wanted_digests as select d.shop, d.day, (select min(w.at) from wall as w where w.shop = d.shop and w.clock >= d.next + time '06:00' and w.clock < d.next + 3) as due
				from days as d join shops as s using (shop) where d.next is not null and d.day >= ($1::timestamptz at time zone s.zone)::date`, span.begin)
			exec(`create temp table wanted_notices as select u.unit, u.shop, s.state, (select min(w.at) from wall as w where w.shop = u.shop and w.clock >= s.on_day and w.clock < s.on_day + interval '4 days') as at
				from units as u cross join lateral (values (1, u.commissioned), (2, (u.commissioned + interval '1 month')::date - 10), (3, (u.commissioned + interval '1 month')::date), (4, (u.commissioned + interval '1 month')::date + 1)) as s (state, on_day)`)
			exec(`delete from wanted_notices where at <= $1`, span.begin) // how things are when they are first seen is no news
			exec(`create index on wanted_digests (shop, due)`)
			exec(`create index on wanted_notices (shop, at)`)
			exec(`analyze wanted_digests`)
			exec(`analyze wanted_notices`)
			for what, sql := range map[string]string{
				"digests": `select count(*), count(*) filter (where a.due is null or b.due is null or a.due <> b.due), min(coalesce(a.shop, b.shop) || ' ' || coalesce(a.day, b.day) || ', want ' || coalesce(a.due::text, 'none') || ', told ' || coalesce(b.due::text, 'none')) filter (where a.due is null or b.due is null or a.due <> b.due)
					from (select * from wanted_digests where due <= $1) as a full join compliance.digests as b on a.shop = b.shop and a.day = b.day`,
				"notices": `select count(*), count(*) filter (where a.at is null or b.effective is null or a.at <> b.effective or b.effective_on <> (b.effective at time zone s.zone)::date or b.noticed < b.effective or b.shop <> a.shop),
					min(coalesce(a.unit, b.unit_id) || ' ' || coalesce(a.state, b.to_state) || ', want ' || coalesce(a.at::text, 'none') || ', told ' || coalesce(b.effective::text, 'none')) filter (where a.at is null or b.effective is null or a.at <> b.effective)
					from (select * from wanted_notices where at <= $1) as a full join compliance.notices as b on a.unit = b.unit_id and a.state = b.to_state left join shops as s on s.shop = coalesce(b.shop, a.shop)`,
				"notices in digests": `select count(*), count(*) filter (where n.digests <> 1 or n.due <> n.want), min(n.number || ' is in ' || n.digests || ' digests, that of ' || coalesce(n.due::text, 'never') || ', want ' || n.want) filter (where n.digests <> 1 or n.due <> n.want)
					from (select n.number, (select min(b.due) from wanted_digests as b where b.shop = n.shop and b.due > n.effective) as want, d.* from compliance.notices as n
						cross join lateral (select count(*) as digests, min(d.due) as due from compliance.digests as d where d.shop = n.shop and n.number > d.after_number and n.number <= d.upto_number) as d) as n where n.want <= $1`,
				"counts": `select count(*), count(*) filter (where d.blocking <> c.blocking or d.due_soon <> c.soon), min(d.shop || ' ' || d.day || ', want ' || c.blocking || ' and ' || c.soon || ', told ' || d.blocking || ' and ' || d.due_soon) filter (where d.blocking <> c.blocking or d.due_soon <> c.soon)
					from compliance.digests as d join days as y on y.shop = d.shop and y.day = d.day cross join lateral (select min(w.at) as at from wall as w where w.shop = d.shop and w.clock >= y.next and w.clock < y.next + 1) as e
						cross join lateral (select count(*) filter (where n.state = 4) as blocking, count(*) filter (where n.state = 2) as soon
							from (select distinct on (unit) state from wanted_notices as n where n.shop = d.shop and n.at < e.at order by unit, n.state desc) as n) as c where $1::timestamptz is not null`,
			} {
				var all, wrong int
				var first *string
				if err := conn.QueryRow(t.Context(), sql, span.end).Scan(&all, &wrong, &first); err != nil {
					t.Fatalf("%s: %v", what, err)
				}
				least := map[string]int{"digests": len(span.zones) * (int(span.end.Sub(span.begin).Hours()/24) - 2), "notices": 8 * len(span.zones), "notices in digests": 8 * len(span.zones), "counts": len(span.zones) * 20}[what]
				if wrong > 0 || all < least {
					t.Errorf("%d of %d %s (at least %d wanted) are not what PostgreSQL says, the first %s", wrong, all, what, least, deref(first))
				}
				t.Logf("%d %s agree", all-wrong, what)
			}
		})
	}
}

func deref(s *string) string {
	if s == nil {
		return "nothing"
	}
	return *s
}

// lastDays returns the days around each change of a zone's clocks, and some others; there are two of each, so that more than one thing
// happens on a day.
func lastDays(t *testing.T, name string, begin, end time.Time) (out []civil.Date) {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	first, last := civil.In(begin, zone), civil.In(end, zone)-4
	for at := begin; at.Before(end); {
		_, change := at.In(zone).ZoneBounds()
		if change.IsZero() || change.After(end) {
			break
		}
		on := civil.In(change, zone)
		for d := on - 3; d <= on+2; d++ {
			if d > first && d < last {
				out = append(out, d, d)
			}
		}
		at = change
	}
	for d := first + 1; d < last; d += 9 {
		out = append(out, d, d)
	}
	return out
}

// TestTimeZonesChangeForAShop moves a shop over the date line by correcting its zone: its digests go on, one a day and none twice.
func TestTimeZonesChangeForAShop(t *testing.T) {
	t.Parallel()
	w := &teller{world: newWorld(t), clock: clock.NewFake(today)}
	w.store.Clocked(w.clock)
	f := &feeds{rng: seed(t)}
	now := today
	for _, name := range []string{"America/New_York", "Pacific/Kiritimati", "Pacific/Pago_Pago", "Australia/Lord_Howe"} {
		f.register(compliance.Change{Shop: &compliance.Shop{ID: "pier", Name: "Pier", Zone: name, Jurisdiction: "XX"}})
		w.apply(f)
		for range 20 {
			w.clock.Set(now)
			w.notify(w.store, now, 1+f.rng.IntN(9))
			now = now.Add(time.Duration(1+f.rng.IntN(30*60)) * time.Minute)
		}
	}
	rows, err := w.admin().Query(t.Context(), `select day, due from compliance.digests where shop = 'pier' order by due`)
	if err != nil {
		t.Fatal(err)
	}
	type digest struct{ Day, Due time.Time }
	all, err := pgx.CollectRows(rows, pgx.RowToStructByPos[digest])
	if err != nil {
		t.Fatal(err)
	}
	days := map[time.Time]bool{}
	for i, d := range all {
		if days[d.Day] {
			t.Errorf("%v is told twice", d.Day)
		}
		if days[d.Day] = true; i > 0 && !d.Day.Equal(all[i-1].Day.AddDate(0, 0, 1)) {
			t.Errorf("%v follows %v", d.Day, all[i-1].Day)
		}
	}
	if len(all) < 40 {
		t.Errorf("only %d digests", len(all))
	}
}
