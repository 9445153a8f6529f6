package measure

import "math/big"

// Add returns the sum, in q's unit. A difference may be added to a pressure or temperature and shifts it; two gauge pressures, two absolute
// ones or two temperatures have no sum.
func (q Quantity) Add(o Quantity) (Quantity, error) { return q.sum(o, 1) }

// Sub returns q less o, in q's unit: of two pressures with the same reference, or two temperatures, their difference; of a pressure or
// temperature and a difference, the pressure or temperature shifted. Gauge and absolute pressure have no difference.
func (q Quantity) Sub(o Quantity) (Quantity, error) { return q.sum(o, -1) }

func (q Quantity) sum(o Quantity, sign int64) (Quantity, error) {
	verb := "add"
	if sign < 0 {
		verb = "subtract"
	}
	point := func(q Quantity) bool {
		return q.ref == Gauge || q.ref == Absolute || q.Dimension() == dimTemperature && q.ref == None
	}
	ref := q.ref
	switch {
	case q.Dimension() != o.Dimension():
		return Quantity{}, same(q, o, verb)
	case point(q) && point(o) && sign < 0:
		if err := same(q, o, verb); err != nil {
			return Quantity{}, err
		}
		ref = Difference
	case point(o) && (sign < 0 || point(q)):
		return Quantity{}, &Error{Text: "cannot " + verb + " " + shown(o.String()) + ", " + article(o.ref.named(o.Dimension())) + ", and " + shown(q.String()) + ", " + article(q.ref.named(q.Dimension())), Remedy: "one of them must be a difference"}
	case point(o): // a difference and a point: the point shifted
		ref = o.ref
	}
	b := o.coherent()
	if sign < 0 {
		b.Neg(b)
	}
	return checked(Quantity{value: q.unit.from(b.Add(b, q.coherent()), ref), unit: q.unit, ref: ref})
}

// Neg returns the quantity with the other sign. An absolute pressure and a temperature have no opposite.
func (q Quantity) Neg() (Quantity, error) { return q.Scale(big.NewRat(-1, 1)) }

// Abs returns the quantity without its sign.
func (q Quantity) Abs() (Quantity, error) {
	if q.Sign() >= 0 && (q.Dimension() != dimTemperature || q.ref == Difference) {
		return q, nil
	}
	return q.Neg()
}

// Scale returns the quantity times a number, in its own unit. Of temperatures only differences have multiples.
func (q Quantity) Scale(by *big.Rat) (Quantity, error) {
	if q.Dimension() == dimTemperature && q.ref != Difference {
		return Quantity{}, &Error{Value: shown(q.String()), Text: "is a temperature, of which there are no multiples", Remedy: "multiply a difference of two temperatures"}
	}
	return checked(Quantity{value: new(big.Rat).Mul(q.rat(), by), unit: q.unit, ref: q.ref})
}

// Mul returns the product. By a bare number it is in q's unit; otherwise in base units.
func (q Quantity) Mul(o Quantity) (Quantity, error) {
	if o.Dimension().IsNumber() {
		return q.Scale(o.coherent())
	}
	if q.Dimension().IsNumber() {
		return o.Scale(q.coherent())
	}
	return combine(q, o, 1)
}

// Div returns the quotient. By a bare number it is in q's unit; of two quantities of the same dimension it is a number, otherwise in base units.
func (q Quantity) Div(o Quantity) (Quantity, error) {
	by := o.coherent()
	if by.Sign() == 0 {
		return Quantity{}, &Error{Text: "cannot divide " + shown(q.String()) + " by " + shown(o.String()) + ", which is zero"}
	}
	if o.Dimension().IsNumber() {
		return q.Scale(by.Inv(by))
	}
	if q.Dimension() == o.Dimension() && q.Dimension().IsPressure() {
		if mixed(q, o) {
			return Quantity{}, same(q, o, "divide")
		}
		return checked(Quantity{value: new(big.Rat).Quo(q.coherent(), by), unit: One()})
	}
	return combine(q, o, -1)
}

// combine multiplies or divides quantities with units. A gauge pressure or a temperature is a place on a scale and takes no part: whoever means the
// gas itself states an absolute pressure, whoever means a change a difference.
func combine(q, o Quantity, sign int8) (Quantity, error) {
	for _, x := range []Quantity{q, o} {
		if x.ref == Gauge || x.Dimension() == dimTemperature && x.ref != Difference {
			return Quantity{}, &Error{Value: shown(x.String()), Text: "is " + article(x.ref.named(x.Dimension())) + " and cannot be multiplied or divided with another unit", Remedy: "take a difference first"}
		}
	}
	dim, ok := q.Dimension().plus(o.Dimension(), sign)
	if !ok {
		return Quantity{}, &Error{Text: "cannot multiply or divide any further: the unit " + shown(q.unit.Symbol()) + " has too high a power"}
	}
	v := o.coherent()
	if sign < 0 {
		v.Inv(v)
	}
	v.Mul(v, q.coherent())
	ref := None
	if dim.IsPressure() || dim == dimTemperature {
		ref = Difference
	}
	unit := coherentOf(dim)
	if dim.IsNumber() {
		unit = One()
	}
	return checked(Quantity{value: v, unit: unit, ref: ref})
}
