package compliancepg_test

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/services/compliance/due"
)

// dated is a question about one date limit: what it counts from, how long it is, and what of the rest plays a part.
type dated struct {
	Sort    string // baseline, work, expiry, evidence, late
	Zone    string
	At      time.Time  // of the work
	Mark    *time.Time // first day of the mark, or the baseline
	IsMonth bool       // the mark is a month
	Months  int
	Stamp   bool
	Lead    int
	Later   time.Time // of the second work, or of the evidence
	Valid   int       // months that the evidence holds
	Long    int       // the limit meanwhile
}

// oddDay is a day of the kinds that go wrong: a month's end, a leap day, a first, and any other.
func oddDay(rng *rand.Rand, from, to int) civil.Date {
	y := from + rng.IntN(to-from)
	m := time.Month(1 + rng.IntN(12))
	switch rng.IntN(5) {
	case 0, 1:
		return civil.New(y, m, civil.DaysIn(y, m)-rng.IntN(2))
	case 2:
		for civil.DaysIn(y, 2) < 29 {
			y = from + rng.IntN(to-from)
		}
		return civil.New(y, 2, 29)
	case 3:
		return civil.New(y, m, 1)
	}
	return civil.New(y, m, 1+rng.IntN(28))
}

// oddTime is an instant on an odd day somewhere, often close to midnight there.
func oddTime(rng *rand.Rand, zone *time.Location) time.Time {
	at := oddDay(rng, 1972, 2036).Start(zone)
	if rng.IntN(2) == 0 {
		return at.Add(time.Duration(rng.IntN(121)-60) * time.Minute).UTC()
	}
	return at.Add(time.Duration(rng.IntN(24*3600)) * time.Second).UTC()
}

func randomDated(rng *rand.Rand, sort string, zones []string) dated {
	d := dated{Sort: sort, Zone: zones[rng.IntN(len(zones))], Stamp: rng.IntN(2) == 0, Lead: 1 + rng.IntN(120)}
	zone, err := time.LoadLocation(d.Zone)
	if err != nil {
		panic(err)
	}
	d.Months = []int{1, 2, 3, 6, 12, 18, 24, 30, 36, 48, 60, 120, 144, 180, 288}[rng.IntN(15)]
	if rng.IntN(3) == 0 {
		d.Months = 1 + rng.IntN(300)
	}
	d.At = oddTime(rng, zone)
	mark := func(near civil.Date) {
		switch rng.IntN(3) {
		case 0:
			return
		case 1:
			d.IsMonth = true
			near = near.StartOfMonth()
		}
		d.Mark = new(dayTime(near))
	}
	switch sort {
	case "baseline":
		on := oddDay(rng, 1904, 2096)
		if d.IsMonth = rng.IntN(2) == 0; d.IsMonth {
			on = on.StartOfMonth()
		}
		d.Mark = new(dayTime(on))
	case "work":
		mark(civil.In(d.At, zone).AddDays(rng.IntN(70) - 50))
	case "expiry":
		mark(civil.In(d.At, zone).AddMonths(d.Months).AddDays(rng.IntN(120) - 60))
	case "evidence":
		mark(civil.In(d.At, zone).AddDays(rng.IntN(40) - 40))
		d.Long, d.Valid = d.Months+1+rng.IntN(40), 1+rng.IntN(60)
		d.Later = d.At.Add(time.Duration(rng.IntN(d.Months*31*24)) * time.Hour)
	case "late":
		d.Months = 1 + rng.IntN(40)
		d.Later = d.At.AddDate(0, rng.IntN(5*d.Months), rng.IntN(40))
	}
	return d
}

func dayTime(d civil.Date) time.Time {
	y, m, day := d.Parts()
	return time.Date(y, m, day, 0, 0, 0, 0, time.UTC)
}

