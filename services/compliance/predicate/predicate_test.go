package predicate

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"cel.dev/cel-go/cel"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// The operators and functions of CEL itself mean what the language's specification says (github.com/google/cel-spec); the tests
// here are of what this package adds to it and takes from it.

var (
	facts = &due.Facts{
		Kind: "cylinder", Maker: "Northbay", Model: "al80", Serial: "ab0123", Size: "80",
		Attributes:   map[string]string{"alloy": "6351-T6", "gas": "air"},
		Manufactured: civil.Month(1989, time.March), Commissioned: civil.Day(civil.New(2001, 7, 4)),
	}
	stay = &due.Stay{Jurisdiction: "US-CA", Shop: "harbor"}
)

func compiled(t testing.TB, expr string) *Program {
	t.Helper()
	p, err := Compile(expr)
	if err != nil {
		t.Fatalf("Compile(%q): %v", expr, err)
	}
	return p
}

func TestCovers(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		give string
		want bool
	}{
		{`true`, true},
		{`false`, false},
		{`kind == "cylinder" && maker == "Northbay" && model == "al80" && size == "80" && serial == "ab0123" && shop == "harbor"`, true},
		{`jurisdiction == "US"`, false},
		{`jurisdiction == "US-CA"`, true},
		{`inJurisdiction("US")`, true},
		{`inJurisdiction("US-CA")`, true},
		{`inJurisdiction("US-C")`, false},
		{`inJurisdiction("CA")`, false},
		{`inJurisdiction(attr("nothing"))`, false},
		{`manufactured == "1989-03-01"`, true}, // a month as its first day
		{`commissioned == "2001-07-04"`, true},
		{`attr("alloy") == "6351-T6" && manufactured < "1990-01-01"`, true}, // the example of rule.proto
		{`attr("nothing") == ""`, true},
		{`attributes["alloy"].startsWith("6351")`, true},
		{`has(attributes.alloy) && !has(attributes.nothing)`, true},
		{`"gas" in attributes`, true},
		{`maker in ["Southbay", "Westbay"]`, false},
		{`serial.matches("^ab[0-9]+$")`, true},
		{`serialWithin(serial, "AB100", "AB200")`, true},
		{`serialWithin(serial, "AB124", "AB200")`, false},
		{`serialWithin(attr("gas"), "AB1", "AB9")`, false},
		// What fails on a unit covers it.
		{`attributes["nothing"] == "x"`, true},
		{`int(size) / 0 == 1`, true},
		{`int(serial) > 3`, true},
		{`timestamp(serial) < timestamp("2020-01-01T00:00:00Z")`, true},
		// CEL's `&&` and `||` do not ask what does not matter.
		{`false && attributes["nothing"] == "x"`, false},
	} {
		if got := compiled(t, tt.give).Covers(facts, stay); got != tt.want {
			t.Errorf("Covers(%s) = %v, want %v", tt.give, got, tt.want)
		}
	}
}

// TestCoversUnknown: of a unit of which nothing is known every variable is an empty string.
func TestCoversUnknown(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"kind", "maker", "model", "size", "serial", "shop", "jurisdiction", "manufactured", "commissioned", `attr("x")`} {
		if !compiled(t, name+` == ""`).Covers(&due.Facts{}, &due.Stay{}) {
			t.Errorf("%s is not empty", name)
		}
	}
	if compiled(t, `size(attributes) > 0`).Covers(&due.Facts{}, &due.Stay{}) {
		t.Error("attributes are not empty")
	}
}

