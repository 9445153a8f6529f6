package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// remedies are the words that say what to do.
var remedies = regexp.MustCompile(`\b(want|state|write|leave|must|indent|save|shorten|compare|check|ask|add|change|close|say)\b`)

// checkBad runs the check of a kind of file over testdata/KIND/bad: every mistake there is told with file, line, column and what to do, on the line that a comment
// marks as one, and nothing else is told. There are so many at least.
func checkBad(t *testing.T, kind string, least int) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("testdata", kind, "bad", "*.yaml"))
	if err != nil || len(files) == 0 {
		t.Fatal(err)
	}
	o := command(t, nil, append([]string{kind, "check"}, files...)...)
	if o.code != exitRejected {
		t.Errorf("exit code %d", o.code)
	}
	golden(t, kind+"/bad.txt", o.stdout)
	toldAt := map[string]bool{}
	for line := range strings.Lines(o.stdout) {
		m := regexp.MustCompile(`^([^:]+:[0-9]+):([0-9]+): (.*)\n$`).FindStringSubmatch(line)
		if m == nil || !remedies.MatchString(m[3]) {
			t.Errorf("no place, or nothing to do: %s", line)
			continue
		}
		toldAt[m[1]] = true
	}
	mistakes := 0
	for _, f := range files {
		raw, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(string(raw), "\n") {
			marked := strings.Contains(line, "# mistake: ")
			if at := fmt.Sprintf("%s:%d", f, i+1); marked != toldAt[at] {
				t.Errorf("%s: marked as a mistake %v, told of as one %v", at, marked, toldAt[at])
			}
			if marked {
				mistakes++
			}
		}
	}
	if mistakes < least {
		t.Errorf("%d mistakes", mistakes)
	}
}
