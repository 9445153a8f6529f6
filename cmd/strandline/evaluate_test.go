package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestEvaluate runs every file of testdata/evaluate, as a table and as JSON. A folder without a database or a server is enough.
func TestEvaluate(t *testing.T) {
	files, err := filepath.Glob("testdata/evaluate/*.yaml")
	if err != nil || len(files) < 2 {
		t.Fatalf("%d files, error %v", len(files), err)
	}
	nothing := filepath.Join(t.TempDir(), "none")
	env := []string{"COLUMNS=110", "STRANDLINE_DATA=" + nothing}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".yaml")
		t.Run(name, func(t *testing.T) {
			golden(t, "evaluate/"+name+".txt", must(t, env, "evaluate", f))
			asJSON := must(t, env, "evaluate", f, "--output", "json")
			golden(t, "evaluate/"+name+".json", asJSON)
			raw, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			if got := commandIn(t, string(raw), env, "evaluate", "-", "--output", "json"); got.code != exitOK || got.stdout != asJSON {
				t.Errorf("from standard input: exit code %d, %s, and another answer than from the file:\n%s", got.code, got.err, got.stdout)
			}
		})
	}
	if _, err := os.Stat(nothing); !os.IsNotExist(err) {
		t.Errorf("evaluate left something in the data folder: %v", err)
	}
}

func TestEvaluateRefuses(t *testing.T) {
	tests := []struct {
		name, give string
		want       []string
	}{
		{"unknown field", "instant: 2026-01-01T00:00:00Z\nunits:\n  - unit: A\n    kindd: bcd\n", []string{"standard input:4:5", "kindd"}},
		{"not a value", "instant: yesterday\n", []string{"standard input:1:10", "yesterday"}},
		{"something missing", "instant: 2026-01-01T00:00:00Z\n", []string{"units"}},
		{"no such unit", "unit: B\ninstant: 2026-01-01T00:00:00Z\nunits:\n  - {unit: A, kind: bcd, stays: [{timeZone: Europe/Lisbon, jurisdiction: PT}]}\n", []string{"B"}},
		{"no such zone", "instant: 2026-01-01T00:00:00Z\nunits:\n  - {unit: A, kind: bcd, stays: [{timeZone: Europe/Atlantis, jurisdiction: PT}]}\n", []string{"Europe/Atlantis"}},
		{"not YAML", "unit: [", []string{"standard input: ", "line 1"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := commandIn(t, tt.give, nil, "evaluate", "-")
			if got.code != exitRejected || got.stdout != "" {
				t.Errorf("exit code %d, want %d; output %q", got.code, exitRejected, got.stdout)
			}
			wants(t, got.err, tt.want...)
		})
	}
}
