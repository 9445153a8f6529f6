package measure

import "math/big"

// Quantity is a number with a unit and, for a pressure, its reference. The zero Quantity is the number 0. Quantities do not change; compare them
// with Cmp, not with ==.
type Quantity struct {
	text  string   // the number as entered; "" where it was computed
	value *big.Rat // the number, in unit; nil is 0. Never changed
	unit  Unit
	ref   Reference
}

// New reads a number and joins it to a unit and a reference. It refuses what is no decimal, a reference that the unit does not take or lacks, and
// what cannot be: an absolute pressure or a temperature below zero.
func New(number string, unit Unit, ref Reference) (Quantity, error) {
	v, err := parseNumber(number)
	if err != nil {
		return Quantity{}, err
	}
	return checked(Quantity{text: number, value: v, unit: unit, ref: ref})
}

// Of returns a quantity of a number that is computed. It refuses what New refuses, and numbers too long to go on with.
func Of(number *big.Rat, unit Unit, ref Reference) (Quantity, error) {
	return checked(Quantity{value: new(big.Rat).Set(number), unit: unit, ref: ref})
}

// Number returns a number without a unit.
func Number(n int64) Quantity { return Quantity{value: big.NewRat(n, 1), unit: One()} }

// maxBits bounds the numerator and the denominator of a number: far beyond what readings and their sums need.
const maxBits = 4096

// checked returns q if it can be.
func checked(q Quantity) (Quantity, error) {
	d := q.unit.Dimension()
	switch {
	case q.rat().Num().BitLen() > maxBits || q.rat().Denom().BitLen() > maxBits:
		return Quantity{}, &Error{Text: "the number has become too long to compute with", Remedy: "state fewer digits or fewer steps"}
	case d.IsPressure() && q.ref == None:
		return Quantity{}, &Error{Value: shown(q.Value() + " " + q.unit.Symbol()), Text: "does not say what the pressure is measured from", Remedy: "add gauge, absolute or difference, such as " + shown(q.Value()) + " " + q.unit.Symbol() + " gauge"}
	case !q.ref.Fits(d):
		return Quantity{}, &Error{Value: shown(q.String()), Text: "is " + article(d.String()) + ", which is not stated as " + q.ref.String(), Remedy: "leave out the word " + q.ref.String()}
	case q.ref == Absolute && q.rat().Sign() < 0:
		return Quantity{}, &Error{Value: shown(q.String()), Text: "cannot be: an absolute pressure is never below zero", Remedy: "check the reading, or state it as gauge or difference"}
	case d == dimTemperature && q.ref == None && q.coherent().Sign() < 0:
		return Quantity{}, &Error{Value: shown(q.String()), Text: "cannot be: no temperature is below absolute zero", Remedy: "check the reading and its unit"}
	}
	return q, nil
}

// rat returns the number in its unit, not to be changed.
func (q Quantity) rat() *big.Rat {
	if q.value == nil {
		return new(big.Rat)
	}
	return q.value
}

// coherent returns the number in the coherent unit.
func (q Quantity) coherent() *big.Rat {
	d := q.unit.def()
	out := new(big.Rat).Mul(q.rat(), d.factor)
	if q.ref != Difference {
		out.Add(out, d.shift)
	}
	return out
}

// from returns the number in a unit of what is a number in the coherent unit.
func (u Unit) from(coherent *big.Rat, ref Reference) *big.Rat {
	d := u.def()
	out := new(big.Rat).Set(coherent)
	if ref != Difference {
		out.Sub(out, d.shift)
	}
	return out.Quo(out, d.factor)
}

// Unit returns the unit.
func (q Quantity) Unit() Unit { return Unit{q.unit.def()} }

// Reference returns what a pressure is measured from.
func (q Quantity) Reference() Reference { return q.ref }

// Dimension returns what the unit measures.
func (q Quantity) Dimension() Dimension { return q.unit.Dimension() }

// Rat returns the number in its unit. The value is the caller's.
func (q Quantity) Rat() *big.Rat { return new(big.Rat).Set(q.rat()) }

