package private

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"strandline.example/strandline/internal/errs"
)

// Oldest major version of PostgreSQL that the schemas run on.
const oldest = 15

// Remedy says how to get the server binaries.
const Remedy = "install them (Debian, Ubuntu: apt-get install postgresql), set STRANDLINE_PG_BIN to the folder that holds postgres and initdb, " +
	"or set STRANDLINE_DSN to use another PostgreSQL"

// Binaries is a folder of PostgreSQL server programs.
type Binaries struct {
	Dir   string // holds postgres and initdb
	Major int
}

// Find returns the newest server binaries of PostgreSQL 15 or newer: those of STRANDLINE_PG_BIN if it is set, else those
// on the PATH and in /usr/lib/postgresql/*/bin. Major asks for one version, because a data folder belongs to one; 0 is any.
func Find(major int) (Binaries, error) {
	if dir := os.Getenv("STRANDLINE_PG_BIN"); dir != "" {
		b, err := look(dir)
		if err != nil {
			return Binaries{}, unusable(fmt.Sprintf("STRANDLINE_PG_BIN: %v; %s", err, Remedy))
		}
		if why := b.unfit(major); why != "" {
			return Binaries{}, unusable(fmt.Sprintf("STRANDLINE_PG_BIN: %s in %s; %s", why, dir, Remedy))
		}
		return b, nil
	}
	var dirs []string
	if p, err := exec.LookPath("postgres"); err == nil {
		dirs = append(dirs, filepath.Dir(p))
	}
	for _, pattern := range []string{"/usr/lib/postgresql/*/bin", "/usr/pgsql-*/bin", "/opt/homebrew/opt/postgresql@*/bin"} {
		more, _ := filepath.Glob(pattern)
		dirs = append(dirs, more...)
	}
	var found []Binaries
	var unfit []string
	for _, d := range dirs {
		b, err := look(d)
		if err != nil {
			continue
		}
		if why := b.unfit(major); why != "" {
			unfit = append(unfit, why+" in "+d)
			continue
		}
		found = append(found, b)
	}
	if len(found) == 0 {
		why := "no PostgreSQL server binaries found on the PATH or in /usr/lib/postgresql"
		if len(unfit) > 0 {
			why = "no fitting PostgreSQL server binaries found: " + strings.Join(unfit, ", ")
		}
		return Binaries{}, unusable(why + "; " + Remedy)
	}
	return slices.MaxFunc(found, func(a, b Binaries) int { return a.Major - b.Major }), nil
}

func (b Binaries) unfit(major int) string {
	switch {
	case b.Major < oldest:
		return fmt.Sprintf("version %d is older than %d", b.Major, oldest)
	case major != 0 && b.Major != major:
		return fmt.Sprintf("version %d cannot open data of version %d", b.Major, major)
	}
	return ""
}

// look resolves links, since postgres finds its share files beside itself.
func look(dir string) (Binaries, error) {
	p, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres"))
	if err != nil {
		return Binaries{}, fmt.Errorf("no postgres in %s", dir)
	}
	dir = filepath.Dir(p)
	if _, err := os.Stat(filepath.Join(dir, "initdb")); err != nil {
		return Binaries{}, fmt.Errorf("no initdb in %s", dir)
	}
	out, err := exec.Command(p, "--version").Output() // postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)
	if err != nil {
		return Binaries{}, fmt.Errorf("%s --version: %w", p, err)
	}
	words := strings.Fields(string(out))
	if len(words) < 3 {
		return Binaries{}, fmt.Errorf("%s --version says %q", p, out)
	}
	digits := words[2]
	if end := strings.IndexFunc(digits, func(r rune) bool { return r < '0' || r > '9' }); end >= 0 {
		digits = digits[:end]
	}
	major, err := strconv.Atoi(digits)
	if err != nil {
		return Binaries{}, fmt.Errorf("%s --version says %q", p, out)
	}
	return Binaries{Dir: dir, Major: major}, nil
}

func unusable(message string) error {
	return errs.New(errs.Unavailable, "UNAVAILABLE", message)
}
