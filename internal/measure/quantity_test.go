package measure

import (
	"math/big"
	"strings"
	"testing"
)

func parsed(t testing.TB, text string) Quantity {
	t.Helper()
	q, err := Parse(text)
	if err != nil {
		t.Fatalf("Parse(%q): %v", text, err)
	}
	return q
}

func TestParse(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		give, value, symbol string
		ref                 Reference
		text                string
	}{
		{"135 psi gauge", "135", "psi", Gauge, "135 psi gauge"},
		{"2.24 mL", "2.24", "mL", None, "2.24 mL"},
		{"2.240 ml", "2.240", "mL", None, "2.240 mL"}, // digits are kept; the symbol is written our way
		{"1.5 inH2O(60F) difference", "1.5", "inH2O(60F)", Difference, "1.5 inH2O(60F) difference"},
		{"1.5 inH₂O(39.2F) difference", "1.5", "inH2O(4C)", Difference, "1.5 inH2O(4C) difference"},
		{" -40  °F ", "-40", "°F", None, "-40 °F"},
		{"3 K difference", "3", "K", Difference, "3 K difference"},
		{"5", "5", "1", None, "5"},
		{"10 %", "10", "%", None, "10 %"},
		{"10%", "10", "%", None, "10 %"},
		{"0.5 mg/m³", "0.5", "mg/m3", None, "0.5 mg/m3"},
		{"3 μg/m3", "3", "µg/m3", None, "3 µg/m3"},
		{"40 in·lbf", "40", "in-lbf", None, "40 in-lbf"},
		{"+5.00 turns", "+5.00", "turn", None, "+5.00 turn"},
		{"1013.25 hPa absolute", "1013.25", "hPa", Absolute, "1013.25 hPa absolute"},
	} {
		q := parsed(t, tt.give)
		if q.Value() != tt.value || q.Unit().Symbol() != tt.symbol || q.Reference() != tt.ref || q.String() != tt.text || !q.Entered() {
			t.Errorf("Parse(%q) = %q, %q, %v, %q", tt.give, q.Value(), q.Unit(), q.Reference(), q)
		}
		again := parsed(t, q.String())
		if c, err := again.Cmp(q); err != nil || c != 0 || again.String() != q.String() {
			t.Errorf("Parse(%q) = %v (%d, %v), want the same", q, again, c, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ give, want string }{
		{"", "the quantity is empty; write a number and a unit"},
		{"  ", "empty"},
		{"psi", `"psi" is no number`},
		{"135 psi", "does not say what the pressure is measured from; add gauge, absolute or difference, such as 135 psi gauge"},
		{"135 psig", "write the number, then psi gauge"},
		{"9.3 bara", "then bar absolute"},
		{"9.3 bar(g)", "then bar gauge"},
		{"9.3 barg", "then bar gauge"},
		{"135psi gauge", "no space between number and unit; write 135 psi"},
		{"135 PSI gauge", `"PSI" is no unit that is known here; did you mean psi?`},
		{"3 inh2o60f difference", "did you mean inH2O(60F)?"},
		{"3 furlong", `"furlong" is no unit that is known here; write one of 1, %, ppm`},
		{"2,24 mL", "has a comma; write digits with a point"},
		{"1.234.5 mL", "is no number"},
		{".5 mL", "is no number"},
		{"5. mL", "ends with a point"},
		{"NaN mL", "is no number"},
		{"Inf mL", "is no number"},
		{"1e999999999 mL", "without an exponent"},
		{"1E5 mL", "without an exponent"},
		{"0x10 mL", "is no number"},
		{"1/3 mL", "is no number"},
		{"1_000 mL", "is no number"},
		{"−3 mL", "is no number"},
		{"--3 mL", "is no number"},
		{strings.Repeat("9", 41) + " mL", "has too many digits; write at most 40"},
		{strings.Repeat("9", 200) + " mL", "is too long for a quantity"},
		{"3 mL gauge", "is a volume, which is not stated as gauge; leave out the word gauge"},
		{"3 K absolute", "is a temperature, which is not stated as absolute"},
		{"3 bar above", `has "above" behind the unit`},
		{"3 bar gauge now", "has too many words"},
		{"-0.1 bar absolute", "an absolute pressure is never below zero"},
		{"-273.16 °C", "no temperature is below absolute zero"},
		{"-459.68 °F", "no temperature is below absolute zero"},
		{"-1 K", "no temperature is below absolute zero"},
		{"3 \xc3", "is not UTF-8"},
	} {
		_, err := Parse(tt.give)
		if err == nil || !strings.Contains(err.Error(), tt.want) || len(err.Error()) > 700 {
			t.Errorf("Parse(%.50q) = %v, want %q", tt.give, err, tt.want)
		}
	}
	for _, ok := range []string{"0 bar absolute", "-0 bar absolute", "-273.15 °C", "-459.67 °F", "-1 K difference", "-1 bar gauge"} {
		parsed(t, ok)
	}
}

// TestCmp: comparison is exact and knows definitions and references.
func TestCmp(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		a, b string
		want int
	}{
		{"2.24 mL", "0.00224 L", 0},
		{"10 %", "0.1", 0},
		{"100000 ppm", "10 %", 0},
		{"1 turn", "360 deg", 0},
		{"0.1 bar difference", "100 mbar difference", 0},
		{"20 °C", "68 °F", 0},
		{"-40 °C", "-40 °F", 0},
		{"20 °C", "293.15 K", 0},
		{"9 °F difference", "5 K difference", 0},
		{"12 in", "1 ft", 0},
		{"12 in-lbf", "1 ft-lbf", 0},
		{"176 °C", "350 °F", -1}, // 176 °C is 348.8 °F: the two figures of 49 CFR 180.203 for over-heated aluminium are not the same
		{"1.5 inH2O difference", "1.5 inH2O(4C) difference", 1},
		{"1.5 inH2O(4C) difference", "1.5 inH2O(60F) difference", 1},
		// 3.735 mbar is below 1.5 conventional inches of water and above 1.5 of them at 60 °F.
		{"3.735 mbar difference", "1.5 inH2O difference", -1},
		{"3.735 mbar difference", "1.5 inH2O(4C) difference", -1},
		{"3.735 mbar difference", "1.5 inH2O(60F) difference", 1},
		// The same rise of 5.05 psi is above 5 psi and below 0.35 bar.
		{"5.05 psi difference", "5 psi difference", 1},
		{"5.05 psi difference", "0.35 bar difference", -1},
	} {
		got, err := parsed(t, tt.a).Cmp(parsed(t, tt.b))
		back, err2 := parsed(t, tt.b).Cmp(parsed(t, tt.a))
		if err != nil || err2 != nil || got != tt.want || back != -tt.want {
			t.Errorf("%s with %s: %d and %d, want %d; %v, %v", tt.a, tt.b, got, back, tt.want, err, err2)
		}
	}
	for _, tt := range []struct{ a, b, want string }{
		{"3 bar gauge", "4 bar absolute", "cannot compare 3 bar gauge, a gauge pressure, with 4 bar absolute, an absolute pressure; state the ambient pressure"},
		{"3 bar gauge", "4 bar difference", "state both from the same reference"},
		{"3 bar gauge", "4 mL", "a pressure, with 4 mL, a volume"},
		{"3", "4 turns", "a number or fraction, with 4 turn, an angle"},
		{"3 K", "3 K difference", "state both from the same reference"},
		{"5 ppm", "5 mg/m3", "a number or fraction, with 5 mg/m3, a mass concentration"},
	} {
		if _, err := parsed(t, tt.a).Cmp(parsed(t, tt.b)); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s with %s: %v, want %q", tt.a, tt.b, err, tt.want)
		}
	}
}

