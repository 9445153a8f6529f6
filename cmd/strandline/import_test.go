package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// sheetsIn writes spreadsheets into a folder: names and contents alternate.
func sheetsIn(t *testing.T, dir string, files ...string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(files); i += 2 {
		if err := os.WriteFile(filepath.Join(dir, files[i]), []byte(files[i+1]), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// imported is the JSON that import prints.
type imported struct {
	Items []struct {
		File, Type, Rows, Created, Unchanged, ProblemCount, Result, WaitingFor string
		Problems                                                               []struct {
			Line                       int64
			Column                     int
			ColumnName, Value, Problem string
			Remedy                     string
		}
	}
	DryRun bool
}

// rig is an org in a place of its own.
type rig struct {
	t *testing.T
	place
}

func newRig(t *testing.T) *rig {
	r := &rig{t, newPlace(t)}
	if o := command(t, r.env(), "org", "create", "sheets", "--name", "Sheets"); o.code != exitOK {
		t.Fatal(o)
	}
	return r
}

func (r *rig) run(want int, args ...string) outcome {
	r.t.Helper()
	o := command(r.t, r.env(), args...)
	if o.code != want {
		r.t.Fatalf("%v: exit code %d, want %d\n%s\n%s", args, o.code, want, o.stdout, o.err)
	}
	return o
}

func (r *rig) imports(want int, args ...string) (out imported) {
	r.t.Helper()
	o := r.run(want, append([]string{"import", "--output", "json"}, args...)...)
	if err := json.Unmarshal([]byte(o.stdout), &out); err != nil {
		r.t.Fatal(err, o.stdout)
	}
	return out
}

// A chain's files are checked together without writing, then imported, then found unchanged; and the counts agree.
func TestImportOfAFolder(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	dir := filepath.Join(t.TempDir(), "sheets")
	base, err := filepath.Glob(importData + "/base/*.csv")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range base {
		raw, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		sheetsIn(t, dir, filepath.Base(p), string(raw))
	}
	sheetsIn(t, dir,
		"fittings.csv", "part;host;place;from;to\nGB-FST-001;GB-REG-001;first stage;06.05.2024;\n",
		"amendments.csv", "tag,date,corrects,reason,dives\nGB-REG-001,2026-08-10,R-1,typed 40 instead of 4,4\n",
		"meters.csv", "tag,date,measure,reading,new start\nUS-CMP-001,2026-06-30,hours,412.5,\nUS-CMP-001,2026-07-31,hours,430,0\nUS-CMP-001,2026-08-31,hours,21.5,\n",
	)
	dry := r.imports(exitOK, "--dry-run", dir)
	if o := r.run(exitOK, "unit", "list", "--output", "json"); strings.Contains(o.stdout, "GB-REG-001") {
		t.Fatal("a dry run wrote units")
	}
	real := r.imports(exitOK, dir)
	again := r.imports(exitOK, dir)
	dryAgain := r.imports(exitOK, "--dry-run", dir)
	if len(dry.Items) != 9 || len(real.Items) != 9 {
		t.Fatalf("%+v", real)
	}
	for i, f := range real.Items {
		name := filepath.Base(f.File)
		if f.Result != "imported" || f.Created != f.Rows || f.Unchanged != "0" {
			t.Errorf("%s: %+v", name, f)
		}
		if d := dry.Items[i]; d.Result != "in-order" || d.Created != f.Created || d.Rows != f.Rows || d.ProblemCount != "0" {
			t.Errorf("%s: the dry run said %+v, the import %+v", name, d, f)
		}
		if x := again.Items[i]; x.Result != "imported" || x.Created != "0" || x.Unchanged != f.Rows {
			t.Errorf("%s again: %+v", name, x)
		}
		if x := dryAgain.Items[i]; x.Result != "in-order" || x.Created != "0" || x.Unchanged != f.Rows {
			t.Errorf("%s rehearsed again: %+v", name, x)
		}
	}
	if order := real.Items[0].Type + real.Items[8].Type; order != "shopsamendments" {
		t.Errorf("order %s", order)
	}
	// The amendment reached the entry: 4 + 3 + 3 dives instead of 46.
	o := r.run(exitOK, "history", "GB-REG-001")
	if !strings.Contains(o.stdout, "typed 40 instead of 4") {
		t.Error(o.stdout)
	}
}

// A file with a bad row is not imported at all; files that need it wait; the others are imported.
func TestImportIsWholeOrNotAtAll(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	dir := filepath.Join(t.TempDir(), "sheets")
	sheetsIn(t, dir,
		"shops.csv", "id,name,time_zone,jurisdiction\nharbour,Harbour Street,Europe/London,GB\n",
		"models.csv", "id,name,kind\nset,Regulator set,regulator-set\n",
		"units-good.csv", "tag,model,shop,commissioned\nA-1,set,harbour,2025-01-06\n",
		"units-bad.csv", "tag,model,shop,commissioned\nB-1,set,harbour,2025-01-06\nB-2,st,harbour,2025-01-06\n",
		"usage-a.csv", "tag,date,dives\nA-1,2025-06-01,4\n",
		"usage-b.csv", "tag,date,dives\nB-1,2025-06-01,4\n",
		"services.csv", "tag,date,activities,outcome\nA-1,2025-06-02,overhaul,pass\nA-1,2031-06-02,overhaul,pass\n",
	)
	want := map[string]string{"shops.csv": "imported", "models.csv": "imported", "units-good.csv": "imported", "units-bad.csv": "rejected", "usage-a.csv": "imported", "usage-b.csv": "waiting", "services.csv": "rejected"}
	report := filepath.Join(t.TempDir(), "report.csv")
	out := r.imports(exitRejected, "--report", report, dir)
	for _, f := range out.Items {
		name := filepath.Base(f.File)
		if f.Result != want[name] {
			t.Errorf("%s: %s, want %s (%+v)", name, f.Result, want[name], f.Problems)
		}
		if name == "usage-b.csv" && filepath.Base(f.WaitingFor) != "units-bad.csv" {
			t.Errorf("%s waits for %q", name, f.WaitingFor)
		}
		for _, p := range f.Problems {
			if p.Line == 0 || p.Column == 0 || p.ColumnName == "" || p.Value == "" || p.Problem == "" || p.Remedy == "" {
				t.Errorf("%s: %+v says too little", name, p)
			}
		}
	}
	units := r.run(exitOK, "unit", "list").stdout
	if !strings.Contains(units, "A-1") || strings.Contains(units, "B-1") {
		t.Errorf("units:\n%s", units)
	}
	if h := r.run(exitOK, "history", "A-1").stdout; !strings.Contains(h, "4 dives") || strings.Contains(h, "overhaul") {
		t.Errorf("history:\n%s", h)
	}
	raw, err := os.ReadFile(report)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(raw)).ReadAll()
	if err != nil || len(rows) != 3 {
		t.Errorf("report: %v %v", rows, err)
	}
	// Corrected, the rest comes in, and what was there is unchanged.
	sheetsIn(t, dir, "units-bad.csv", "tag,model,shop,commissioned\nB-1,set,harbour,2025-01-06\n", "services.csv", "tag,date,activities,outcome\nA-1,2025-06-02,overhaul,pass\n")
	for _, f := range r.imports(exitOK, dir).Items {
		if f.Result != "imported" {
			t.Errorf("%+v", f)
		}
	}
}

// What only the server can know comes back with the file's line and column.
func TestImportProblemsOfTheServer(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	dir := filepath.Join(t.TempDir(), "sheets")
	sheetsIn(t, dir,
		"shops.csv", "id,name,time_zone,jurisdiction\nharbour,Harbour Street,Europe/London,GB\n",
		"models.csv", "id,name,kind\nset,Regulator set,regulator-set\nfirst,First stage,first-stage\n",
		"units.csv", "tag,model,shop,commissioned\nA-1,set,harbour,2025-01-06\nA-2,set,harbour,2025-01-06\nF-1,first,harbour,2025-01-06\n",
		"fittings.csv", "part,host,from,to\nF-1,A-1,2025-01-06,2025-06-01\n",
		"usage.csv", "tag,date,dives,reference\nA-1,2025-06-01,4,R-1\n",
	)
	r.imports(exitOK, dir)
	for _, c := range []struct {
		name, content string
		line          int64
		column        int
	}{
		// The same unit with another model; a part in two places; a reference used before with other dives.
		{"units.csv", "tag,model,shop,commissioned\nA-2,set,harbour,2025-01-06\nA-1,first,harbour,2025-01-06\n", 3, 2},
		{"fittings.csv", "part,host,from,to\nF-1,A-1,2025-01-06,2025-06-01\n\nF-1,A-2,2025-05-01,\n", 4, 0},
		{"usage.csv", "tag,date,dives,reference\nA-2,2025-06-01,4,R-1\nA-1,2025-06-01,5,R-1\n", 3, 1},
	} {
		other := filepath.Join(t.TempDir(), "other")
		sheetsIn(t, other, c.name, c.content)
		for _, args := range [][]string{{other}, {"--dry-run", other}} {
			out := r.imports(exitRejected, args...)
			f := out.Items[0]
			if f.Result != "rejected" || len(f.Problems) == 0 {
				t.Errorf("%s: %+v", c.name, f)
				continue
			}
			if p := f.Problems[0]; p.Line != c.line || c.column > 0 && p.Column != c.column || p.Problem == "" || p.Remedy == "" {
				t.Errorf("%s: %+v", c.name, p)
			} else {
				t.Logf("%s:%d: column %d (%s): %q: %s; %s", c.name, p.Line, p.Column, p.ColumnName, p.Value, p.Problem, p.Remedy)
			}
		}
	}
}

func TestImportTemplate(t *testing.T) {
	for _, typ := range fileTypes {
		o := command(t, nil, "import", "--template", typ.name)
		if o.code != exitOK || o.stdout != typ.template() {
			t.Errorf("%s: %+v", typ.name, o)
		}
	}
	for _, args := range [][]string{
		{"import"}, {"import", "--template", "boats"}, {"import", "--as", "boats", "x.csv"}, {"import", "--encoding", "latin", "x.csv"}, {"import", "--date-order", "ymd", "x.csv"}, {"import", t.TempDir()},
	} {
		if o := command(t, nil, append(args, "--data", filepath.Join(t.TempDir(), "none"))...); o.code != exitUsage {
			t.Errorf("%v: exit code %d\n%s", args, o.code, o.err)
		}
	}
	if o := command(t, nil, "import", "nowhere/units.csv"); o.code != exitNotFound {
		t.Errorf("exit code %d\n%s", o.code, o.err)
	}
}
