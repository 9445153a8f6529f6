package main

import (
	"bytes"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

const importData = "../../testdata/import"

// offline is an importer that has no server: rows are checked against what the files of base define.
func offline(t testing.TB) *importer {
	t.Helper()
	now := time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)
	a := &app{out: io.Discard, err: io.Discard, clk: clock.NewFake(now)}
	return &importer{app: a, ctx: t.Context(), world: newWorld(tenant.Must("sheets"), now), targets: &targets{tags: map[string]bool{}, rows: map[string][]target{}}, local: map[string]bool{}}
}

// onDisk returns an import file of the disk, with its base name as label.
func onDisk(t testing.TB, path string) *importFile {
	t.Helper()
	types := typesOf(path)
	if len(types) != 1 {
		t.Fatalf("%s says %d types", path, len(types))
	}
	return newImportFile(filepath.Base(path), types[0], 0, func() (io.ReadCloser, error) { return os.Open(path) })
}

// checkAll checks files in the order of an import and returns how many rows of each were good.
func checkAll(t testing.TB, im *importer, files []*importFile) map[*importFile]int {
	t.Helper()
	sortFiles(files)
	im.files = files
	if err := im.lookFor(files); err != nil {
		t.Fatal(err)
	}
	good := map[*importFile]int{}
	for _, f := range files {
		if err := im.walk(f, false, nil, func(int64, proto.Message) error { good[f]++; return nil }); err != nil {
			t.Fatal(f.label, err)
		}
	}
	return good
}

func base(t testing.TB) []*importFile {
	t.Helper()
	paths, err := filepath.Glob(importData + "/base/*.csv")
	if err != nil || len(paths) < 6 {
		t.Fatal(paths, err)
	}
	var files []*importFile
	for _, p := range paths {
		files = append(files, onDisk(t, p))
	}
	return files
}

func TestUglyFiles(t *testing.T) {
	paths, err := filepath.Glob(importData + "/ugly/*.csv")
	if err != nil {
		t.Fatal(err)
	}
	if len(paths) < 40 {
		t.Fatalf("%d files, want 40 at least", len(paths))
	}
	for _, p := range paths {
		name := strings.TrimSuffix(filepath.Base(p), ".csv")
		t.Run(name, func(t *testing.T) {
			im := offline(t)
			ugly := onDisk(t, p)
			files := append(base(t), ugly)
			good := checkAll(t, im, files)
			for _, f := range files {
				if f != ugly && f.count > 0 {
					t.Fatalf("base is not in order: %v", f.problems)
				}
			}
			var b strings.Builder
			for _, p := range ugly.problems {
				if p.Text == "" || p.Remedy == "" || p.Line == 0 {
					t.Errorf("%+v says too little", p)
				}
				if p.Column > 0 && p.Name == "" && !strings.Contains(p.Text, "heading") && !strings.Contains(p.Text, "more cells") {
					t.Errorf("%+v does not name its column", p)
				}
				b.WriteString(p.String() + "\n")
			}
			fmt.Fprintf(&b, "%d rows, %d good, %d problems, %v\n", ugly.rows, good[ugly], ugly.count, ugly.encoding)
			path := filepath.Join(importData, "golden", name+".txt")
			if *update {
				if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), b.String()); diff != "" {
				t.Errorf("(-want +got)\n%s", diff)
			}
		})
	}
}

// The same rows have the same ids in every import, whatever the order of the file and however dates are written; identical
// rows of one file are told apart.
func TestRowsKeepTheirIDs(t *testing.T) {
	t.Parallel()
	ids := func(name, content string) []string {
		im := offline(t)
		f := newImportFile(name, typeNamed("usage"), 0, func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(content)), nil })
		var out []string
		sortFiles(append(base(t), f))
		checkAll(t, im, base(t))
		im.targets = &targets{tags: map[string]bool{}}
		if err := im.walk(f, false, nil, func(_ int64, m proto.Message) error {
			out = append(out, lastID(m.(*historypb.Entry).GetName()))
			return nil
		}); err != nil || f.count > 0 {
			t.Fatal(err, f.problems)
		}
		return out
	}
	one := ids("a.csv", "tag,date,time,dives,reference\nGB-REG-001,2026-06-01,16:00,4,R-1\nGB-REG-001,2026-06-02,16:00,3,\nGB-REG-001,2026-06-02,16:00,3,\n")
	two := ids("b.csv", "unit;dives;date;note;reference\nGB-REG-001;3,0;02.06.2026 16:00;x;\nGB-REG-001;4;01.06.2026 16:00;;R-1\nGB-REG-001;3;02.06.2026 4:00 pm;y;\n")
	if len(one) != 3 || one[1] == one[2] || one[0] == one[1] {
		t.Fatal(one)
	}
	if two[1] != one[0] || two[0] != one[1] || two[2] != one[2] {
		t.Errorf("%v\n%v", one, two)
	}
	three := ids("c.csv", "tag,date,time,dives,reference\nGB-REG-001,2026-06-01,16:00,40,R-1\nGB-REG-001,2026-06-02,16:00,30,\n")
	if three[0] != one[0] {
		t.Error("a row with a reference is another row when its dives change: it has to be refused, not counted twice")
	}
	if three[1] == one[1] {
		t.Error("a row without a reference is the same row when its dives change")
	}
}