// TestNames: the names that are told are those that there are, beside CEL's own.
func TestNames(t *testing.T) {
	t.Parallel()
	env, err := language()
	if err != nil {
		t.Fatal(err)
	}
	plain, err := cel.NewEnv()
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	own := map[string]bool{}
	for _, v := range plain.Variables() {
		own[v.Name()] = true
	}
	for _, v := range env.Variables() {
		if !own[v.Name()] {
			want = append(want, v.Name())
		}
	}
	for name := range env.Functions() {
		if _, ok := plain.Functions()[name]; !ok {
			want = append(want, strings.TrimPrefix(name, "@"))
		}
	}
	var got []string
	for _, name := range Names() {
		word, _, _ := strings.Cut(name, "(")
		got = append(got, word)
		if _, ok := (&subject{facts, stay}).ResolveName(word); ok != (word == name) {
			t.Errorf("%s: read from a unit: %v", name, ok)
		}
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("told are %v, and there are %v", got, want)
	}
}

func TestWithin(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		serial, first, last string
		want                bool
	}{
		{"A100", "A100", "A200", true},
		{"A200", "A100", "A200", true},
		{"A201", "A100", "A200", false},
		{"A99", "A100", "A200", false},
		{"a150", "A100", "a200", true},
		{"A0150", "A100", "A200", true},
		{"A1000", "A0100", "A2000", true},
		{"A10", "A9", "A11", true}, // by number, not by letter
		{"150", "100", "200", true},
		{"B150", "A100", "A200", false},
		{"150", "A100", "A200", false},
		{"A-150", "A-100", "A-200", true},
		{"A150", "A100", "B200", false},
		{"A150B", "A100", "A200", false},
		{"A15B0", "A100", "A200", false},
		{"A150", "A100", "", false},
		{"A150", "", "A200", false},
		{"", "A100", "A200", false},
		{"A", "A0", "A200", false},
		{"A000", "A0", "A200", true},
		{"A18446744073709551617", "A18446744073709551616", "A18446744073709551618", true}, // beyond 64 bits
	} {
		if got := within(tt.serial, tt.first, tt.last); got != tt.want {
			t.Errorf("within(%q, %q, %q) = %v, want %v", tt.serial, tt.first, tt.last, got, tt.want)
		}
	}
}

func TestCompileErrors(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		give         string
		line, column int
		want         string
	}{
		{``, 1, 1, "empty"},
		{`  `, 1, 1, "empty"},
		{"\xff", 1, 1, "UTF-8"},
		{`kind`, 1, 1, "yields string"},
		{`dyn(true)`, 1, 1, "yields dyn"},
		{`kind = "x"`, 1, 6, "write == to compare"},
		{`colour == "red"`, 1, 1, "undeclared reference to 'colour'; want one of kind, maker"},
		{"kind == \"x\" &&\n  colour == \"red\"", 2, 3, "undeclared reference"},
		{`attr() == ""`, 1, 5, "undeclared reference to 'attr'"},
		{`attr(1) == ""`, 1, 5, "no matching overload for 'attr' applied to '(int)'"},
		{`inJurisdiction(3)`, 1, 15, "no matching overload for 'inJurisdiction' applied to '(int)'"},
		{`inJurisdiction("usa")`, 1, 16, "want a jurisdiction"},
		{`serialWithin(serial, "AB", "AB9")`, 1, 22, "no end of a range"},
		{`serialWithin(serial, "AB1", "A9B")`, 1, 29, "no end of a range"},
		{`serialWithin(serial, "AB1", "AC9")`, 1, 29, "same letters"},
		{`serialWithin(serial, "AB10", "AB9")`, 1, 30, "ends before it begins"},
		{`serialWithin(serial, "AB10")`, 1, 13, "no matching overload"},
		{`kind == 3`, 1, 6, "no matching overload"},
		{`serial.matches("(")`, 1, 16, "want a regular expression of RE2"},
		{`kind == "x" &&`, 1, 15, "ends too soon"},
		{`kind is "x"`, 1, 6, "this is no CEL: mismatched input 'is'; compare with"},
		{`kind && true`, 1, 1, "found 'string': compare it with something"},
		{`attributes["a"] + 1 == ""`, 1, 17, "'+' applied to '(string, int)': want values of kinds that go together"},
		{`kind.lower() == ""`, 1, 11, "undeclared reference to 'lower'; want one of kind"},
		// No loops.
		{`attributes.exists(k, k == "x")`, 1, 18, "no loops"},
		{`["a"].all(x, x == "a")`, 1, 10, "no loops"},
		{`["a"].map(x, x) == ["a"]`, 1, 10, "no loops"},
		{`["a"].filter(x, true) == ["a"]`, 1, 13, "no loops"},
	} {
		_, err := Compile(tt.give)
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("Compile(%q) = %v, want an *Error", tt.give, err)
			continue
		}
		if !strings.Contains(e.Text, tt.want) || (e.Line != tt.line || e.Column != tt.column) {
			t.Errorf("Compile(%q) = %v, want line %d, column %d: … %s …", tt.give, e, tt.line, tt.column, tt.want)
		}
	}
}

