package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// triedFleet makes the org of aFleet with sets and BCDs of two shops whose years end around February 2026, and returns the environment
// for further commands.
func triedFleet(t *testing.T, more ...string) []string {
	t.Helper()
	dir := t.TempDir()
	env := newPlace(t).env("COLUMNS=100", "STRANDLINE_NO_INPUT=true")
	aFleet(t, env)
	must(t, env, "shop", "create", "cove", "--name", "Cove Shop", "--zone", "Europe/Lisbon", "--jurisdiction", "PT")
	sheetsIn(t, filepath.Join(dir, "sheets"),
		"models.csv", "id,name,kind,maker\nvest,Vest,bcd,Invented\n",
		"units.csv", `asset_tag,model,shop,serial_number,commissioned
REG-2,set-a,lagoon,S2,2024-06-01
REG-3,set-a,cove,S3,2025-03-01
REG-4,set-a,lagoon,S4,2025-11-01
BCD-1,vest,lagoon,B1,2025-01-10
BCD-2,vest,cove,B2,2025-02-20
BCD-3,vest,lagoon,B3,2025-03-05
BCD-4,vest,lagoon,B4,2025-08-01
`+strings.Join(more, ""),
		"services.csv", "asset_tag,date,time,activities,outcome\nREG-1,2025-12-01,09:00,overhaul,pass\n",
		"usage.csv", "asset_tag,date,time,dives,reference\nREG-4,2025-11-10,10:00,30,A-1\nREG-4,2026-01-20,10:00,40,A-2\n",
	)
	must(t, env, "import", filepath.Join(dir, "sheets"))
	return env
}

// tried is what a trial prints for programs.
type tried struct {
	UnitCount, ChangedUnitCount, NewlyBlockedCount, NewlyFreeCount json.Number
	Before, After                                                  struct{ UnblockedUnits, BlockingClocks, DueClocks, BenchMinutes json.Number }
	Rules                                                          []struct{ Rule, Change string }
	Days                                                           []struct{ DueBefore, DueAfter, BenchMinutesAfter json.Number }
	NewlyBlocked                                                   []struct{ AssetTag, Sentence string }
	Position                                                       json.RawMessage
}

func (r tried) dueAfter() (n int64) {
	for _, d := range r.Days {
		day, _ := d.DueAfter.Int64() // left out if nothing is
		n += day
	}
	return n
}