func TestTemplatesAreInOrder(t *testing.T) {
	t.Parallel()
	for _, typ := range fileTypes {
		im := offline(t)
		f := newImportFile(typ.name+".csv", typ, 0, func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(typ.template())), nil })
		if err := im.walk(f, false, nil, nil); err != nil {
			t.Fatal(err)
		}
		for _, p := range f.problems {
			// The example speaks of units and shops that an empty org does not have; everything else must be right.
			if !strings.Contains(p.Text, "no unit has this tag") && !strings.Contains(p.Text, "there is no such") {
				t.Errorf("template of %s: %s", typ.name, p)
			}
		}
		if f.rows != 1 {
			t.Errorf("template of %s has %d rows", typ.name, f.rows)
		}
	}
}

func TestTypesOfNames(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"units.csv": "units", "2026_units.csv": "units", "usage-harbour.csv": "usage", "Rentals June.CSV": "usage", "hires-bommie-late.csv": "usage", "x/meter-readings.csv": "meters",
		"corrections.csv": "amendments", "notes.csv": "", "units-and-models.csv": "units models", "unitary.csv": "",
	} {
		var got []string
		for _, typ := range typesOf(name) {
			got = append(got, typ.name)
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s: %v, want %q", name, got, want)
		}
	}
}

func TestFingerprints(t *testing.T) {
	t.Parallel()
	f := newFingerprints()
	org := tenant.Must("sheets")
	for round := range 3 {
		for i := range 20_000 {
			id := entryID(org, rowKey{kind: "usage", tag: fmt.Sprint(i)}, 0)
			if n := f.ordinal(id); n != round {
				t.Fatalf("ordinal %d in round %d", n, round)
			}
		}
	}
}

// A file larger than memory should hold is checked in little memory: a row at a time, and eight bytes for each.
func BenchmarkCheckUsage(b *testing.B) {
	var content bytes.Buffer
	content.WriteString("tag,date,time,dives,reference\n")
	for i := range 10_000 {
		fmt.Fprintf(&content, "GB-REG-001,2026-06-%02d,16:%02d,4,R-%d\n", i%28+1, i%60, i)
	}
	im := offline(b)
	checkAll(b, im, base(b))
	b.SetBytes(int64(content.Len()))
	b.ReportAllocs()
	for b.Loop() {
		f := newImportFile("usage.csv", typeNamed("usage"), 0, func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(content.Bytes())), nil })
		if err := im.walk(f, false, nil, func(int64, proto.Message) error { return nil }); err != nil || f.count > 0 {
			b.Fatal(err, f.problems)
		}
	}
}

// Whatever a file holds, its rows become records that the protos allow, or problems that say where and what to do.
func FuzzImportRows(f *testing.F) {
	for i, typ := range fileTypes {
		f.Add(uint8(i), typ.template())
	}
	ugly, err := filepath.Glob(importData + "/ugly/*.csv")
	if err != nil {
		f.Fatal(err)
	}
	for _, p := range ugly {
		raw, err := os.ReadFile(p)
		if err != nil {
			f.Fatal(err)
		}
		for i, typ := range fileTypes {
			if typ == typesOf(p)[0] && len(raw) < 4096 {
				f.Add(uint8(i), string(raw))
			}
		}
	}
	im := offline(f)
	checkAll(f, im, base(f))
	f.Fuzz(func(t *testing.T, kind uint8, content string) {
		typ := fileTypes[int(kind)%len(fileTypes)]
		// Each run starts from the same world; what a file defines is forgotten.
		w := *im.world
		w.shops, w.models, w.technicians, w.units = maps.Clone(w.shops), maps.Clone(w.models), maps.Clone(w.technicians), maps.Clone(w.units)
		one := *im
		one.world, one.ctx, one.targets = &w, t.Context(), &targets{tags: map[string]bool{}, rows: im.targets.rows}
		file := newImportFile("fuzz.csv", typ, int64(len(content)), func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(content)), nil })
		good := int64(0)
		if err := one.walk(file, false, nil, func(line int64, m proto.Message) error {
			good++
			if err := protovalidate.Validate(m); err != nil || line < 1 {
				t.Errorf("line %d: %v", line, err)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if typ.name != "technicians" && good < file.rows && file.count == 0 {
			t.Errorf("%d of %d rows are good, and there is no problem", good, file.rows)
		}
		for _, p := range file.problems {
			if p.Text == "" || p.Remedy == "" || p.Line < 1 {
				t.Errorf("%+v says too little", p)
			}
		}
	})
}
