package private_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"strandline.example/strandline/internal/pg/private"
)

// fake makes a folder of binaries that say they are a version.
func fake(t *testing.T, says string) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"postgres", "initdb"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("#!/bin/sh\necho '"+says+"'\n"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestFind(t *testing.T) {
	for _, c := range []struct {
		name, dir string
		major     int
		want      string // in the error; "" for none
	}{
		{"debian", fake(t, "postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)"), 0, ""},
		{"plain", fake(t, "postgres (PostgreSQL) 15.0"), 15, ""},
		{"beta", fake(t, "postgres (PostgreSQL) 19beta1"), 19, ""},
		{"too old", fake(t, "postgres (PostgreSQL) 14.9"), 0, "version 14 is older than 15"},
		{"another version", fake(t, "postgres (PostgreSQL) 18.1"), 15, "version 18 cannot open data of version 15"},
		{"no version", fake(t, "hello"), 0, "--version says"},
		{"empty folder", t.TempDir(), 0, "no postgres in"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Setenv("STRANDLINE_PG_BIN", c.dir)
			b, err := private.Find(c.major)
			if c.want == "" {
				if err != nil || b.Dir != c.dir || b.Major == 0 || c.major != 0 && b.Major != c.major {
					t.Errorf("got %v, %v", b, err)
				}
				return
			}
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "apt-get install postgresql") {
				t.Errorf("got %v, want it to say %q and the remedy", err, c.want)
			}
		})
	}
}

func TestFindOnTheMachine(t *testing.T) {
	t.Setenv("STRANDLINE_PG_BIN", "")
	b, err := private.Find(0)
	if err != nil {
		t.Fatal(err)
	}
	if b.Major < 15 {
		t.Errorf("found version %d", b.Major)
	}
	for _, name := range []string{"postgres", "initdb"} {
		if _, err := os.Stat(filepath.Join(b.Dir, name)); err != nil {
			t.Error(err)
		}
	}
}