// ask puts the question to the engine.
func (d *dated) ask(t *testing.T) due.Clock {
	t.Helper()
	zone, err := time.LoadLocation(d.Zone)
	if err != nil {
		t.Fatal(err)
	}
	unit := uuid.UUID{1}
	rule := due.Rule{ID: "r", Title: "R", Activity: "hydrostatic-test", Authority: due.Law, Months: d.Months, MonthStamp: d.Stamp, LeadDays: d.Lead, Blocks: due.HandOut}
	facts := due.Facts{Unit: unit, Kind: "cylinder", Stays: []due.Stay{{Zone: zone, Jurisdiction: "XX", Shop: "pier"}}}
	mark := civil.Mark{}
	if d.Mark != nil {
		if mark = civil.Day(civil.In(*d.Mark, time.UTC)); d.IsMonth {
			mark = civil.Month(d.Mark.Year(), d.Mark.Month())
		}
	}
	in := due.Input{Unit: unit}
	did := func(id byte, at time.Time, activity string, m civil.Mark) {
		in.Entries = append(in.Entries, due.Entry{ID: uuid.UUID{id}, Unit: unit, Kind: due.Work, Activities: []string{activity}, Outcome: due.Pass, Occurred: at, Recorded: at, Mark: m})
	}
	switch d.Sort {
	case "baseline":
		rule.Baselines, facts.Manufactured = []due.Baseline{due.Manufacture}, mark
	case "work":
		did(1, d.At, rule.Activity, mark)
	case "expiry":
		rule.MarkExpires = true
		did(1, d.At, rule.Activity, mark)
	case "evidence":
		rule.Evidence = due.Evidence{Activity: "risk-assessment", Valid: d.Valid, Months: d.Long}
		did(1, d.At, rule.Activity, mark)
		did(2, d.Later, "risk-assessment", civil.Mark{})
	case "late":
		rule.Late = due.FromDue
		did(1, d.At, rule.Activity, civil.Mark{})
		did(2, d.Later, rule.Activity, civil.Mark{})
	}
	in.Units = []due.Facts{facts}
	in.Packs = []due.Pack{{ID: "pack", Revision: 1, Effective: civil.New(1900, 1, 1), Rules: []due.Rule{rule}}}
	all := due.Derive(in, time.Time{}, time.Time{})
	if len(all.Clocks) != 1 {
		t.Fatalf("%+v has %d clocks", d, len(all.Clocks))
	}
	return all.Clocks[0]
}

// datesSQL answers the same questions with PostgreSQL's dates, intervals and time zones alone. The day of work is that at the shop; a mark
// takes its place unless it lies after it; months are added to the day the work counts from, and the month rule takes the end of the month reached.
const datesSQL = `
	with q as materialized (
		select n, sort, zone, at, mark, is_month, months, stamp, lead, later, valid, long,
			(at at time zone zone)::date as did, (later at time zone zone)::date as later_did, make_interval(years => months / 12, months => months % 12) as span
		from unnest($1::text[], $2::text[], $3::timestamptz[], $4::date[], $5::bool[], $6::int[], $7::bool[], $8::int[], $9::timestamptz[], $10::int[], $11::int[])
			with ordinality as q (sort, zone, at, mark, is_month, months, stamp, lead, later, valid, long, n)),
	counted as materialized (
		select *, case when sort = 'baseline' then mark when sort in ('expiry', 'late') or mark is null or mark > did then did else mark end as anchor from q),
	own as materialized (
		select *, case when stamp then (date_trunc('month', anchor + span) + interval '1 month' - interval '1 day')::date else (anchor + span)::date end as due from counted),
	missed as materialized (
		select *, (select max(last) from (select case when k = 0 then due when stamp then (date_trunc('month', due + k * span) + interval '1 month' - interval '1 day')::date else (due + k * span)::date end as last
			from generate_series(0, case when sort = 'late' then 8 else 0 end) as k) as m where m.last <= later_did) as last_missed from own),
	answered as materialized (
		select n, lead, case
			when sort = 'expiry' and mark is not null then least(due, case when is_month then (mark + interval '1 month' - interval '1 day')::date else mark end)
			when sort = 'evidence' then greatest(due, least((later_did + make_interval(months => valid))::date,
				case when stamp then (date_trunc('month', anchor + make_interval(months => long)) + interval '1 month' - interval '1 day')::date else (anchor + make_interval(months => long))::date end))
			when sort = 'late' and later_did > due then
				case when stamp then (date_trunc('month', last_missed + span) + interval '1 month' - interval '1 day')::date else (last_missed + span)::date end
			when sort = 'late' then
				case when stamp then (date_trunc('month', later_did + span) + interval '1 month' - interval '1 day')::date else (later_did + span)::date end
			else due end as due
		from missed)
	select to_char(due, 'YYYY-MM-DD'), to_char(due - lead, 'YYYY-MM-DD') from answered order by n`

