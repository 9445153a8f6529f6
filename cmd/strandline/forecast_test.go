package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"strandline.example/strandline/internal/civil"
)

// TestForecast tells units as a table and as JSON, at an instant and as known at an instant.
func TestForecast(t *testing.T) {
	t.Parallel()
	env := toldFleet(t)
	var log strings.Builder
	log.WriteString("asset_tag,date,time,dives,reference\n")
	for i := range 30 { // a rental every six days
		fmt.Fprintf(&log, "REG-1,%s,10:00,2,B-%d\n", civil.New(2024, 6, 5).AddDays(6*i), i)
	}
	dir := t.TempDir()
	sheetsIn(t, filepath.Join(dir, "more"), "usage.csv", log.String())
	must(t, env, "import", filepath.Join(dir, "more"))

	golden(t, "forecast/set.txt", must(t, env, "forecast", "REG-1", "--as-of", "2024-12-01", "--before", "2025-03-01"))
	wants(t, must(t, env, "forecast", "REG-2", "--as-of", "2024-02-15"), "REG-2  regulator-set, at lagoon", "not known", "there is no use on record")
	wants(t, must(t, env, "forecast", "REG-1", "--as-of", "2024-12-01", "--as-known", "2050-01-01"), "as known at 2050-01-01 00:00")

	var got struct {
		Forecasts []struct {
			Rule, Unit, Measure, Left, Sentence string
			Chance, WeeklyRate, OwnWeight       float64
			ExpectedDate, EarlyDate, LateDate   struct{ Year, Month, Day int }
		}
		BeforeDate struct{ Year, Month, Day int }
	}
	if err := json.Unmarshal([]byte(must(t, env, "forecast", "REG-1", "--as-of", "2024-12-01", "--output", "json")), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Forecasts) != 2 || got.BeforeDate.Month != 12 || got.BeforeDate.Day != 31 {
		t.Fatalf("%+v", got)
	}
	if f := got.Forecasts[0]; f.Rule != "orgs/reefline/rulePacks/house/rules/regulator-overhaul" || f.Measure != "MEASURE_DIVES" || f.Left != "31" || f.WeeklyRate < 1 || f.WeeklyRate > 4 ||
		f.OwnWeight <= 0 || f.EarlyDate.Year == 0 || f.ExpectedDate.Year < 2024 || f.Chance < 0 || f.Chance > 1 || !strings.HasPrefix(f.Sentence, "31 dives are left.") {
		t.Errorf("%+v", f)
	}

	for _, tt := range []struct {
		args []string
		code int
		want []string
	}{
		{[]string{"forecast", "REG-9"}, exitNotFound, []string{"REG-9"}},
		{[]string{"forecast", "REG-1", "--before", "soon"}, exitUsage, []string{`--before "soon"`}},
		{[]string{"forecast", "REG-1", "--before", "2026-07"}, exitUsage, []string{`--before "2026-07"`, "a day"}},
		{[]string{"forecast", "REG-1", "--as-of", "2026-06-01", "--before", "2026-06-01"}, exitRejected, []string{"before_date", "2026-06-01", "2036-06-01"}},
		// All of it was recorded today: nothing was known of it before.
		{[]string{"forecast", "REG-1", "--as-of", "2024-12-01", "--as-known", "2024-12-01"}, exitNotFound, []string{"REG-1 was not on record yet at 2024-12-01T00:00:00Z; it was registered at 20"}},
		{[]string{"forecast", "REG-1", "--as-known", "then"}, exitUsage, []string{`--as-known "then"`}},
	} {
		if got := command(t, env, tt.args...); got.code != tt.code {
			t.Errorf("%v: exit code %d, want %d: %s", tt.args, got.code, tt.code, got.err)
		} else {
			wants(t, got.err, tt.want...)
		}
	}
}
