package main

import (
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"
)

// withFile is a folder with one file more.
func withFile(t *testing.T, files fs.FS, name, text string) fs.FS {
	t.Helper()
	out := fstest.MapFS{name: {Data: []byte(text)}}
	entries, err := fs.ReadDir(files, ".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		raw, err := fs.ReadFile(files, e.Name())
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = &fstest.MapFile{Data: raw}
	}
	return out
}

// TestEvaluateRules: packs of files and shipped ones judge beside those of the question, and in the place of those with the same id.
func TestEvaluateRules(t *testing.T) {
	t.Parallel()
	pack := func(name, title, date string) string {
		return strings.NewReplacer("twelve", "12", "Broken", title, "year: 2026", "year: "+date).Replace("name: rulePacks/" + name + "\n" + brokenPack)
	}
	question := `instant: 2026-06-05T12:00:00Z
units: [{unit: A, kind: cylinder, stays: [{timeZone: Europe/Lisbon, jurisdiction: US}], manufactureDate: {year: 2025, month: 1}}]
`
	held := write(t, "held.yaml", question+"rulePacks: [{name: orgs/reef/rulePacks/house, title: Old, effectiveDate: {year: 2026, month: 5, day: 1}, cautions: [old], rules: [{id: z, title: Z, activity: z, authority: AUTHORITY_HOUSE, source: {document: d}, limit: {months: 12}, blocks: [USE_FILL]}]}]\n")
	bare := write(t, "bare.yaml", question)
	house := write(t, "house.yaml", pack("house", "New", "2026")+"cautions: [new]\n")
	rules := func(args ...string) string {
		return must(t, []string{"COLUMNS=200"}, append([]string{"evaluate"}, args...)...)
	}
	if got := rules(held); !strings.Contains(got, "\n  old") || strings.Contains(got, "\n  new") {
		t.Errorf("without --rules:\n%s", got)
	}
	if got := rules(held, "--rules", house); strings.Contains(got, "\n  old") || strings.Contains(got, "rule z") || !strings.Contains(got, "new") || !strings.Contains(got, "rule a of pack house") {
		t.Errorf("with --rules:\n%s", got)
	}
	wants(t, rules(bare, "--rules", house, "--shipped", "us-cylinders"), "rule a of pack house", "of pack us-cylinders")
	two := write(t, "two.yaml", pack("house", "Early", "2025")+"---\n"+pack("house", "Late", "2026")+"---\n"+pack("house", "Later", "2026")+"cautions: [the last of a day holds]\n")
	wants(t, rules(bare, "--rules", two), "the last of a day holds")

	if o := commandIn(t, strings.Replace(brokenPack, "twelve", "12", 1), nil, "evaluate", bare, "--rules", "-"); o.code != exitRejected || !strings.Contains(o.err, "standard input:1:1: name: the pack states no name") {
		t.Errorf("a pack without a name from standard input: %+v", o)
	}
	if o := commandIn(t, question, nil, "evaluate", "-", "--rules", "-"); o.code != exitUsage || !strings.Contains(o.err, "both FILE and --rules") {
		t.Errorf("everything from standard input: %+v", o)
	}

	bad := write(t, "broken.yaml", brokenPack)
	for _, tt := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"--rules", bad}, exitRejected, bad + `:4:103: rules[0].limit.months: want a whole number, for example 12 (got "twelve")`},
		{[]string{"--rules", house, "--rules", two}, exitUsage, "both have the pack house: leave one out"},
		{[]string{"--rules", write(t, "us-cylinders.yaml", pack("us-cylinders", "Mine", "2026")), "--shipped", "us-cylinders"}, exitUsage, "both have the pack us-cylinders"},
		{[]string{"--shipped", "atlantis"}, exitNotFound, `no rule pack "atlantis" is shipped; there are au-cylinders`},
		{[]string{"--rules", bad + ".not"}, exitUsage, "no such file"},
	} {
		o := command(t, nil, append([]string{"evaluate", bare}, tt.args...)...)
		if o.code != tt.code || o.stdout != "" || !strings.Contains(o.err, tt.want) {
			t.Errorf("%v: exit code %d, want %d; %s, want %s", tt.args, o.code, tt.code, o.err, tt.want)
		}
	}
}