// TestTooLarge: a unit with more to look at than the estimate allows for is covered, and not looked at, whichever part of it is read.
func TestTooLarge(t *testing.T) {
	t.Parallel()
	p := compiled(t, `attr("x").contains("no such text") || attr("x").matches("(a|b)+c") || attr("x") + attr("x") + attr("x") == "y"`)
	if p.Covers(&due.Facts{Attributes: map[string]string{"x": strings.Repeat("z", 120)}}, stay) {
		t.Error("a small unit is covered")
	}
	many := map[string]string{}
	for i := range maxAttributes + 1 {
		many[fmt.Sprint(i)] = ""
	}
	long := strings.Repeat("é", 201)
	for expr, f := range map[string]*due.Facts{
		`attr("x") == ""`:        {Attributes: map[string]string{"x": "z", "y": strings.Repeat("z", maxAttribute+1)}},
		`attributes.size() == 0`: {Attributes: many},
		`kind == ""`:             {Kind: long}, `maker == ""`: {Maker: long}, `model == ""`: {Model: long}, `size == ""`: {Size: long}, `serial == ""`: {Serial: long},
	} {
		if p := compiled(t, expr); !p.Covers(f, stay) || p.Covers(&due.Facts{Attributes: map[string]string{"x": "z"}, Kind: "k", Maker: "m", Model: "m", Size: "s", Serial: "s"}, stay) {
			t.Errorf("%s does not cover a unit that is too large, or covers any", expr)
		}
	}
	for _, expr := range []string{`shop == ""`, `jurisdiction == ""`} {
		if p := compiled(t, expr); !p.Covers(facts, &due.Stay{Shop: long, Jurisdiction: long}) || p.Covers(facts, stay) {
			t.Errorf("%s does not cover a stay that is too large, or covers any", expr)
		}
	}
}

func TestConcurrent(t *testing.T) {
	t.Parallel()
	p := compiled(t, `attr("n") == "even" && shop == "even"`)
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			for i := range 2000 {
				word := [2]string{"even", "odd"}[(g+i)%2]
				f, s := &due.Facts{Attributes: map[string]string{"n": word}}, &due.Stay{Shop: word}
				if got, want := p.Covers(f, s), word == "even"; got != want {
					t.Errorf("%d: Covers = %v, want %v", i, got, want)
					return
				}
			}
		})
	}
	wg.Wait()
}

// seeds are predicates of every shape.
var seeds = []string{
	`attr("alloy") == "6351-T6" && manufactured < "1990-01-01"`, `serialWithin(serial, "A1", "A9")`, `inJurisdiction("US") || has(attributes.x)`,
	`serial.matches("^[A-Z]+$") ? size == "80" : !(kind in ["a", "b"])`, "r'\\d' == b'x'", "\"\\u00e9\" == '''a'''", `double(serial) > 1e3 && [1][0] == 1u`,
	`{"a": attributes}["a"].x == attributes["x"] || attributes.x.endsWith(kind)`, `timestamp(manufactured + "T00:00:00Z").getFullYear("Europe/Lisbon") < 2000 && duration("1h") > duration("30m")`,
	`type(dyn(attributes)) == map && string(size(attributes)) + "a" >= "1" && int(serial) % 2 - 1 < -3`,
}

