package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/testdata/demo"
	"strandline.example/strandline/testdata/demo/scenario"
)

// The committed sheets are what the generator writes; if not: go run ./testdata/demo/generate
func TestDemoSheetsAreFresh(t *testing.T) {
	t.Parallel()
	files, again := scenario.Files(), scenario.Files()
	total := 0
	for name, want := range files {
		got, err := demo.Files.ReadFile(name)
		if err != nil {
			t.Error(err)
			continue
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs from what the generator writes", name)
		}
		if !bytes.Equal(want, again[name]) {
			t.Errorf("%s is not the same twice", name)
		}
		total += len(got)
	}
	if on, err := fs.Glob(demo.Files, "*.csv"); err != nil || len(on) != len(files) {
		t.Errorf("%d sheets are embedded, %d generated (%v)", len(on), len(files), err)
	}
	if total > 4<<20 {
		t.Errorf("the sheets have %d bytes", total)
	}
}

// Every sheet of the demo is in good order by what can be checked without a server.
func TestDemoSheetsAreInOrder(t *testing.T) {
	t.Parallel()
	files, err := demoFiles()
	if err != nil {
		t.Fatal(err)
	}
	im := offline(t)
	good := checkAll(t, im, files)
	rows := 0
	for _, f := range files {
		for _, p := range f.problems {
			t.Error(p)
		}
		if f.typ.name != "technicians" && int64(good[f]) != f.rows {
			t.Errorf("%s: %d of %d rows are good", f.label, good[f], f.rows)
		}
		rows += good[f]
	}
	if units := len(im.world.units); units < 340 || units > 380 {
		t.Errorf("%d units", units)
	}
	if rows < 5000 {
		t.Errorf("%d rows", rows)
	}
}

// demoAt runs the demo at an instant and returns its report and what it told on the way.
func demoAt(t testing.TB, now time.Time, flags ...string) (report, told string) {
	t.Helper()
	var out, errw bytes.Buffer
	a := &app{out: &out, err: &errw, env: map[string]string{}, clk: clock.NewFake(now), columns: 100}
	root := newRootCmd(a)
	root.SetArgs(append([]string{"demo"}, flags...))
	cmd, err := root.ExecuteContextC(t.Context())
	if cerr := a.close(); err == nil {
		err = cerr
	}
	if code := a.report(cmd, err); code != exitOK {
		t.Fatalf("exit code %d\n%s\n%s", code, out.String(), errw.String())
	}
	return out.String(), errw.String()
}

// The report is the same for everyone, on every run, and whenever it is asked for: it is about a stated day.
func TestDemo(t *testing.T) {
	data := t.TempDir()
	first, told := demoAt(t, demoBegin, "--data", data)
	golden(t, "demo.txt", strings.ReplaceAll(first, data, "DATA"))
	for _, want := range []string{"0 unchanged", "compliance has seen it all"} {
		if !strings.Contains(told, want) {
			t.Errorf("the first run did not tell %q:\n%s", want, told)
		}
	}
	second, told := demoAt(t, time.Date(2027, 3, 1, 8, 0, 0, 0, time.UTC), "--data", data)
	if second != first {
		t.Errorf("the second run, months later, reports something else:\n%s", second)
	}
	if strings.Count(told, " 0 new,") != 2 {
		t.Errorf("the second run wrote something:\n%s", told)
	}

	// A service at the bench, from intake to certificate, and once more when it was played.
	played, _ := demoAt(t, demoBegin, "bench", "--data", data)
	golden(t, "demo-bench.txt", played)
	again, _ := demoAt(t, demoBegin, "bench", "--data", data)
	if rest := played[strings.Index(played, "The day after"):]; !strings.HasPrefix(again, "The service was played before.") || !strings.HasSuffix(again, rest) {
		t.Errorf("the second time:\n%s", again)
	}

	// A Saturday at the counters, and once more when it was played. How many changes a copy takes in is chance: what was overtaken is left out.
	saturday, _ := demoAt(t, demoBegin.Add(40*time.Minute), "saturday", "--data", data)
	golden(t, "demo-saturday.txt", tookIn.ReplaceAllString(saturday, "took in N changes"))
	again, _ = demoAt(t, demoBegin.Add(9*time.Hour), "saturday", "--data", data)
	evening := tookIn.ReplaceAllString(saturday[strings.Index(saturday, "The chain in the evening"):], "")
	if !strings.HasPrefix(again, "The Saturday was played before.") || !strings.HasSuffix(tookIn.ReplaceAllString(again, ""), evening) {
		t.Errorf("the second time:\n%s", again)
	}
}

var tookIn = regexp.MustCompile(`took in [0-9]+ changes?`)

// Every unit of the demo that stands alone is under some rule: what no rule covers is never handed out.
func TestDemoIsCoveredByRules(t *testing.T) {
	t.Parallel()
	o := command(t, demoPlace(t).env(), "available", "--from", "2026-11-21T12:00:00Z", "--to", "2026-11-22T12:00:00Z", "--output", "json")
	if o.code != exitOK || strings.Count(o.stdout, `"assetTag"`) < 150 {
		t.Fatalf("exit code %d\n%s\n%s", o.code, o.err, o.stdout)
	}
	if strings.Contains(o.stdout, "NO_RULE") {
		t.Error("some unit is under no rule")
	}
}

