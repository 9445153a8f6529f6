package measure

// Where the factors are from. "SP 811 B" is NIST Special Publication 811 (2008), Guide for the Use of the International System of Units, appendix B.8
// and B.9, whose factors the tests compare with these to the digits it prints. A factor that is exact there is written here as it is
// defined; one that is not is the number that it prints.
const (
	si   = "SI Brochure (BIPM, 9th edition)"
	b    = "NIST SP 811 appendix B.8 and B.9"
	defb = "by definition from the pound of 0.453 592 37 kg, the inch of 0.0254 m and standard gravity of 9.806 65 m/s2; NIST SP 811 appendix B.8 and B.9"
	conv = "conventional: water of 1000 kg/m3 or mercury of 13 595.1 kg/m3 under standard gravity of 9.806 65 m/s2; NIST SP 811 appendix B.8 and B.9"
)

// The pound-force per square inch, from its definition.
const (
	lbf = "0.45359237 * 9.80665"
	psi = lbf + " / 0.0254 / 0.0254"
)

// definitions are the units, by what they measure.
var definitions = []definition{
	{symbol: "1", name: "number", dim: dimNumber, expr: "1", exact: true, source: si},
	{symbol: "%", aliases: []string{"percent"}, name: "percent", dim: dimNumber, expr: "0.01", exact: true, source: "NIST SP 811 section 7.10.2"},
	{symbol: "ppm", name: "parts per million by volume", dim: dimNumber, expr: "0.000001", exact: true, source: "NIST SP 811 section 7.10.3"},
	{symbol: "mL/m3", aliases: []string{"ml/m3"}, name: "millilitre per cubic metre", dim: dimNumber, expr: "0.000001", exact: true, source: si},

	{symbol: "Pa", name: "pascal", dim: dimPressure, expr: "1", exact: true, source: si},
	{symbol: "hPa", name: "hectopascal", dim: dimPressure, expr: "100", exact: true, source: si},
	{symbol: "kPa", name: "kilopascal", dim: dimPressure, expr: "1000", exact: true, source: si},
	{symbol: "MPa", name: "megapascal", dim: dimPressure, expr: "1000000", exact: true, source: si},
	{symbol: "bar", name: "bar", dim: dimPressure, expr: "100000", exact: true, source: b},
	{symbol: "mbar", name: "millibar", dim: dimPressure, expr: "100", exact: true, source: b},
	{symbol: "psi", aliases: []string{"lbf/in2"}, name: "pound-force per square inch", dim: dimPressure, expr: psi, exact: true, source: defb},
	{symbol: "atm", name: "standard atmosphere", dim: dimPressure, expr: "101325", exact: true, source: b},
	{symbol: "Torr", name: "torr", dim: dimPressure, expr: "101325 / 760", exact: true, source: b},
	{symbol: "kgf/cm2", name: "kilogram-force per square centimetre", dim: dimPressure, expr: "98066.5", exact: true, source: b},
	{symbol: "mmHg", name: "millimetre of mercury, conventional", dim: dimPressure, expr: "13.5951 * 9.80665", exact: true, source: conv},
	{symbol: "inHg", name: "inch of mercury, conventional", dim: dimPressure, expr: "13.5951 * 9.80665 * 25.4", exact: true, source: conv},
	{symbol: "inHg(32F)", aliases: []string{"inHg(0C)"}, name: "inch of mercury at 32 °F (0 °C)", dim: dimPressure, expr: "3386.38", source: b},
	{symbol: "inHg(60F)", name: "inch of mercury at 60 °F", dim: dimPressure, expr: "3376.85", source: b},
	{symbol: "mmH2O", name: "millimetre of water, conventional", dim: dimPressure, expr: "9.80665", exact: true, source: conv},
	{symbol: "cmH2O", name: "centimetre of water, conventional", dim: dimPressure, expr: "98.0665", exact: true, source: conv},
	{symbol: "cmH2O(4C)", name: "centimetre of water at 4 °C", dim: dimPressure, expr: "98.0638", source: b},
	{symbol: "inH2O", name: "inch of water, conventional", dim: dimPressure, expr: "9.80665 * 25.4", exact: true, source: conv},
	{symbol: "inH2O(4C)", aliases: []string{"inH2O(39.2F)"}, name: "inch of water at 4 °C (39.2 °F)", dim: dimPressure, expr: "249.082", source: b},
	{symbol: "inH2O(60F)", name: "inch of water at 60 °F", dim: dimPressure, expr: "248.84", source: b},
	{symbol: "ftH2O", name: "foot of water, conventional", dim: dimPressure, expr: "9.80665 * 304.8", exact: true, source: conv},
	{symbol: "ftH2O(4C)", aliases: []string{"ftH2O(39.2F)"}, name: "foot of water at 4 °C (39.2 °F)", dim: dimPressure, expr: "2988.98", source: b},

	{symbol: "bar/min", name: "bar per minute", dim: dimPressureRate, expr: "100000 / 60", exact: true, source: b},
	{symbol: "mbar/min", name: "millibar per minute", dim: dimPressureRate, expr: "100 / 60", exact: true, source: b},
	{symbol: "kPa/min", name: "kilopascal per minute", dim: dimPressureRate, expr: "1000 / 60", exact: true, source: si},
	{symbol: "psi/min", name: "pound-force per square inch and minute", dim: dimPressureRate, expr: psi + " / 60", exact: true, source: defb},

	{symbol: "m3", name: "cubic metre", dim: dimVolume, expr: "1", exact: true, source: si},
	{symbol: "L", aliases: []string{"l"}, name: "litre", dim: dimVolume, expr: "0.001", exact: true, source: si},
	{symbol: "mL", aliases: []string{"ml", "cm3"}, name: "millilitre", dim: dimVolume, expr: "0.000001", exact: true, source: si},
	{symbol: "ft3", name: "cubic foot", dim: dimVolume, expr: "0.3048 * 0.3048 * 0.3048", exact: true, source: defb},
	{symbol: "in3", name: "cubic inch", dim: dimVolume, expr: "0.0254 * 0.0254 * 0.0254", exact: true, source: defb},

	{symbol: "L/min", aliases: []string{"l/min"}, name: "litre per minute", dim: dimFlow, expr: "0.001 / 60", exact: true, source: si},
	{symbol: "L/s", aliases: []string{"l/s"}, name: "litre per second", dim: dimFlow, expr: "0.001", exact: true, source: si},
	{symbol: "mL/min", aliases: []string{"ml/min"}, name: "millilitre per minute", dim: dimFlow, expr: "0.000001 / 60", exact: true, source: si},
	{symbol: "m3/h", name: "cubic metre per hour", dim: dimFlow, expr: "1 / 3600", exact: true, source: si},
	{symbol: "ft3/min", name: "cubic foot per minute", dim: dimFlow, expr: "0.3048 * 0.3048 * 0.3048 / 60", exact: true, source: defb},

	{symbol: "turn", aliases: []string{"turns"}, name: "turn", dim: dimAngle, expr: "1", exact: true, source: b},
	{symbol: "deg", aliases: []string{"°"}, name: "degree", dim: dimAngle, expr: "1 / 360", exact: true, source: b},
	{symbol: "rad", name: "radian", dim: dimAngle, expr: "1 / 6.283185307179586476925286766559005768394", source: "2π radians to the turn, to 40 digits"},

	{symbol: "N·m", aliases: []string{"Nm", "N.m", "N*m", "N-m"}, name: "newton metre", dim: dimTorque, expr: "1", exact: true, source: si},
	{symbol: "in-lbf", aliases: []string{"in·lbf", "lbf·in", "lbf-in", "in-lb"}, name: "inch pound-force", dim: dimTorque, expr: lbf + " * 0.0254", exact: true, source: defb},
	{symbol: "ft-lbf", aliases: []string{"ft·lbf", "lbf·ft", "lbf-ft", "ft-lb"}, name: "foot pound-force", dim: dimTorque, expr: lbf + " * 0.3048", exact: true, source: defb},
	{symbol: "kgf·m", aliases: []string{"kgf-m", "kgf*m"}, name: "kilogram-force metre", dim: dimTorque, expr: "9.80665", exact: true, source: b},

	{symbol: "m", name: "metre", dim: dimLength, expr: "1", exact: true, source: si},
	{symbol: "cm", name: "centimetre", dim: dimLength, expr: "0.01", exact: true, source: si},
	{symbol: "mm", name: "millimetre", dim: dimLength, expr: "0.001", exact: true, source: si},
	{symbol: "in", name: "inch", dim: dimLength, expr: "0.0254", exact: true, source: defb},
	{symbol: "ft", name: "foot", dim: dimLength, expr: "0.3048", exact: true, source: defb},

	{symbol: "kg", name: "kilogram", dim: dimMass, expr: "1", exact: true, source: si},
	{symbol: "g", name: "gram", dim: dimMass, expr: "0.001", exact: true, source: si},
	{symbol: "mg", name: "milligram", dim: dimMass, expr: "0.000001", exact: true, source: si},
	{symbol: "lb", name: "pound", dim: dimMass, expr: "0.45359237", exact: true, source: defb},
	{symbol: "oz", name: "ounce (avoirdupois)", dim: dimMass, expr: "0.45359237 / 16", exact: true, source: defb},

	{symbol: "mg/m3", name: "milligram per cubic metre", dim: dimConcentration, expr: "0.000001", exact: true, source: si},
	{symbol: "µg/m3", aliases: []string{"ug/m3"}, name: "microgram per cubic metre", dim: dimConcentration, expr: "0.000000001", exact: true, source: si},
	{symbol: "g/m3", name: "gram per cubic metre", dim: dimConcentration, expr: "0.001", exact: true, source: si},

	{symbol: "s", name: "second", dim: dimTime, expr: "1", exact: true, source: si},
	{symbol: "min", name: "minute", dim: dimTime, expr: "60", exact: true, source: si},
	{symbol: "h", name: "hour", dim: dimTime, expr: "3600", exact: true, source: si},
	{symbol: "d", name: "day", dim: dimTime, expr: "86400", exact: true, source: si},

	{symbol: "K", name: "kelvin", dim: dimTemperature, expr: "1", exact: true, source: si},
	{symbol: "°C", aliases: []string{"degC"}, name: "degree Celsius", dim: dimTemperature, expr: "1", offset: "273.15", exact: true, source: si},
	{symbol: "°F", aliases: []string{"degF"}, name: "degree Fahrenheit", dim: dimTemperature, expr: "5 / 9", offset: "459.67 * 5 / 9", exact: true, source: "NIST SP 811 appendix B.8 and B.9: K = (°F + 459.67)/1.8"},

	{symbol: "mm2/s", name: "square millimetre per second", dim: dimViscosity, expr: "0.000001", exact: true, source: si},
}
