package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"strandline.example/strandline/services/compliance/packs"
)

const brokenPack = `title: Broken
effectiveDate: {year: 2026, month: 2, day: 1}
rules:
  - {id: a, title: A, activity: a, authority: AUTHORITY_HOUSE, source: {document: d}, limit: {months: twelve}, blocks: [USE_FILL]}
`

// write puts a file into a folder of the test's own and returns its path.
func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestRulesCheck: problems are lines of file, line and column, without any server; packs are lines of a table.
func TestRulesCheck(t *testing.T) {
	t.Parallel()
	nothing := filepath.Join(t.TempDir(), "none")
	env := []string{"STRANDLINE_DATA=" + nothing}
	got := must(t, env, "rules", "check", "testdata/rules/everything.yaml", "testdata/rules/house.yaml")
	golden(t, "rules/check.txt", got)

	bad := write(t, "broken.yaml", brokenPack)
	o := command(t, env, "rules", "check", bad, "testdata/rules/house.yaml")
	if want := bad + `:4:103: rules[0].limit.months: want a whole number, for example 12 (got "twelve")` + "\n"; o.code != exitRejected || o.stdout != want {
		t.Errorf("exit code %d, printed\n%swant\n%s", o.code, o.stdout, want)
	}
	wants(t, o.err, "1 problem in 1 file", "RULE_PACK_INVALID")
	o = commandIn(t, brokenPack, env, "rules", "check", "-")
	wants(t, o.stdout, "standard input:4:103: rules[0].limit.months: ")
	wants(t, o.err, "1 problem in standard input")

	o = command(t, env, "rules", "check", bad, "testdata/rules/everything.yaml", "--output", "json")
	var out struct {
		Items []struct {
			ID         string
			Rules      int
			FromMemory []string
		}
		Problems []struct {
			File, Field, Text, Value string
			Line, Column             int
		}
	}
	if err := json.Unmarshal([]byte(o.stdout), &out); err != nil || o.code != exitRejected {
		t.Fatal(err, o)
	}
	if len(out.Items) != 2 || out.Items[1].ID != "everything" || out.Items[1].Rules != 3 || len(out.Items[1].FromMemory) != 1 ||
		len(out.Problems) != 1 || out.Problems[0].Line != 4 || out.Problems[0].Column != 103 || out.Problems[0].Value != "twelve" || out.Problems[0].Field != "rules[0].limit.months" {
		t.Errorf("for programs: %+v", out)
	}

	for _, args := range [][]string{{"rules", "check"}, {"rules", "check", filepath.Join(nothing, "x.yaml")}} {
		if o := command(t, env, args...); o.code != exitUsage {
			t.Errorf("%v: exit code %d", args, o.code)
		}
	}
	if _, err := os.Stat(nothing); !os.IsNotExist(err) {
		t.Errorf("checking left something in the data folder: %v", err)
	}
}

// TestRulesCheckBad: every mistake in testdata/rules/bad is told.
func TestRulesCheckBad(t *testing.T) {
	t.Parallel()
	checkBad(t, "rules", 60)
}

