package measure

import (
	"math/big"
	"slices"
	"strings"
	"sync"
)

// Unit is a unit of measure in one exact definition. Units compare with ==. The zero Unit is the number one.
type Unit struct{ d *definition }

// definition is what a unit is.
type definition struct {
	symbol  string
	aliases []string
	name    string
	dim     Dimension
	expr    string // the factor to the coherent unit, as it is defined: decimals joined by * and /
	offset  string // what is added after the factor, in the coherent unit; only of temperatures
	exact   bool   // whether the factor is exact by definition; otherwise it is as the source prints it
	source  string // where the factor is from

	factor, shift *big.Rat
}

// coherent are the coherent units that have no name, by dimension, as derived quantities come to need them. Exponents are bounded, so they are few.
var coherent sync.Map // Dimension -> *definition

// coherentOf returns the unit of a dimension whose factor is one.
func coherentOf(d Dimension) Unit {
	for i := range definitions { // in one order, so that the same one is found each time
		if u := &definitions[i]; u.dim == d && u.expr == "1" && u.offset == "" {
			return table()[u.symbol]
		}
	}
	if v, ok := coherent.Load(d); ok {
		return Unit{v.(*definition)}
	}
	v, _ := coherent.LoadOrStore(d, &definition{symbol: d.symbol(), name: d.String(), dim: d, exact: true, source: "SI", factor: big.NewRat(1, 1), shift: new(big.Rat)})
	return Unit{v.(*definition)}
}

// table is every unit by symbol and alias, made once.
var table = sync.OnceValue(func() map[string]Unit {
	out := map[string]Unit{}
	for i := range definitions {
		d := &definitions[i]
		d.factor, d.shift = product(d.expr), product(d.offset)
		if d.offset == "" {
			d.shift = new(big.Rat)
		}
		for _, s := range append([]string{d.symbol}, d.aliases...) {
			out[s] = Unit{d}
		}
	}
	return out
})

// product computes decimals joined by * and /, from left to right; nil if it is none.
func product(expr string) *big.Rat {
	out, divide := big.NewRat(1, 1), false
	for _, w := range strings.Fields(expr) {
		switch w {
		case "*":
			divide = false
		case "/":
			divide = true
		default:
			r, ok := new(big.Rat).SetString(w)
			if !ok || r.Sign() == 0 {
				return nil
			}
			if divide {
				r.Inv(r)
			}
			out.Mul(out, r)
		}
	}
	return out
}

// One is the unit of numbers without a unit.
func One() Unit { return table()["1"] }

// def returns what the unit is; the zero Unit is the number one.
func (u Unit) def() *definition {
	if u.d == nil {
		return One().d
	}
	return u.d
}

// Symbol returns the symbol, as it stands in the text of a quantity.
func (u Unit) Symbol() string { return u.def().symbol }

// Name returns the name in words.
func (u Unit) Name() string { return u.def().name }

// Dimension returns what the unit measures.
func (u Unit) Dimension() Dimension { return u.def().dim }

// Factor returns how many coherent units (SI; for angles the turn) one of it is. The value is the caller's.
func (u Unit) Factor() *big.Rat { return new(big.Rat).Set(u.def().factor) }

// Offset returns what its zero is in the coherent unit: 273.15 for °C. The value is the caller's.
func (u Unit) Offset() *big.Rat { return new(big.Rat).Set(u.def().shift) }

// Exact says whether the factor is exact by definition; otherwise it is the number that the source prints, taken as it stands.
func (u Unit) Exact() bool { return u.def().exact }

// Source says where the factor is from.
func (u Unit) Source() string { return u.def().source }

// String returns the symbol.
func (u Unit) String() string { return u.Symbol() }

// ParseUnit finds a unit by its symbol. The signs that keyboards differ in are taken alike: m³ and m3, µ and μ, · and ⋅.
func ParseUnit(symbol string) (Unit, error) {
	if u, ok := table()[symbol]; ok {
		return u, nil
	}
	if len(symbol) > 40 {
		return Unit{}, &Error{Value: shown(symbol), Text: "is no unit", Remedy: "write a symbol such as bar, psi, mL or mg/m3"}
	}
	if u, ok := table()[alike.Replace(symbol)]; ok {
		return u, nil
	}
	return Unit{}, &Error{Value: symbol, Text: "is no unit that is known here", Remedy: unitRemedy(symbol)}
}

// alike writes signs that mean the same in one way.
var alike = strings.NewReplacer("³", "3", "²", "2", "₂", "2", "⋅", "·", "•", "·", "μ", "µ", "º", "°", "℃", "°C", "℉", "°F", "％", "%")

// unitRemedy says what to write in the place of a symbol that is not known.
func unitRemedy(symbol string) string {
	for _, e := range []struct{ end, word string }{{"(g)", "gauge"}, {"(a)", "absolute"}, {"-g", "gauge"}, {"-a", "absolute"}, {"g", "gauge"}, {"a", "absolute"}, {"d", "difference"}} {
		if base, ok := strings.CutSuffix(symbol, e.end); ok {
			if u, ok := table()[base]; ok && u.Dimension().IsPressure() {
				return "nothing is attached to a unit's symbol: write the number, then " + u.Symbol() + " " + e.word
			}
		}
	}
	var near []string
	for s := range table() {
		if strings.EqualFold(s, symbol) {
			near = append(near, s)
		}
	}
	if len(near) == 0 {
		letters := func(s string) string {
			return strings.ToLower(strings.NewReplacer("(", "", ")", "", "·", "", "-", "", " ", "", "°", "", "/", "").Replace(s))
		}
		for s := range table() {
			if letters(s) == letters(symbol) && letters(s) != "" {
				near = append(near, s)
			}
		}
	}
	if len(near) > 0 {
		slices.Sort(near)
		return "did you mean " + strings.Join(near, " or ") + "?"
	}
	return "write one of " + strings.Join(Symbols(), ", ")
}

// Units returns every unit that has a name, in the order of the table.
func Units() []Unit {
	t := table()
	out := make([]Unit, 0, len(definitions))
	for i := range definitions {
		out = append(out, t[definitions[i].symbol])
	}
	return out
}

// Symbols returns the symbol of every unit, in the order of the table.
func Symbols() []string {
	out := make([]string, 0, len(definitions))
	for i := range definitions {
		out = append(out, definitions[i].symbol)
	}
	return out
}

// Coherent returns the unit of a dimension whose factor is one: the SI's, or for an angle the turn.
func Coherent(d Dimension) Unit { return coherentOf(d) }