// The demo's fleet answers for the day of the report, for a day before it, and as known before anything of it was recorded.
func TestDemoAtInstants(t *testing.T) {
	t.Parallel()
	env := demoPlace(t).env()
	due := func(flags ...string) string {
		o := command(t, env, append([]string{"due", "--limit", "0"}, flags...)...)
		if o.code != exitOK {
			t.Fatalf("%v: exit code %d\n%s", flags, o.code, o.err)
		}
		return o.stdout
	}
	for _, tt := range []struct {
		flags     []string
		want, not string
	}{
		{[]string{"--as-of", "2026-11-20", "--as-known", "2026-11-22"}, "2026-10-31  overdue *  US-CYL-004 ", "no such unit"},
		{[]string{"--as-of", "2026-10-31", "--as-known", "2026-11-22"}, "2026-10-31  due        US-CYL-004 ", "overdue *  US-CYL-004 "},
		{[]string{"--as-of", "2026-11-20", "--as-known", "2026-11-20"}, "By date: nothing is due", "US-CYL-004"}, // brought in on the 21st
	} {
		got := due(tt.flags...)
		// Columns are as wide as what is in them.
		if squeezed := strings.Join(strings.Fields(got), " "); !strings.Contains(squeezed, strings.Join(strings.Fields(tt.want), " ")) || strings.Contains(squeezed, tt.not) {
			t.Errorf("due %v does not say %q, or says %q:\n%s", tt.flags, tt.want, tt.not, got)
		}
	}
}

// Every question about the demo's fleet and its rules is answered as of a day, by what is known and by what was known: all of it was recorded on the
// 21st, so as known on the 20th there is nothing, and as known on the 22nd the answer is that of today.
func TestDemoAtTwoTimes(t *testing.T) {
	t.Parallel()
	env := demoPlace(t).env("COLUMNS=200")
	pack := filepath.Join(t.TempDir(), "house.yaml")
	ask := func(code int, args ...string) string {
		t.Helper()
		o := command(t, env, args...)
		if o.code != code {
			t.Fatalf("%v: exit code %d, want %d\n%s", args, o.code, code, o.err)
		}
		return o.stdout + o.err
	}
	if err := os.WriteFile(pack, []byte(ask(exitOK, "rules", "show", "house", "--yaml")), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		args          []string
		want, nothing string
		code          int // as known before
	}{
		{[]string{"due", "--by", "date"}, "GB-BCD-007", "nothing is due", exitOK},
		{[]string{"explain", "GB-BCD-007"}, "the last day of use is 2026-10-29", "not on record yet", exitNotFound},
		{[]string{"unit", "show", "GB-BCD-007"}, "may be handed out  no", "not on record yet", exitNotFound},
		{[]string{"forecast", "US-CMP-001"}, "2026-12-12", "not on record yet", exitNotFound},
		{[]string{"holds"}, "US-SND-007", "No holds", exitOK},
		{[]string{"summary"}, "sandbar   ", "all", exitOK},
		{[]string{"rules", "list"}, "us-cylinders", "No rule packs", exitOK},
		{[]string{"rules", "show", "house"}, "revision 1 of House policy", "has no revision in force on 2026-11-20 that was published by", exitNotFound},
		{[]string{"rules", "try", pack}, "360 units looked at", "0 units looked at", exitOK},
		{[]string{"waivers", "list"}, "No waivers", "No waivers", exitOK},
		{[]string{"notices"}, "No notices", "No notices", exitOK},
	} {
		at := append(slices.Clone(tt.args), "--as-of", "2026-11-20")
		now := ask(exitOK, at...)
		wants(t, now, tt.want)
		then := ask(exitOK, append(at, "--as-known", "2026-11-22")...)
		// What is said of the known time itself may differ, nothing else.
		if then = knownAt.ReplaceAllString(then, ""); then != now {
			t.Errorf("%v: now\n%s\nas known on the 22nd\n%s", tt.args, now, then)
		}
		before := ask(tt.code, append(at, "--as-known", "2026-11-20")...)
		wants(t, before, tt.nothing)
		if tt.args[0] == "summary" && strings.Contains(before, "sandbar") {
			t.Errorf("a shop is counted before it was on record:\n%s", before)
		}
	}
}

var knownAt = regexp.MustCompile(`, as known at 2026-11-22 [0-9]{2}:[0-9]{2}Z?`)

func TestLiftsAll(t *testing.T) {
	t.Parallel()
	a, b, ab, abc, cd := []string{"visual-inspection"}, []string{"hydrostatic-test"}, []string{"visual-inspection", "hydrostatic-test"},
		[]string{"inspection", "visual-inspection", "hydrostatic-test"}, []string{"inspection", "overhaul"}
	for _, tt := range []struct {
		give [][]string
		want string
	}{
		{nil, ""},
		{[][]string{nil}, ""},
		{[][]string{ab}, "visual inspection or hydrostatic test"},
		{[][]string{a, b}, "visual inspection and hydrostatic test"},
		{[][]string{abc, ab}, "visual inspection or hydrostatic test"},
		{[][]string{ab, ab, nil}, "visual inspection or hydrostatic test"},
		{[][]string{ab, cd}, "visual inspection or hydrostatic test; and inspection or overhaul"},
	} {
		if got := liftsAll(tt.give); got != tt.want {
			t.Errorf("%v: %q, want %q", tt.give, got, tt.want)
		}
	}
}
