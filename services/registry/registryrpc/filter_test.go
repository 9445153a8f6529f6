package registryrpc

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/registry/registrypg"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const unitID = "0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79"

// filterCases are compiled into testdata/filters.golden. The grammar and OR's binding are those of AIP-160 (Google AIPs,
// "Filtering": "a b AND c AND d" and "a AND b OR c" under "Logical Operators").
var filterCases = []struct{ list, filter string }{
	{"units", ``},
	{"units", `  `},
	{"units", `kind = "bcd"`},
	{"units", `kind=bcd`},
	{"units", `kind != 'bcd'`},
	{"units", `NOT kind = "bcd"`},
	{"units", `-kind = "bcd"`},
	{"units", `NOT (kind = "bcd" OR kind = "cylinder")`},
	{"units", `kind = "a" AND kind = "b" OR kind = "c"`},
	{"units", `kind = "a" OR kind = "b" AND kind = "c"`},
	{"units", `(kind = "a" AND kind = "b") OR kind = "c"`},
	{"units", `kind = "a" OR kind = "b" OR kind = "c" AND size = "L" AND NOT size = "M"`},
	{"units", `shop = "orgs/reef/shops/harbour" AND model = "orgs/reef/models/vest"`},
	{"units", `state = STATE_ACTIVE OR state = "RETIRED"`},
	{"units", `asset_tag = "R-1" AND serial_number = "a'b\"c; drop table units"`},
	{"units", `size = "%s $1 -- ünï"`},
	{"models", `kind = "cylinder" AND maker != "" AND size = "12 L"`},
	{"fittings", `host = "orgs/reef/units/` + unitID + `"`},
	// refused
	{"units", `colour = "red"`},
	{"units", `kind`},
	{"units", `"bcd"`},
	{"units", `kind = `},
	{"units", `kind = "bcd" AND`},
	{"units", `kind = "bcd" size = "L"`},
	{"units", `kind = a b`},
	{"units", `kind = "bcd`},
	{"units", `(kind = "bcd"`},
	{"units", `kind = "bcd")`},
	{"units", `kind > "bcd"`},
	{"units", `kind : "bcd"`},
	{"units", `kind = 7`},
	{"units", `kind = (size = "L")`},
	{"units", `"bcd" = kind`},
	{"units", `unit.kind = "bcd"`},
	{"units", `attributes.alloy = "6061-T6"`},
	{"units", `lower(kind) = "bcd"`},
	{"units", `kind = lower("BCD")`},
	{"units", `AND(kind = "a", kind = "b")`},
	{"units", `NOT(kind = "a", kind = "b")`},
	{"units", `state = BROKEN`},
	{"units", `shop = harbour`},
	{"units", `shop = "orgs/wreck/shops/harbour"`},
	{"units", `model = "orgs/reef/models/BAD"`},
	{"units", `kind = "a` + "\x00" + `"`},
	{"units", `kind = "a\x00"`},
	{"units", `kind = "a\u0000b"`},
	{"units", "kind = \"\xff\""},
	{"models", `asset_tag = "R-1"`},
	{"fittings", `host = "orgs/reef/units/x"`},
	{"fittings", `part = "orgs/reef/units/` + unitID + `"`},
}

var (
	reef       = tenant.Must("reef")
	listed     = map[string]filterFields{"units": unitFilter, "models": modelFilter, "fittings": fittingFilter}
	conditions = map[string]registrypg.Columns{"units": registrypg.UnitFields, "models": registrypg.ModelFields, "fittings": registrypg.FittingFields}
)

// compile returns the condition and its arguments, after two that stand for the query's own.
func compile(list, filter string) (string, []any, error) {
	f, err := listed[list].parse(reef, filter)
	if err != nil {
		return "", nil, err
	}
	return conditions[list].Where(f, []any{"own", "own"})
}

func TestFilterGoldens(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString("# Filters and what they compile to; $1 and $2 are the query's own. Rewritten by: go test ./services/registry/registryrpc -run FilterGoldens -update\n")
	for _, c := range filterCases {
		fmt.Fprintf(&b, "\n%s: %q\n", c.list, c.filter)
		sql, args, err := compile(c.list, c.filter)
		if err != nil {
			e := errs.As(err)
			if e == nil || e.Kind != errs.Invalid || e.Reason != "FILTER_INVALID" || len(e.Violations) != 1 || e.Violations[0].Field != "filter" {
				t.Errorf("%s: got %#v", c.filter, err)
				continue
			}
			fmt.Fprintf(&b, "  refused: %s\n", e.Message)
			continue
		}
		fmt.Fprintf(&b, "  %s\n  %q\n", sql, args[2:])
	}
	const file = "testdata/filters.golden"
	if *update {
		if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got := b.String(); got != string(want) {
		t.Errorf("filters compile otherwise than %s says:\n%s", file, got)
	}
}

func TestTheLongestFilterIsReadQuickly(t *testing.T) {
	t.Parallel()
	for _, f := range []string{
		strings.Repeat("(", 499), strings.Repeat("(", 245) + `kind="a"` + strings.Repeat(")", 245), strings.Repeat("a(", 250), strings.Repeat("NOT ", 124),
		strings.Repeat("-", 500), strings.Repeat("a.", 249), strings.Repeat("a OR ", 99) + "a", strings.Repeat(`kind="a" `, 55), strings.Repeat("((a=", 124), strings.Repeat("a=(", 166),
		strings.Repeat("x", 501),
	} {
		started := time.Now()
		_, _, err := compile("units", f)
		if took := time.Since(started); took > time.Second {
			t.Errorf("%.20q: %v", f, took)
		}
		if err != nil && errs.As(err).Reason != "FILTER_INVALID" {
			t.Errorf("%.20q: %v", f, err)
		}
	}
}

var placeholder = regexp.MustCompile(`\$([0-9]+)`)

// FuzzFilter: whatever the filter, it is refused or compiles to a condition made of the columns' own texts, with each value
// an argument.
func FuzzFilter(f *testing.F) {
	for _, c := range filterCases {
		f.Add(c.filter)
	}
	f.Fuzz(func(t *testing.T, filter string) {
		for list, columns := range conditions {
			sql, args, err := compile(list, filter)
			if err != nil {
				if e := errs.As(err); e == nil || e.Reason != "FILTER_INVALID" {
					t.Fatalf("%q: %v", filter, err)
				}
				continue
			}
			found := placeholder.FindAllStringSubmatch(sql, -1)
			if len(found) != len(args)-2 {
				t.Fatalf("%q: %d placeholders and %d values: %s", filter, len(found), len(args)-2, sql)
			}
			for i, m := range found {
				if m[1] != fmt.Sprint(i+3) {
					t.Fatalf("%q: %s", filter, sql)
				}
			}
			for _, a := range args[2:] {
				if s := a.(string); strings.ContainsRune(s, 0) {
					t.Fatalf("%q: a value with a NUL", filter)
				}
			}
			// What is left without the columns' conditions is structure.
			rest := placeholder.ReplaceAllString(sql, "%s")
			for _, c := range columns {
				rest = strings.ReplaceAll(rest, c, "")
			}
			for _, w := range []string{" and ", " or ", "not ", "true", "(", ")"} {
				rest = strings.ReplaceAll(rest, w, "")
			}
			if rest != "" {
				t.Fatalf("%q: %s has %q", filter, sql, rest)
			}
		}
	})
}