// TestDueDatesAgreeWithPostgres asks the engine and PostgreSQL for the last days of use of thousands of random anchors and intervals: leap
// days, ends of months, marks of a month, work around midnight in zones all over the world, marks that expire, evidence that runs out, late
// work that counts from its due day; and for the first day on which each is due soon.
func TestDueDatesAgreeWithPostgres(t *testing.T) {
	t.Parallel()
	rng := seed(t)
	conn, err := pgx.Connect(t.Context(), pgtest.New(t).DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(t.Context())) }()
	zones := append([]string{"UTC", "Pacific/Apia", "America/Sao_Paulo", "Asia/Kolkata", "Asia/Tehran", "America/St_Johns"}, allOver...)
	each := 4000
	if testing.Short() {
		each = 500
	}
	for _, sort := range []string{"baseline", "work", "expiry", "evidence", "late"} {
		all := make([]dated, each)
		var sorts, names []string
		var at, later []time.Time
		var marks []*time.Time
		var isMonth, stamp []bool
		var months, lead, valid, long []int
		for i := range all {
			d := randomDated(rng, sort, zones)
			all[i] = d
			sorts, names, at, marks, isMonth, months = append(sorts, d.Sort), append(names, d.Zone), append(at, d.At), append(marks, d.Mark), append(isMonth, d.IsMonth), append(months, d.Months)
			stamp, lead, later, valid, long = append(stamp, d.Stamp), append(lead, d.Lead), append(later, d.Later), append(valid, d.Valid), append(long, d.Long)
		}
		rows, err := conn.Query(t.Context(), datesSQL, sorts, names, at, marks, isMonth, months, stamp, lead, later, valid, long)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		var dueOn, soonFrom string
		leap, ends, wrong := 0, 0, 0
		if _, err := pgx.ForEachRow(rows, []any{&dueOn, &soonFrom}, func() error {
			d := &all[n]
			n++
			c := d.ask(t)
			got := c.DueOn.First()
			if got.String() != dueOn {
				if wrong++; wrong < 5 {
					t.Errorf("%s, want %s: %+v", got, dueOn, *d)
				}
				return nil
			}
			first := got.AddDays(-d.Lead)
			for on, want := range map[civil.Date]due.State{first - 1: due.Fine, first: due.DueSoon, got - 1: due.DueSoon, got: due.Due, got + 1: due.Overdue} {
				if first.String() != soonFrom || c.State(on) != want || c.Blocking(on) != (want == due.Overdue) {
					t.Errorf("on %s it is %v (blocking: %v), want %v, due soon from %s: %+v", on, c.State(on), c.Blocking(on), want, soonFrom, *d)
				}
			}
			if y, m, day := got.Parts(); day == civil.DaysIn(y, m) {
				ends++
				if m == time.February && day == 29 {
					leap++
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %d of %d agree; %d end a month, %d on a leap day", sort, n-wrong, n, ends, leap)
		if n != each || ends < each/10 || leap < each/200 {
			t.Errorf("%s: only %d dates, %d of a month's end, %d leap days", sort, n, ends, leap)
		}
	}
}
