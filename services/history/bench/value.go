package bench

import (
	"errors"
	"math/big"
	"reflect"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"

	"strandline.example/strandline/internal/measure"
)

// The types of expressions beside CEL's bool, string and int.
var (
	quantityType = cel.OpaqueType("quantity")
	seriesType   = cel.OpaqueType("series")
)

// quantityValue is a quantity in CEL.
type quantityValue struct{ q measure.Quantity }

func (quantityValue) ConvertToNative(reflect.Type) (any, error) {
	return nil, errors.New("a quantity has no native value")
}
func (v quantityValue) ConvertToType(ref.Type) ref.Val {
	return types.NewErr("a quantity is no other type")
}
func (quantityValue) Type() ref.Type { return quantityType }
func (v quantityValue) Value() any   { return v.q }

// Equal compares exactly, whatever the units.
func (v quantityValue) Equal(other ref.Val) ref.Val {
	o, ok := other.(quantityValue)
	if !ok {
		return types.False
	}
	c, err := v.q.Cmp(o.q)
	if err != nil {
		return types.WrapErr(err)
	}
	return types.Bool(c == 0)
}

// seriesValue is a series in CEL.
type seriesValue []Sample

func (seriesValue) ConvertToNative(reflect.Type) (any, error) {
	return nil, errors.New("a series has no native value")
}
func (seriesValue) ConvertToType(ref.Type) ref.Val { return types.NewErr("a series is no other type") }
func (seriesValue) Type() ref.Type                 { return seriesType }
func (v seriesValue) Value() any                   { return []Sample(v) }
func (seriesValue) Equal(ref.Val) ref.Val {
	return types.NewErr("series are not compared: take first(), last(), max() or another quantity of them")
}

// back returns a quantity to CEL.
func back(q measure.Quantity, err error) ref.Val {
	if err != nil {
		return types.WrapErr(err)
	}
	return quantityValue{q}
}

// quantityOf returns the quantity in a value: a whole number is one without a unit.
func quantityOf(v ref.Val) measure.Quantity {
	switch v := v.(type) {
	case quantityValue:
		return v.q
	case types.Int:
		return measure.Number(int64(v))
	}
	return measure.Number(0)
}

func first(s seriesValue) (measure.Quantity, error) { return s[0].Value, nil }

func last(s seriesValue) (measure.Quantity, error) { return s[len(s)-1].Value, nil }

// greatest returns the greatest of a series, or with sign -1 the least.
func greatest(s seriesValue, sign int) (measure.Quantity, error) {
	out := s[0].Value
	for _, x := range s[1:] {
		c, err := x.Value.Cmp(out)
		if err != nil {
			return out, err
		}
		if c*sign > 0 {
			out = x.Value
		}
	}
	return out, nil
}

// change returns the last less the first.
func change(s seriesValue) (measure.Quantity, error) { return s[len(s)-1].Value.Sub(s[0].Value) }

// span returns the time from the first to the last.
func span(s seriesValue) (measure.Quantity, error) { return s[len(s)-1].At.Sub(s[0].At) }

// mean returns the arithmetic mean.
func mean(s seriesValue) (measure.Quantity, error) {
	unit, sum := s[0].Value.Unit(), new(big.Rat)
	for _, x := range s {
		q, err := x.Value.In(unit)
		if err != nil {
			return q, err
		}
		sum.Add(sum, q.Rat())
	}
	return measure.Of(sum.Quo(sum, big.NewRat(int64(len(s)), 1)), unit, s[0].Value.Reference())
}

