package measure

import (
	"fmt"
	"strings"
)

// Dimension is the exponents of the base quantities in which a quantity is measured. An angle is counted as one of them, so that a turn
// of a screw never passes for a bare number; in the SI itself it has no dimension.
type Dimension struct{ Length, Mass, Time, Temperature, Angle int8 }

// The dimensions that units have names for.
var (
	dimNumber        = Dimension{}
	dimPressure      = Dimension{Length: -1, Mass: 1, Time: -2}
	dimPressureRate  = Dimension{Length: -1, Mass: 1, Time: -3}
	dimVolume        = Dimension{Length: 3}
	dimFlow          = Dimension{Length: 3, Time: -1}
	dimAngle         = Dimension{Angle: 1}
	dimTorque        = Dimension{Length: 2, Mass: 1, Time: -2}
	dimLength        = Dimension{Length: 1}
	dimMass          = Dimension{Mass: 1}
	dimConcentration = Dimension{Length: -3, Mass: 1}
	dimTime          = Dimension{Time: 1}
	dimTemperature   = Dimension{Temperature: 1}
	dimViscosity     = Dimension{Length: 2, Time: -1}
)

var dimensionNames = map[Dimension]string{
	dimNumber: "number or fraction", dimPressure: "pressure", dimPressureRate: "pressure rate", dimVolume: "volume", dimFlow: "flow", dimAngle: "angle", dimTorque: "torque",
	dimLength: "length", dimMass: "mass", dimConcentration: "mass concentration", dimTime: "time", dimTemperature: "temperature", dimViscosity: "kinematic viscosity",
}

// String returns the dimension's name, or its base units where it has none.
func (d Dimension) String() string {
	if name := dimensionNames[d]; name != "" {
		return name
	}
	return "quantity in " + d.symbol()
}

// IsPressure says whether it is that of a pressure, whose quantities carry a reference.
func (d Dimension) IsPressure() bool { return d == dimPressure }

// IsNumber says whether it is that of bare numbers and fractions.
func (d Dimension) IsNumber() bool { return d == dimNumber }

// IsTime says whether it is that of a time.
func (d Dimension) IsTime() bool { return d == dimTime }

// symbol returns the base units with their exponents, such as "kg m-1 s-3".
func (d Dimension) symbol() string {
	var parts []string
	for _, p := range []struct {
		base string
		n    int8
	}{{"kg", d.Mass}, {"m", d.Length}, {"s", d.Time}, {"K", d.Temperature}, {"turn", d.Angle}} {
		switch p.n {
		case 0:
		case 1:
			parts = append(parts, p.base)
		default:
			parts = append(parts, fmt.Sprintf("%s%d", p.base, p.n))
		}
	}
	if len(parts) == 0 {
		return "1"
	}
	return strings.Join(parts, " ")
}

// maxExponent bounds the exponents that arithmetic may reach.
const maxExponent = 12

// plus returns the dimension of a product (sign 1) or a quotient (sign -1), and whether its exponents stay in bounds.
func (d Dimension) plus(o Dimension, sign int8) (Dimension, bool) {
	out := Dimension{d.Length + sign*o.Length, d.Mass + sign*o.Mass, d.Time + sign*o.Time, d.Temperature + sign*o.Temperature, d.Angle + sign*o.Angle}
	for _, n := range []int8{out.Length, out.Mass, out.Time, out.Temperature, out.Angle} {
		if n > maxExponent || n < -maxExponent {
			return Dimension{}, false
		}
	}
	return out, true
}