func tries(t *testing.T, env []string, args ...string) (out tried) {
	t.Helper()
	if err := json.Unmarshal([]byte(must(t, env, append([]string{"rules", "try", "--output", "json"}, args...)...)), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// TestRulesTry tells what a revision would do, of all and of one shop, writes nothing, and foretells what is so once it is published.
func TestRulesTry(t *testing.T) {
	t.Parallel()
	env := triedFleet(t)
	file := "testdata/rules/tried.yaml"
	at := []string{"--id", "house", "--as-of", "2026-02-02"}
	golden(t, "rules/try.txt", must(t, env, append([]string{"rules", "try", file}, at...)...))
	golden(t, "rules/try-cove.txt", must(t, env, append([]string{"rules", "try", file, "--shop", "cove", "--horizon", "20"}, at...)...))
	wants(t, must(t, env, "rules", "try", file, "--id", "house", "--as-of", "2026-01-20", "--horizon", "10"), "after the days looked at", "--as-of")
	wants(t, must(t, env, "rules", "try", file, "--id", "house", "--as-of", "2026-01-20"), "until then nothing changes")
	// All was recorded today: as known in February there was neither a pack nor what it is for.
	wants(t, must(t, env, append([]string{"rules", "try", file, "--as-known", "2026-02-02"}, at...)...), "bcd-inspection      added", "regulator-overhaul  added")
	wants(t, must(t, env, "rules", "try", "--shipped", "gb-cylinders"), "gb-cylinders, tried: Cylinder", "0 with a clock of this pack that would change")

	got := tries(t, env, append(at, file)...)
	if got.UnitCount != "8" || got.NewlyBlockedCount != "1" || got.NewlyBlocked[0].AssetTag != "REG-2" || len(got.Rules) != 3 || got.Rules[1].Change != "CHANGE_ADDED" {
		t.Errorf("%+v", got)
	}
	if again := tries(t, env, append(at, file)...); string(again.Position) != string(got.Position) || len(got.Position) == 0 {
		t.Errorf("trying wrote something: from %s to %s", got.Position, again.Position)
	}
	wants(t, must(t, env, "rules", "list"), "house         1  2020-01-01")
	must(t, env, "rules", "publish", file, "--id", "house")
	is := tries(t, env, append(at, file)...)
	if is.Before != got.After || is.After != got.After || is.ChangedUnitCount != "0" || is.NewlyBlockedCount != "0" || is.NewlyFreeCount != "0" {
		t.Errorf("foretold %+v; once published %+v", got.After, is)
	}
	wants(t, must(t, env, "rules", "try", file, "--id", "house", "--as-of", "2026-02-02"), "0 with a clock of this pack that would change", "1 rule that the revision leaves alone, without a unit")
	wants(t, must(t, env, "unit", "show", "REG-2", "--as-of", "2026-02-02"), got.NewlyBlocked[0].Sentence)
}

// TestRulesTryPhasedIn: what is phased in is spread over weeks, which add up to the days.
func TestRulesTryPhasedIn(t *testing.T) {
	t.Parallel()
	var vests strings.Builder
	for i := range 60 {
		fmt.Fprintf(&vests, "VST-%02d,vest,cove,V%d,2024-05-01\n", i, i)
	}
	env := triedFleet(t, vests.String())
	raw, err := os.ReadFile("testdata/rules/tried.yaml")
	if err != nil {
		t.Fatal(err)
	}
	file := write(t, "house.yaml", strings.ReplaceAll(string(raw), "{atOnce: true}", "{days: 84}"))
	text := must(t, env, "rules", "try", file, "--as-of", "2026-02-02")
	wants(t, text, "week from", "No unit would be out from the first day")
	_, table, _ := strings.Cut(text, "week from")
	var sum int64
	var weeks int
	for line := range strings.Lines(table) {
		var day string
		var before, after int64
		if n, _ := fmt.Sscan(line, &day, &before, &after); n == 3 {
			sum, weeks = sum+after, weeks+1
		}
	}
	got := tries(t, env, file, "--as-of", "2026-02-02")
	if due, _ := got.After.DueClocks.Int64(); sum != due || due < 60 || got.dueAfter() != due || weeks < 12 || weeks > 14 {
		t.Errorf("%d in %d weeks, %d by day, %d in all\n%s", sum, weeks, got.dueAfter(), due, text)
	}
}

// TestRulesTryRefuses what could not be published, and files with problems as checking them does.
func TestRulesTryRefuses(t *testing.T) {
	t.Parallel()
	env := triedFleet(t)
	bad := write(t, "broken.yaml", brokenPack)
	whole := strings.Replace(brokenPack, "twelve", "12", 1)
	for _, tt := range []struct {
		args []string
		code int
		want []string
	}{
		{[]string{bad}, exitRejected, []string{bad + `:4:103: rules[0].limit.months: want a whole number`, "1 problem in " + bad}},
		{[]string{"testdata/rules/everything.yaml"}, exitUsage, []string{"2 packs or revisions", "one at a time"}},
		{[]string{"testdata/rules/tried.yaml", "--horizon", "731"}, exitUsage, []string{"--horizon 731", "1 to 730"}},
		{[]string{"testdata/rules/tried.yaml", "--as-of", "soon"}, exitUsage, []string{`--as-of "soon"`}},
		{[]string{"testdata/rules/tried.yaml", "--shipped", "us-cylinders"}, exitUsage, []string{"--shipped"}},
		{[]string{}, exitUsage, []string{"what to try?"}},
		{[]string{"--shipped", "us-cylinder"}, exitNotFound, []string{"us-cylinders"}},
		{[]string{write(t, "house.yaml", strings.Replace(whole, "2026", "2019", 1))}, exitRejected, []string{"2019-02-01", "2020-01-01"}},
		{[]string{write(t, "x.yaml", "name: orgs/elsewhere/rulePacks/x\n"+whole)}, exitRejected, []string{"--org elsewhere"}},
		{[]string{"testdata/rules/tried.yaml", "--shop", "atlantis"}, exitNotFound, []string{"atlantis"}},
	} {
		got := command(t, env, append([]string{"rules", "try"}, tt.args...)...)
		if got.code != tt.code || got.stdout != "" {
			t.Errorf("%v: exit code %d, want %d, printed %q: %s", tt.args, got.code, tt.code, got.stdout, got.err)
		}
		wants(t, got.err, tt.want...)
	}
}
