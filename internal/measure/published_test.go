package measure

import (
	"math/big"
	"os"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
)

// TestPublished compares the units with the factors that NIST prints, to the digits it prints, and prints how many.
func TestPublished(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../testdata/measured/nist-sp-811.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Source  string
		Factors []struct{ Unit, To, Prints string }
		Equal   [][2]string
		Rounded []struct {
			Value  string
			Digits int
			Want   string
		}
		Figures []struct {
			Give, In string
			Decimals int
			Want     string
		}
	}
	if err := yaml.Unmarshal(raw, &file); err != nil {
		t.Fatal(err)
	}
	unit := func(symbol string) Unit {
		t.Helper()
		u, err := ParseUnit(symbol)
		if err != nil {
			t.Fatal(err)
		}
		return u
	}
	for _, f := range file.Factors {
		got := unit(f.Unit).Factor()
		if f.To != "" {
			got.Quo(got, unit(f.To).Factor())
		}
		printed, ok := new(big.Rat).SetString(f.Prints)
		if !ok {
			t.Fatalf("%s prints %q", f.Unit, f.Prints)
		}
		// NIST prints seven digits, or fewer where they are all that there are.
		mantissa, _, _ := strings.Cut(f.Prints, "E")
		digits := max(len(strings.Replace(mantissa, ".", "", 1)), 7)
		rounded, ok := new(big.Rat).SetString(Quantity{value: got}.Rounded(digits))
		if !ok || rounded.Cmp(printed) != 0 {
			t.Errorf("one %s is %s; NIST prints %s", f.Unit, Quantity{value: got}.Rounded(12), f.Prints)
		}
	}
	for _, e := range file.Equal {
		if c, err := parsed(t, e[0]).Cmp(parsed(t, e[1])); err != nil || c != 0 {
			t.Errorf("%s compares with %s as %d, %v", e[0], e[1], c, err)
		}
	}
	for _, r := range file.Rounded {
		if got := parsed(t, r.Value).Rounded(r.Digits); got != r.Want {
			t.Errorf("%s to %d digits is %s, want %s", r.Value, r.Digits, got, r.Want)
		}
	}
	for _, f := range file.Figures {
		q, err := parsed(t, f.Give).In(unit(f.In))
		if err != nil || q.Fixed(f.Decimals) != f.Want {
			t.Errorf("%s is %s %s, want %s; %v", f.Give, q.Fixed(f.Decimals), f.In, f.Want, err)
		}
	}
	t.Logf("%4d factors, %d equalities, %d roundings, %d figures: %s", len(file.Factors), len(file.Equal), len(file.Rounded), len(file.Figures), file.Source)
}

// TestUnits: every unit has a factor, a name and a source; a symbol or alias is that of one unit; a unit that is exact by definition in NIST's table is
// so here.
func TestUnits(t *testing.T) {
	t.Parallel()
	seen := map[string]string{}
	for _, u := range Units() {
		d := u.d
		if d.factor == nil || d.shift == nil || d.factor.Sign() <= 0 || d.name == "" || d.source == "" {
			t.Errorf("%s lacks something: %+v", d.symbol, d)
		}
		if dimensionNames[d.dim] == "" {
			t.Errorf("%s measures what has no name", d.symbol)
		}
		for _, s := range append([]string{d.symbol}, d.aliases...) {
			if other, ok := seen[s]; ok {
				t.Errorf("%s is both %s and %s", s, other, d.symbol)
			}
			seen[s] = d.symbol
			if got, err := ParseUnit(s); err != nil || got != u {
				t.Errorf("ParseUnit(%q) = %v, %v", s, got, err)
			}
		}
		if inexact := strings.Contains(d.symbol, "C)") || strings.Contains(d.symbol, "F)") || d.symbol == "rad"; inexact == d.exact {
			t.Errorf("%s: exact is %v", d.symbol, d.exact)
		}
	}
	// From the definitions, as decimals without end: the pound-force per square inch (NIST SP 811 appendix B, and trade tables).
	if got := (Quantity{value: parsed(t, "1 psi difference").SI()}).Fixed(12); got != "6894.757293168361" {
		t.Errorf("one psi is %s Pa", got)
	}
}