func TestArithmetic(t *testing.T) {
	t.Parallel()
	add := func(a, b Quantity) (Quantity, error) { return a.Add(b) }
	sub := func(a, b Quantity) (Quantity, error) { return a.Sub(b) }
	mul := func(a, b Quantity) (Quantity, error) { return a.Mul(b) }
	div := func(a, b Quantity) (Quantity, error) { return a.Div(b) }
	for _, tt := range []struct {
		name string
		do   func(a, b Quantity) (Quantity, error)
		a, b string
		want string // a quantity, or what the error says
	}{
		{"add", add, "1.1 mL", "2.2 mL", "3.3 mL"},
		{"add in the first unit", add, "1 L", "5 mL", "1.005 L"},
		{"shift a gauge pressure", add, "135 psi gauge", "5 psi difference", "140 psi gauge"},
		{"shift by a gauge pressure", add, "5 psi difference", "135 psi gauge", "140 psi gauge"},
		{"two gauge pressures", add, "1 bar gauge", "1 bar gauge", "one of them must be a difference"},
		{"two temperatures", add, "1 °C", "1 °C", "one of them must be a difference"},
		{"gauge less gauge", sub, "140.05 psi gauge", "135.0 psi gauge", "5.05 psi difference"},
		{"absolute less absolute", sub, "2 bar absolute", "500 mbar absolute", "1.5 bar difference"},
		{"gauge less absolute", sub, "2 bar gauge", "1 bar absolute", "state the ambient pressure"},
		{"gauge less difference", sub, "2 bar gauge", "3 bar difference", "-1 bar gauge"},
		{"absolute below zero", sub, "2 bar absolute", "3 bar difference", "never below zero"},
		{"difference less gauge", sub, "2 bar difference", "1 bar gauge", "one of them must be a difference"},
		{"temperatures", sub, "68 °F", "10 °C", "18 °F difference"},
		{"temperature less difference", sub, "20 °C", "18 °F difference", "10 °C"},
		{"different dimensions", sub, "1 mL", "1 bar gauge", "a volume"},
		{"a tenth of a volume", mul, "22.4 mL", "10 %", "2.24 mL"},
		{"a tenth of a volume, the other way", mul, "10 %", "22.4 mL", "2.24 mL"},
		{"of a gauge pressure", mul, "5000 psi gauge", "2 %", "100 psi gauge"},
		{"of a temperature", mul, "20 °C", "2", "no multiples"},
		{"minus an absolute pressure", mul, "1 bar absolute", "-1", "never below zero"},
		{"ratio", div, "2.24 mL", "22.4 mL", "0.1"},
		{"ratio of units", div, "2.24 mL", "0.0224 L", "0.1"},
		{"error over full scale", div, "60 psi difference", "5000 psi gauge", "0.012"},
		{"absolute over gauge", div, "1 bar absolute", "1 bar gauge", "state the ambient pressure"},
		{"by zero", div, "1 mL", "0 mL", "which is zero"},
		{"by zero percent", div, "1 mL", "0 %", "which is zero"},
		{"flow", div, "30 L", "2 min", "0.00025 m3 s-1"},
		{"gauge over time", div, "1 bar gauge", "1 min", "take a difference first"},
		{"rise over time", div, "600 Pa difference", "1 min", "10 kg m-1 s-3"},
		{"rate times time", mul, "2 mbar/min", "3 min", "600 Pa difference"},
		{"gas in a cylinder", mul, "200 bar absolute", "12 L", "240000 N·m"},
		{"force and lever", div, "10 N·m", "2 m3", "5 Pa difference"},
	} {
		got, err := tt.do(parsed(t, tt.a), parsed(t, tt.b))
		text := got.String()
		if err != nil {
			text = err.Error()
		}
		if err != nil && !strings.Contains(text, tt.want) || err == nil && text != tt.want {
			t.Errorf("%s: of %s and %s: %s, want %s", tt.name, tt.a, tt.b, text, tt.want)
		}
	}
}

