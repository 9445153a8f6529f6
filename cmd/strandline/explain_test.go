package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
)

// toldFleet makes the org of aFleet with a first stage on its regulator set and what was done to them. It returns the environment for
// further commands.
func toldFleet(t *testing.T) []string {
	t.Helper()
	dir := t.TempDir()
	env := newPlace(t).env("COLUMNS=100", "STRANDLINE_NO_INPUT=true")
	aFleet(t, env)
	sheetsIn(t, filepath.Join(dir, "sheets"),
		"models.csv", "id,name,kind,maker\nstage-a,Stage A,first-stage,Invented\n",
		"units.csv", "asset_tag,model,shop,serial_number,commissioned\nFST-1,stage-a,lagoon,F1,2024-01-01\nREG-2,set-a,lagoon,S2,2023-06-30\n",
		"fittings.csv", "part,host,place,from,from_time\nFST-1,REG-1,first stage,2024-03-01,09:00\n",
		"services.csv", "asset_tag,date,time,activities,outcome\nFST-1,2024-02-01,09:00,overhaul,pass\nREG-1,2024-02-02,09:00,overhaul,pass\n",
		"usage.csv", "asset_tag,date,time,dives,reference\nFST-1,2024-02-10,10:00,2,A-1\nREG-1,2024-02-20,10:00,5,A-2\nREG-1,2024-06-01,15:30,4,A-3\n",
	)
	must(t, env, "import", filepath.Join(dir, "sheets"))
	return env
}

// TestExplain tells units as a table and as JSON, at an instant and as known at an instant.
func TestExplain(t *testing.T) {
	t.Parallel()
	env := toldFleet(t)
	golden(t, "explain/set.txt", must(t, env, "explain", "REG-1", "--as-of", "2026-02-02", "--uses"))
	golden(t, "explain/overdue.txt", must(t, env, "explain", "REG-2", "--as-of", "2026-02-02 12:00"))
	wants(t, must(t, env, "explain", "REG-1", "--as-of", "2026-02-02", "--as-known", "2050-01-01"), "as known at 2050-01-01 00:00")

	var got struct {
		Clocks []struct {
			Clock struct{ Rule, Unit string }
			Steps []struct{ Kind, Sentence, Entry string }
			Uses  []struct{ Entry, Dives string }
		}
	}
	if err := json.Unmarshal([]byte(must(t, env, "explain", "REG-1", "--rule", "house/regulator-overhaul", "--output", "json")), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Clocks) != 2 || got.Clocks[0].Clock.Rule != "orgs/reefline/rulePacks/house/rules/regulator-overhaul" || len(got.Clocks[0].Uses) != 2 ||
		got.Clocks[0].Uses[0].Dives != "4" || !strings.HasPrefix(got.Clocks[0].Uses[0].Entry, got.Clocks[0].Clock.Unit+"/entries/") {
		t.Errorf("%+v", got)
	}

	for _, tt := range []struct {
		args []string
		code int
		want []string
	}{
		{[]string{"explain", "REG-1", "--rule", "house/bcd"}, exitNotFound, []string{"rule: house/bcd", "REG-1", "house/regulator-overhaul"}},
		{[]string{"explain", "REG-1", "--rule", "overhaul"}, exitUsage, []string{`--rule "overhaul"`, "PACK/RULE"}},
		{[]string{"explain", "REG-9"}, exitNotFound, []string{"REG-9"}},
		// All of it was recorded today: nothing was known of it before.
		{[]string{"explain", "REG-1", "--as-of", "2026-02-02", "--as-known", "2020-02-02"}, exitNotFound, []string{"REG-1 was not on record yet at 2020-02-02T00:00:00Z; it was registered at 20"}},
		{[]string{"explain", "REG-1", "--as-known", "then"}, exitUsage, []string{`--as-known "then"`}},
	} {
		if got := command(t, env, tt.args...); got.code != tt.code {
			t.Errorf("%v: exit code %d, want %d: %s", tt.args, got.code, tt.code, got.err)
		} else {
			wants(t, got.err, tt.want...)
		}
	}
}
