package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"strandline.example/strandline/internal/doctest"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/procedure"
)

// TestProceduresCheck: problems are lines of file, line and column, without any server; procedures are lines of a table.
func TestProceduresCheck(t *testing.T) {
	t.Parallel()
	nothing := filepath.Join(t.TempDir(), "none")
	env := []string{"STRANDLINE_DATA=" + nothing}
	golden(t, "procedures/check.txt", must(t, env, "procedures", "check", "testdata/procedures/everything.yaml"))

	const broken = "revision: 1\ntitle: Broken\nkinds: [bcd]\npurpose: a\nactivities: [a]\nqualification: a\ncautions: [Local code and the maker's manual win.]\nsteps: [{id: a, do: A., critical: maybe}]\n"
	bad := write(t, "broken.yaml", broken)
	const problem = `:8:35: steps[0].critical: want true or false (got "maybe")` + "\n"
	o := command(t, env, "procedures", "check", bad, "testdata/procedures/everything.yaml")
	if o.code != exitRejected || o.stdout != bad+problem {
		t.Errorf("exit code %d, printed\n%swant\n%s", o.code, o.stdout, bad+problem)
	}
	wants(t, o.err, "1 problem in 1 file", "PROCEDURE_INVALID")
	o = commandIn(t, broken, env, "procedures", "check", "-")
	wants(t, o.stdout, "standard input"+problem)
	wants(t, commandIn(t, strings.Replace(broken, "maybe", "true", 1), env, "procedures", "check", "-").stdout, "standard-input ")

	o = command(t, env, "procedures", "check", bad, "testdata/procedures/everything.yaml", "--output", "json")
	var out struct {
		Items []struct {
			ID         string
			Revision   int
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
	if len(out.Items) != 2 || out.Items[1].ID != "everything" || out.Items[1].Revision != 2 || len(out.Items[1].FromMemory) != 3 ||
		len(out.Problems) != 1 || out.Problems[0].File != bad || out.Problems[0].Line != 8 || out.Problems[0].Column != 35 || out.Problems[0].Value != "maybe" || out.Problems[0].Field != "steps[0].critical" {
		t.Errorf("for programs: %+v", out)
	}
	for _, args := range [][]string{{"procedures", "check"}, {"procedures", "check", filepath.Join(nothing, "x.yaml")}} {
		if o := command(t, env, args...); o.code != exitUsage {
			t.Errorf("%v: exit code %d", args, o.code)
		}
	}
	if _, err := os.Stat(nothing); !os.IsNotExist(err) {
		t.Errorf("checking left something in the data folder: %v", err)
	}
}

// TestProceduresCheckBad: every mistake in testdata/procedures/bad is told.
func TestProceduresCheckBad(t *testing.T) {
	t.Parallel()
	checkBad(t, "procedures", 50)
}

// TestProceduresShipped: the shipped procedures are listed and shown without a server; as YAML each is its file, which has no problems.
func TestProceduresShipped(t *testing.T) {
	t.Parallel()
	nothing := filepath.Join(t.TempDir(), "none")
	env := []string{"STRANDLINE_DATA=" + nothing}
	ids, err := procedure.Shipped.IDs()
	if err != nil || len(ids) == 0 {
		t.Fatal(ids, err)
	}
	list := must(t, env, "procedures", "list")
	for _, id := range ids {
		wants(t, list, "\n"+id+" ")
		wants(t, must(t, env, "procedures", "show", id), id+"  revision 1 of ", "Cautions", "Local code and the maker's manual win", "passes if", "source")
		wants(t, must(t, env, "procedures", "check", write(t, id+".yaml", must(t, env, "procedures", "show", id, "--yaml"))), "\n"+id+" ")
	}
	for args, want := range map[string]string{"show atlantis": ids[0], "show " + ids[0] + " --revision 7": "the last is 1"} {
		if o := command(t, env, append([]string{"procedures"}, strings.Fields(args)...)...); o.code != exitNotFound || !strings.Contains(o.err, want) {
			t.Errorf("%s: %+v", args, o)
		}
	}
	if o := command(t, env, "procedures", "show", ids[0], "--yaml", "--revision", "1"); o.code != exitUsage {
		t.Errorf("exit code %d", o.code)
	}
	var listed struct{ Items []struct{ Name string } }
	if err := json.Unmarshal([]byte(must(t, env, "procedures", "list", "--output", "json")), &listed); err != nil || len(listed.Items) != len(ids) || listed.Items[0].Name != "procedures/"+ids[0] {
		t.Errorf("for programs: %v, %+v", err, listed)
	}
	if _, err := os.Stat(nothing); !os.IsNotExist(err) {
		t.Errorf("it left something in the data folder: %v", err)
	}
}

// TestProceduresShow: everything that a procedure states is shown, for people and for programs.
func TestProceduresShow(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("testdata/procedures/everything.yaml")
	if err != nil {
		t.Fatal(err)
	}
	show := func(args ...string) string {
		t.Helper()
		return shelved(t, procedure.Library{FS: withFile(t, procedure.Shipped, "everything.yaml", string(raw))}, append([]string{"procedures", "show", "everything"}, args...)...)
	}
	golden(t, "procedures/show.txt", show())
	wants(t, show("--revision", "1"), "revision 1 of Everything", " 1 !  look")
	var p struct {
		Name     string
		Revision int
		Steps    []struct{ ID string }
	}
	if err := json.Unmarshal([]byte(show("--output", "json")), &p); err != nil || p.Name != "procedures/everything" || p.Revision != 2 || len(p.Steps) != 5 {
		t.Errorf("for programs: %v, %+v", err, p)
	}
	if got := show("--yaml"); got != string(raw) {
		t.Errorf("the file is not itself:\n%s", got)
	}
}

// addingProcedures is the section of DEVELOPERS.md for authors of procedures, which is run here: its file, its commands and its table.
const addingProcedures = "Adding a procedure"

// TestProceduresDevelopers: the section's commands succeed, and print what stands below them; its procedure, put beside the shipped ones, is listed and shown as
// they are, by the same code.
func TestProceduresDevelopers(t *testing.T) {
	s := doctest.Read(t, developers, addingProcedures)
	file := fileOf(t, s, "lagoon-suit.yaml")
	shelf := procedure.Library{FS: withFile(t, procedure.Shipped, "lagoon-suit.yaml", file)}
	wants(t, shelved(t, shelf, "procedures", "list"), "\nlagoon-suit ", "\nsecond-stage-overhaul ")
	wants(t, shelved(t, shelf, "procedures", "show", "lagoon-suit"), "Leak test of a dry suit at the lagoon", "0.125 turn", "drop is at most 2 mbar difference")
	ran, compared := runSection(t, newRig(t), s)
	if !ran["procedures check"] || compared < 1 {
		t.Errorf("the section runs %v, and %d answers were compared", ran, compared)
	}
}

// TestProceduresDevelopersFields: the section's table names every field that a procedure may state, and no other.
func TestProceduresDevelopersFields(t *testing.T) {
	t.Parallel()
	s := doctest.Read(t, developers, addingProcedures)
	if len(s.Tables) != 1 {
		t.Fatalf("%d tables", len(s.Tables))
	}
	known := map[string]bool{}
	walk((&historypb.Procedure{}).ProtoReflect().Descriptor(), "", known)
	fieldsIn(t, s.Tables[0], []string{"revision", "title"}, known)
}

// shelved runs a command of a program that comes with other procedures, and returns what it printed.
func shelved(t *testing.T, shelf procedure.Library, args ...string) string {
	t.Helper()
	var out, talk bytes.Buffer
	a := newApp(strings.NewReader(""), &out, &talk, []string{"COLUMNS=110", "STRANDLINE_DATA=" + filepath.Join(t.TempDir(), "none")})
	a.procedures = shelf
	if code := a.run(t.Context(), args); code != exitOK {
		t.Fatalf("%v: exit code %d: %s", args, code, talk.String())
	}
	return out.String()
}

// TestProceduresPublish: a copy of a shipped procedure is published under another name, listed, shown and given back as it was written; a change gets the next revision.
func TestProceduresPublish(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	shipped := r.run(exitOK, "procedures", "show", "gauge-comparison", "--yaml").stdout
	ours := write(t, "our-gauges.yaml", "# Copied.\n"+shipped)
	o := r.run(exitOK, "procedures", "publish", ours, "--dry-run")
	wants(t, o.err, "nothing was written")
	r.run(exitNotFound, "procedures", "show", "our-gauges", "--own")
	wants(t, r.run(exitOK, "procedures", "publish", ours).stdout, "our-gauges: revision 1 of ")
	wants(t, r.run(exitOK, "procedures", "publish", ours).stdout, "our-gauges: revision 1 of ")
	list := r.run(exitOK, "procedures", "list", "--own").stdout
	wants(t, list, "\nour-gauges ", "\ngauge-comparison ", "with Strandline", "published")
	if strings.Contains(r.run(exitOK, "procedures", "list").stdout, "our-gauges") {
		t.Error("it is listed with what is shipped")
	}
	wants(t, r.run(exitOK, "procedures", "show", "our-gauges", "--own").stdout, "our-gauges  revision 1 of ", "Local code and the maker's manual win", "Published 20", " by cli")
	if again := r.run(exitOK, "procedures", "show", "our-gauges", "--own", "--yaml").stdout; again != "# Copied.\n"+shipped {
		t.Errorf("it is given back as\n%s", again)
	}
	if again := r.run(exitOK, "procedures", "show", "gauge-comparison", "--own", "--yaml").stdout; again != shipped {
		t.Error("a shipped one is given back otherwise")
	}
	wants(t, r.run(exitRejected, "procedures", "publish", write(t, "gauge-comparison.yaml", shipped)).err, "PROCEDURE_INVALID", "our-gauge-comparison")
	changed := write(t, "our-gauges.yaml", strings.Replace(shipped, "title: ", "title: Other ", 1))
	wants(t, r.run(exitRejected, "procedures", "publish", changed).err, "ALREADY_EXISTS", "state revision 2")
	next := write(t, "next.yaml", strings.Replace(strings.Replace(shipped, "title: ", "title: Other ", 1), "revision: 1", "revision: 2", 1))
	wants(t, r.run(exitOK, "procedures", "publish", next, "--id", "our-gauges").stdout, "our-gauges: revision 2 of Other ")
	wants(t, r.run(exitOK, "procedures", "show", "our-gauges", "--own", "--revision", "1").stdout, "our-gauges  revision 1 of ")
	bad := write(t, "bad.yaml", strings.Replace(shipped, "revision: 1", "revision: one", 1))
	wants(t, r.run(exitRejected, "procedures", "publish", bad).err, bad+":", "revision: want", "PROCEDURE_INVALID", "Nothing was written")
}
