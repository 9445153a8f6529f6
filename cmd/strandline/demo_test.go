package main

import (
	"bytes"
	"io/fs"
	"testing"

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