// SI returns the number in the coherent unit of the SI (pascal, cubic metre, kilogram, kelvin …; for an angle in turns, of which the radian is no
// exact part). The value is the caller's.
func (q Quantity) SI() *big.Rat { return q.coherent() }

// Sign returns -1, 0 or 1 for the number in its unit.
func (q Quantity) Sign() int { return q.rat().Sign() }

// Entered says whether the number is one that was entered, and not computed.
func (q Quantity) Entered() bool { return q.text != "" }

// InSI returns the quantity in the coherent unit of the SI for what it is.
func (q Quantity) InSI() (Quantity, error) { return q.In(coherentOf(q.Dimension())) }

// In returns the same quantity in another unit of the same dimension, exactly.
func (q Quantity) In(unit Unit) (Quantity, error) {
	if q.Dimension() != unit.Dimension() {
		return Quantity{}, &Error{Value: shown(q.String()), Text: "is " + article(q.Dimension().String()) + " and has no value in " + unit.Symbol() + ", which measures " + article(unit.Dimension().String())}
	}
	if q.Unit() == (Unit{unit.def()}) {
		return q, nil
	}
	return checked(Quantity{value: unit.from(q.coherent(), q.ref), unit: unit, ref: q.ref})
}

// Cmp compares two quantities exactly, whatever their units: -1, 0 or 1 as q is less, equal or greater. It refuses quantities of
// different dimensions, and pressures with different references.
func (q Quantity) Cmp(o Quantity) (int, error) {
	if err := same(q, o, "compare"); err != nil {
		return 0, err
	}
	return q.coherent().Cmp(o.coherent()), nil
}

// same refuses two quantities that do not go together.
func same(q, o Quantity, verb string) error {
	if q.Dimension() != o.Dimension() {
		return &Error{Text: "cannot " + verb + " " + shown(q.String()) + ", " + article(q.Dimension().String()) + ", with " + shown(o.String()) + ", " + article(o.Dimension().String()), Remedy: "state both as the same kind of quantity"}
	}
	if q.ref != o.ref {
		remedy := "state both from the same reference"
		if mixed(q, o) {
			remedy = "state the ambient pressure, so that one can be turned into the other"
		}
		return &Error{Text: "cannot " + verb + " " + shown(q.String()) + ", " + article(q.ref.named(q.Dimension())) + ", with " + shown(o.String()) + ", " + article(o.ref.named(o.Dimension())), Remedy: remedy}
	}
	return nil
}

// mixed says whether one is a gauge and the other an absolute pressure.
func mixed(q, o Quantity) bool {
	return q.ref == Gauge && o.ref == Absolute || q.ref == Absolute && o.ref == Gauge
}

// ToAbsolute returns a gauge pressure as an absolute one, given the pressure around the instrument; an absolute one stays as it is.
func (q Quantity) ToAbsolute(ambient Quantity) (Quantity, error) {
	return q.referred(ambient, Absolute, 1)
}

// ToGauge returns an absolute pressure as a gauge one, given the pressure around the instrument; a gauge one stays as it is.
func (q Quantity) ToGauge(ambient Quantity) (Quantity, error) {
	return q.referred(ambient, Gauge, -1)
}

func (q Quantity) referred(ambient Quantity, to Reference, sign int64) (Quantity, error) {
	switch {
	case !ambient.Dimension().IsPressure() || ambient.ref != Absolute:
		return Quantity{}, &Error{Value: shown(ambient.String()), Text: "is no ambient pressure", Remedy: "state it as an absolute pressure, such as 1013.25 hPa absolute"}
	case !q.Dimension().IsPressure() || q.ref == Difference:
		return Quantity{}, &Error{Value: shown(q.String()), Text: "is neither a gauge nor an absolute pressure, and has no value as " + to.String()}
	case q.ref == to:
		return q, nil
	}
	a := new(big.Rat).Mul(ambient.coherent(), big.NewRat(sign, 1))
	return checked(Quantity{value: q.unit.from(a.Add(a, q.coherent()), to), unit: q.unit, ref: to})
}