func TestIn(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ give, unit, want string }{
		{"2.24 mL", "L", "0.00224 L"},
		{"100 °C", "°F", "212 °F"},
		{"98.6 °F", "°C", "37 °C"},
		{"1 K difference", "°F", "1.8 °F difference"},
		{"1 inHg gauge", "mmHg", "25.4 mmHg gauge"},
		{"1 atm absolute", "Torr", "760 Torr absolute"},
		{"1 ftH2O gauge", "inH2O", "12 inH2O gauge"},
		{"5.05 psi difference", "psi", "5.05 psi difference"},
	} {
		u, err := ParseUnit(tt.unit)
		if err != nil {
			t.Fatal(err)
		}
		got, err := parsed(t, tt.give).In(u)
		if err != nil || got.String() != tt.want {
			t.Errorf("%s in %s = %s, %v; want %s", tt.give, tt.unit, got, err, tt.want)
		}
	}
	if _, err := parsed(t, "3 mL").In(parsed(t, "1 bar gauge").Unit()); err == nil || !strings.Contains(err.Error(), "has no value in bar, which measures a pressure") {
		t.Error(err)
	}
}

func TestAmbient(t *testing.T) {
	t.Parallel()
	ambient := parsed(t, "1013.25 hPa absolute")
	up, err := parsed(t, "9 bar gauge").ToAbsolute(ambient)
	if err != nil || up.String() != "10.01325 bar absolute" {
		t.Errorf("ToAbsolute = %v, %v", up, err)
	}
	back, err := up.ToGauge(ambient)
	if err != nil || back.String() != "9 bar gauge" {
		t.Errorf("ToGauge = %v, %v", back, err)
	}
	if same, err := up.ToAbsolute(ambient); err != nil || same.String() != up.String() {
		t.Errorf("ToAbsolute of absolute = %v, %v", same, err)
	}
	if _, err := parsed(t, "-1.1 bar gauge").ToAbsolute(ambient); err == nil || !strings.Contains(err.Error(), "never below zero") {
		t.Error(err)
	}
	for _, a := range []string{"1 bar gauge", "1 bar difference", "3 mL"} {
		if _, err := up.ToGauge(parsed(t, a)); err == nil || !strings.Contains(err.Error(), "is no ambient pressure") {
			t.Errorf("with %s: %v", a, err)
		}
	}
	if _, err := parsed(t, "1 bar difference").ToGauge(ambient); err == nil || !strings.Contains(err.Error(), "neither a gauge nor an absolute pressure") {
		t.Error(err)
	}
}

