package compliance

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/forecast"
)

// TestHistory lays out what a unit was used for: single uses, meters with and without a first day to count from, and what it was fitted to.
func TestHistory(t *testing.T) {
	t.Parallel()
	unit, host := uuid.MustParse("01890000-0000-7000-8000-000000000001"), uuid.MustParse("01890000-0000-7000-8000-000000000002")
	on := civil.New(2026, time.June, 1)
	at := on.Start(time.UTC).Add(9 * time.Hour)
	day := func(n int) time.Time { return at.AddDate(0, 0, n-100) } // day 100 is the day asked about
	n := byte(0)
	entry := func(of uuid.UUID, d int, a due.Amount, change ...func(*due.Entry)) due.Entry {
		n++
		e := due.Entry{ID: uuid.UUID{15: n}, Unit: of, Occurred: day(d), Recorded: day(d), Kind: due.UsageEntry, Amount: a}
		for _, c := range change {
			c(&e)
		}
		return e
	}
	reading := func(e *due.Entry) { e.Reading, e.Meter = true, due.Dives }
	estimated := func(e *due.Entry) { e.Estimated = true }
	dives := func(n int64) due.Amount { return due.Amount{Dives: n} }
	use := func(first, last int, amount float64) forecast.Use {
		return forecast.Use{First: on.AddDays(first - 100), Last: on.AddDays(last - 100), Amount: amount}
	}
	for name, c := range map[string]struct {
		commissioned int // day; 0 if not known
		entries      []due.Entry
		measure      due.Measure
		from         int
		want         []forecast.Use
	}{
		"never used":                  {20, nil, due.Dives, 20, nil},
		"nothing known":               {0, nil, due.Dives, 100, nil},
		"used before commissioned":    {20, []due.Entry{entry(unit, 10, dives(2)), entry(unit, 30, dives(3))}, due.Dives, 10, []forecast.Use{use(10, 10, 2), use(30, 30, 3)}},
		"other measures":              {20, []due.Entry{entry(unit, 40, due.Amount{Dives: 2, Hours: 90 * time.Minute})}, due.Hours, 20, []forecast.Use{use(40, 40, 1.5)}},
		"not in it":                   {20, []due.Entry{entry(unit, 40, dives(2))}, due.Fills, 20, nil},
		"after the instant":           {20, []due.Entry{entry(unit, 101, dives(2))}, due.Dives, 20, nil},
		"by the set it was fitted to": {20, []due.Entry{entry(host, 40, dives(2)), entry(host, 60, dives(3))}, due.Dives, 20, []forecast.Use{use(60, 60, 3)}},
		"a meter since commissioned":  {20, []due.Entry{entry(unit, 40, dives(10), reading), entry(unit, 60, dives(16), reading)}, due.Dives, 20, []forecast.Use{use(20, 40, 10), use(41, 60, 6)}},
		"a meter of unknown age":      {0, []due.Entry{entry(unit, 40, dives(900), reading), entry(unit, 60, dives(916), reading)}, due.Dives, 41, []forecast.Use{use(41, 60, 16)}},
		"two readings on a day":       {0, []due.Entry{entry(unit, 40, dives(5), reading), entry(unit, 40, dives(8), reading)}, due.Dives, 40, []forecast.Use{use(40, 40, 3)}},
		"an estimate": {20, []due.Entry{entry(unit, 40, dives(4), estimated)}, due.Dives, 20, []forecast.Use{
			{First: on - 60, Last: on - 60, Amount: 4, Estimated: true},
		}},
	} {
		facts := due.Facts{Unit: unit, Kind: "regulator-set", Stays: []due.Stay{{Zone: time.UTC, Shop: "north"}}}
		if c.commissioned > 0 {
			facts.Commissioned = civil.Day(on.AddDays(c.commissioned - 100))
		}
		in := due.Input{
			Unit: unit, Units: []due.Facts{facts, {Unit: host, Stays: facts.Stays}}, Entries: c.entries,
			Fittings: []due.Fitting{{Part: unit, Host: host, From: day(50)}},
		}
		f := forecaster{on: on, at: at}
		got := f.history(in, c.measure, &due.Rule{})
		if diff := cmp.Diff(&forecast.History{From: on.AddDays(c.from - 100), Uses: c.want}, got); diff != "" {
			t.Errorf("%s (-want +got)\n%s", name, diff)
		}
	}
}