// FuzzCompile: whatever an expression says, it is taken or refused in bounded time and memory, with a place in it if it is refused.
func FuzzCompile(f *testing.F) {
	for _, set := range []map[string]string{hostile, costly} {
		for _, expr := range set {
			f.Add(expr)
		}
	}
	for _, expr := range seeds {
		f.Add(expr)
	}
	f.Fuzz(func(t *testing.T, expr string) {
		before, start := allocated(), time.Now()
		p, err := Compile(expr)
		if took, bytes := time.Since(start), allocated()-before; took > 4*mostCompileTime || bytes > 2*mostCompileBytes {
			t.Errorf("%q took %v and %d KB", expr, took, bytes>>10)
		}
		var e *Error
		switch {
		case err == nil:
			p.Covers(facts, stay)
		case !errors.As(err, &e) || e.Text == "":
			t.Errorf("Compile(%q) = %#v, want an *Error", expr, err)
		default:
			lines := strings.Split(expr, "\n")
			if e.Line < 1 || e.Line > len(lines) || e.Column < 1 || e.Column > utf8.RuneCountInString(lines[e.Line-1])+1 {
				t.Errorf("Compile(%q) = %v, which is no place in it", expr, e)
			}
		}
	})
}

// FuzzCovers: a predicate that was taken is asked of any unit in bounded time and memory, and says the same each time.
func FuzzCovers(f *testing.F) {
	for _, expr := range costly {
		f.Add(expr, "AB0123", "x", "v", 80, uint16(1990))
	}
	for i, expr := range seeds {
		f.Add(expr, strings.Repeat("9", 40*i), "alloy", strings.Repeat("é", 30*i), i, uint16(i))
	}
	f.Fuzz(func(t *testing.T, expr, serial, key, value string, attributes int, year uint16) {
		p, err := Compile(expr)
		if err != nil {
			return
		}
		u := &due.Facts{Kind: key, Maker: value, Model: value, Size: key, Serial: serial, Attributes: map[string]string{key: value}}
		for i := range min(attributes, 200) {
			u.Attributes[fmt.Sprint("k", i)] = value
		}
		if mark, err := civil.MarkOf(int(year), int(year%14), int(year%32)); err == nil {
			u.Manufactured, u.Commissioned = mark, mark
		}
		at := &due.Stay{Jurisdiction: value, Shop: key}
		before, start := allocated(), time.Now()
		first := p.Covers(u, at)
		if took, bytes := time.Since(start), allocated()-before; took > 4*mostCoversTime || bytes > 2*mostCoversBytes {
			t.Errorf("%q took %v and %d KB", expr, took, bytes>>10)
		}
		if p.Covers(u, at) != first {
			t.Errorf("%q covers at one time and not at another", expr)
		}
	})
}

func BenchmarkCovers(b *testing.B) {
	for i, expr := range []string{
		`attr("alloy") == "6351-T6"`,
		`attr("alloy") == "6351-T6" && manufactured < "1990-01-01"`,
		`serialWithin(serial, "AB100", "AB200")`,
		`kind == "cylinder" && inJurisdiction("US") && maker in ["Northbay", "Southbay"]`,
	} {
		b.Run(fmt.Sprint(i), func(b *testing.B) {
			p := compiled(b, expr)
			b.ReportAllocs()
			for b.Loop() {
				if !p.Covers(facts, stay) {
					b.Fatal("not covered")
				}
			}
		})
	}
}

func BenchmarkCompile(b *testing.B) {
	for b.Loop() {
		if _, err := Compile(`attr("alloy") == "6351-T6" && manufactured < "1990-01-01"`); err != nil {
			b.Fatal(err)
		}
	}
}