// TestRounding: for people halves go to even; a minimum goes up and a maximum down. The numbers of seven digits are the examples of NIST SP 811,
// appendix B.7.2 (from memory).
func TestRounding(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		got, want string
	}{
		{parsed(t, "6.9749515").Fixed(6), "6.974952"},
		{parsed(t, "6.9749505").Fixed(6), "6.974950"},
		{parsed(t, "2.5").Fixed(0), "2"},
		{parsed(t, "3.5").Fixed(0), "4"},
		{parsed(t, "-2.5").Fixed(0), "-2"},
		{parsed(t, "-2.51").Fixed(0), "-3"},
		{parsed(t, "2.4999").Fixed(2), "2.50"},
		{parsed(t, "1234").Fixed(-2), "1200"},
		{parsed(t, "5736.1 psi gauge").AtLeastRounded(0), "5737"},
		{parsed(t, "5736 psi gauge").AtLeastRounded(0), "5736"},
		{parsed(t, "5736.9 psi gauge").AtMostRounded(0), "5736"},
		{parsed(t, "-5.5").AtLeastRounded(0), "-5"},
		{parsed(t, "-5.5").AtMostRounded(0), "-6"},
		{parsed(t, "0.000123456").Rounded(3), "0.000123"},
		{parsed(t, "123456").Rounded(2), "120000"},
		{parsed(t, "99.96").Rounded(3), "100"},
		{parsed(t, "0").Rounded(3), "0"},
		{parsed(t, "1.500").Rounded(6), "1.5"},
	} {
		if tt.got != tt.want {
			t.Errorf("got %s, want %s", tt.got, tt.want)
		}
	}
	// The test pressure of a cylinder of 3442 psi is at least five thirds of it (49 CFR 180.209(a)): 5737 psi, not 5736.
	least, err := parsed(t, "3442 psi gauge").Scale(big.NewRat(5, 3))
	if err != nil || least.AtLeastRounded(0) != "5737" || least.Value() != "5736.66666666667" || least.Shown(6) != "5736.67 psi gauge" {
		t.Errorf("five thirds of 3442 psi: %v, %v", least, err)
	}
}

func TestZero(t *testing.T) {
	t.Parallel()
	var q Quantity
	if q.String() != "0" || q.Sign() != 0 || !q.Dimension().IsNumber() || q.Unit() != One() {
		t.Errorf("the zero Quantity is %v", q)
	}
	if c, err := q.Cmp(Number(0)); err != nil || c != 0 {
		t.Error(c, err)
	}
}
