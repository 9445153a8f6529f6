package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestJudge judges the files of testdata/judge, as a table and as JSON. A folder without a database or a server is enough.
func TestJudge(t *testing.T) {
	nothing := filepath.Join(t.TempDir(), "none")
	env := []string{"COLUMNS=110", "STRANDLINE_DATA=" + nothing}
	for name, code := range map[string]int{"hydrostatic": exitOK, "lock-up": exitUndecided, "bad": exitRejected, "bad-dimensions": exitRejected, "bad-readings": exitRejected} {
		t.Run(name, func(t *testing.T) {
			file := "testdata/judge/" + name + ".yaml"
			got := command(t, env, "judge", file)
			if got.code != code || code == exitRejected && !strings.Contains(got.err, "problems in "+file) || code != exitRejected && got.err != "" {
				t.Errorf("exit code %d, want %d; standard error %q", got.code, code, got.err)
			}
			golden(t, "judge/"+name+".txt", got.stdout)
			asJSON := command(t, env, "judge", file, "--output", "json")
			if asJSON.code != code {
				t.Errorf("as JSON: exit code %d, want %d", asJSON.code, code)
			}
			if code != exitRejected {
				golden(t, "judge/"+name+".json", asJSON.stdout)
			}
			raw, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if piped := commandIn(t, string(raw), env, "judge", "-"); piped.code != code || strings.ReplaceAll(piped.stdout, "standard input:", file+":") != got.stdout {
				t.Errorf("from standard input: exit code %d, %s", piped.code, piped.stdout)
			}
		})
	}
	if _, err := os.Stat(nothing); !os.IsNotExist(err) {
		t.Errorf("judge left something in the data folder: %v", err)
	}
}

// TestJudgeCodes: the exit code is that of the gravest test in the file.
func TestJudgeCodes(t *testing.T) {
	raw, err := os.ReadFile("testdata/judge/hydrostatic.yaml")
	if err != nil {
		t.Fatal(err)
	}
	pass := string(raw)
	fail := strings.Replace(pass, "quantity: 2.24 mL", "quantity: 2.2400001 mL", 1)
	open := strings.Replace(pass, "  - {name: leaked, yes: false}\n", "", 1)
	high := strings.NewReplacer("choice: 3AA", "choice: 3HT", "quantity: 26.0 mL", "quantity: 20.15 mL").Replace(pass)
	for _, tt := range []struct {
		name, give string
		code       int
		want       string
	}{
		{"pass", pass, exitOK, "2026-05-20: pass"},
		{"fail", fail, exitFailed, "10.0000004 % measured, at most 10 % allowed"},
		{"missing", open, exitUndecided, "Leak through the wall was not read"},
		{"pass, inconclusive and fail", pass + "---\n" + open + "---\n" + fail, exitFailed, "2026-05-20: fail"},
		{"inconclusive and pass", open + "---\n" + pass, exitUndecided, "2026-05-20: inconclusive"},
		{"rejection elastic expansion", high, exitFailed, "Elastic expansion: 20.16 mL measured, at most 20.15 mL allowed"},
		{"12 % for 4E", strings.Replace(strings.Replace(fail, "choice: 3AA", "choice: 4E", 1), "2.2400001", "2.688", 1), exitOK, "12 % measured, at most 12 % allowed"},
	} {
		if got := commandIn(t, tt.give, nil, "judge", "-"); got.code != tt.code || !strings.Contains(got.stdout, tt.want) {
			t.Errorf("%s: exit code %d, want %d\n%s%s", tt.name, got.code, tt.code, got.stdout, got.err)
		}
	}
	for _, tt := range []struct {
		args []string
		code int
	}{{[]string{"judge"}, exitUsage}, {[]string{"judge", "testdata/judge/none.yaml"}, exitUsage}} {
		if got := command(t, nil, tt.args...); got.code != tt.code || got.stdout != "" {
			t.Errorf("%v: %+v", tt.args, got)
		}
	}
}