// at returns the value at a time since the series began: the one read then, or on the straight line between the two around it.
func at(s seriesValue, when measure.Quantity) (measure.Quantity, error) {
	for i, x := range s {
		c, err := x.At.Cmp(when)
		switch {
		case err != nil:
			return x.Value, err
		case c == 0:
			return x.Value, nil
		case c > 0 && i > 0:
			before := s[i-1]
			rise, err1 := x.Value.Sub(before.Value)
			whole, err2 := x.At.Sub(before.At)
			part, err3 := when.Sub(before.At)
			if err := errors.Join(err1, err2, err3); err != nil {
				return rise, err
			}
			share, err := part.Div(whole)
			if err != nil {
				return share, err
			}
			if rise, err = rise.Mul(share); err != nil {
				return rise, err
			}
			return before.Value.Add(rise)
		case c > 0:
			return x.Value, errors.New("the series begins at " + x.At.String() + ", after " + when.String() + ": read it from then on")
		}
	}
	return when, errors.New("the series ends at " + s[len(s)-1].At.String() + ", before " + when.String() + ": read on until then")
}

// slope returns the rate of change of the straight line that fits best by least squares.
func slope(s seriesValue) (measure.Quantity, error) {
	n := big.NewRat(int64(len(s)), 1)
	if len(s) < 2 {
		return measure.Quantity{}, errors.New("the series has a single reading and no slope: read at least two")
	}
	// Differences from the first, in its units, so that zero points do not matter.
	var st, sv, stt, stv big.Rat
	unit := s[0].Value.Unit()
	for _, x := range s {
		dt, err := x.At.Sub(s[0].At)
		if err != nil {
			return dt, err
		}
		dv, err := x.Value.Sub(s[0].Value)
		if err != nil {
			return dv, err
		}
		if dv, err = dv.In(unit); err != nil {
			return dv, err
		}
		t, v := dt.SI(), dv.Rat()
		st.Add(&st, t)
		sv.Add(&sv, v)
		stt.Add(&stt, new(big.Rat).Mul(t, t))
		stv.Add(&stv, new(big.Rat).Mul(t, v))
	}
	// (n·Σtv - Σt·Σv) / (n·Σtt - (Σt)²): the divisor is above zero, as the times differ.
	num := new(big.Rat).Mul(n, &stv)
	num.Sub(num, new(big.Rat).Mul(&st, &sv))
	den := new(big.Rat).Mul(n, &stt)
	den.Sub(den, new(big.Rat).Mul(&st, &st))
	ref := measure.None
	if one, err := s[0].Value.Sub(s[0].Value); err == nil {
		ref = one.Reference()
	}
	rise, err := measure.Of(num.Quo(num, den), unit, ref)
	if err != nil {
		return rise, err
	}
	return rise.Div(second)
}

// second is the coherent unit of time.
var second = func() measure.Quantity {
	q, _ := measure.Parse("1 s")
	return q
}()

// deviation returns the greatest difference, without its sign, between two series read at the same times.
func deviation(a, b seriesValue) (measure.Quantity, error) {
	if len(a) != len(b) {
		return measure.Quantity{}, errors.New("the two series have different numbers of readings: read both at the same times")
	}
	var out measure.Quantity
	for i := range a {
		if c, err := a[i].At.Cmp(b[i].At); err != nil || c != 0 {
			return out, errors.New("the two series were not read at the same times, such as " + a[i].At.String() + " and " + b[i].At.String() + ": read both together")
		}
		d, err := a[i].Value.Sub(b[i].Value)
		if err != nil {
			return d, err
		}
		if d, err = d.Abs(); err != nil {
			return d, err
		}
		if i == 0 {
			out = d
		} else if c, err := d.Cmp(out); err != nil {
			return d, err
		} else if c > 0 {
			out = d
		}
	}
	return out, nil
}

// ofFullScale returns a deviation, without its sign, over the end of a scale.
func ofFullScale(deviation, full measure.Quantity) (measure.Quantity, error) {
	if full.Sign() <= 0 {
		return full, errors.New("a full scale of " + full.String() + " is none: state what the end of the scale says")
	}
	d, err := deviation.Abs()
	if err != nil {
		return d, err
	}
	return d.Div(full)
}