// TestRulesPublish: what a file holds is published in its order, called as the file says or is called; nothing of a file with a problem.
func TestRulesPublish(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	o := r.run(exitOK, "rules", "publish", "testdata/rules/everything.yaml", "--dry-run")
	wants(t, o.err, "nothing was written")
	wants(t, r.run(exitOK, "rules", "list").err, "No rule packs")
	o = r.run(exitOK, "rules", "publish", "testdata/rules/everything.yaml")
	wants(t, o.stdout, "everything: revision 1 of Everything a rule can state with 1 rule, in force from 2025-01-01.\n",
		"everything: revision 2 of Everything a rule can state with 3 rules, in force from 2026-02-01. The figures of 1 rule are from memory.\n")
	wants(t, r.run(exitOK, "rules", "publish", "testdata/rules/house.yaml").stdout, "house: revision 1 of")
	wants(t, r.run(exitOK, "rules", "publish", "testdata/rules/house.yaml", "--id", "other").stdout, "other: revision 1 of")
	wants(t, r.run(exitOK, "rules", "publish", "--shipped", "us-cylinders,gb-cylinders").stdout, "us-cylinders: revision 1 of", "gb-cylinders: revision 1 of")

	bad := write(t, "broken.yaml", brokenPack+"---\n"+brokenPack)
	o = r.run(exitRejected, "rules", "publish", bad)
	wants(t, o.err, bad+":4:103: rules[0].limit.months: ", bad+":9:103: ", "2 problems in "+bad, "Nothing was written.")
	o = r.run(exitUsage, "rules", "publish", "testdata/rules/everything.yaml", "--id", "house")
	wants(t, o.err, "everything.yaml:2 names the pack everything, and --id house")
	foreign := write(t, "x.yaml", "name: orgs/elsewhere/rulePacks/x\n"+strings.Replace(brokenPack, "twelve", "12", 1))
	wants(t, r.run(exitRejected, "rules", "publish", foreign).err, "orgs/elsewhere/rulePacks/x", "--org elsewhere")
	unnamed := write(t, "My rules.yaml", strings.Replace(brokenPack, "twelve", "12", 1))
	wants(t, r.run(exitRejected, "rules", "publish", unnamed).err, "My rules.yaml:1:1: name: ", "rulePacks/{pack}")
	r.run(exitOK, "rules", "publish", unnamed, "--id", "mine")
	wants(t, r.run(exitNotFound, "rules", "publish", "--shipped", "us-cylinder").err, `"us-cylinder"`, "us-cylinders")
	r.run(exitUsage, "rules", "publish")
	r.run(exitUsage, "rules", "publish", bad, "--shipped", "us-cylinders")

	list := r.run(exitOK, "rules", "list").stdout
	for _, id := range []string{"everything", "gb-cylinders", "house", "mine", "other", "us-cylinders"} {
		wants(t, list, "\n"+id+" ")
	}
	if strings.Contains(list, "\nx ") || strings.Contains(list, "\nbroken ") {
		t.Errorf("a pack that was refused is there:\n%s", list)
	}
}

// TestRulesShow: everything that a pack states is shown, and as YAML it is a file that is checked, and published without change.
func TestRulesShow(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(exitOK, "rules", "publish", "testdata/rules/everything.yaml")
	o := command(t, r.env("COLUMNS=110"), "rules", "show", "everything")
	golden(t, "rules/show.txt", o.stdout)
	wants(t, r.run(exitOK, "rules", "show", "everything", "--revision", "1").stdout, "revision 1 of", "36 months")

	text := r.run(exitOK, "rules", "show", "everything", "--yaml").stdout
	golden(t, "rules/show.yaml", text)
	file := write(t, "again.yaml", text)
	wants(t, r.run(exitOK, "rules", "check", file).stdout, "everything  2026-02-01")
	wants(t, r.run(exitOK, "rules", "publish", file).stdout, "everything: revision 2 of")
}

// TestRulesShipped: the shipped packs are listed and shown without a server; as YAML each is its file, which has no problems.
func TestRulesShipped(t *testing.T) {
	t.Parallel()
	nothing := filepath.Join(t.TempDir(), "none")
	env := []string{"STRANDLINE_DATA=" + nothing}
	ids, err := packs.Shipped.IDs()
	if err != nil || len(ids) == 0 {
		t.Fatal(ids, err)
	}
	list := must(t, env, "rules", "list", "--shipped")
	for _, id := range ids {
		wants(t, list, "\n"+id+" ")
		wants(t, must(t, env, "rules", "show", id, "--shipped"), id+"  as shipped: ", "source")
		wants(t, must(t, env, "rules", "check", write(t, id+".yaml", must(t, env, "rules", "show", id, "--shipped", "--yaml"))), "\n"+id+" ")
	}
	if o := command(t, env, "rules", "show", "atlantis", "--shipped"); o.code != exitNotFound || !strings.Contains(o.err, ids[0]) {
		t.Errorf("a pack that is not shipped: %+v", o)
	}
	for _, args := range [][]string{{"rules", "list", "--shipped", "--as-of", "2026-01-01"}, {"rules", "show", ids[0], "--shipped", "--revision", "2"}} {
		if o := command(t, env, args...); o.code != exitUsage {
			t.Errorf("%v: exit code %d", args, o.code)
		}
	}
	if _, err := os.Stat(nothing); !os.IsNotExist(err) {
		t.Errorf("it left something in the data folder: %v", err)
	}
}
