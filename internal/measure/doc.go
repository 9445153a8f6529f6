// Package measure holds quantities as a technician reads them: an exact number, a unit in its exact definition, and for a pressure
// what it is measured from.
//
// Numbers are decimals kept as entered ("2.24" stays "2.24") and computed with as rationals, never in binary floating point: 2.24 of 22.4
// is exactly a tenth. Units that share a name and differ in definition are different units here: the inch of water is a convention, or the
// weight of water at 4 °C or at 60 °F, and the three are a thousandth apart, which is enough to turn a verdict. Gauge and absolute pressure never
// compare, add or subtract without an ambient pressure that is stated.
//
// The text form is ours and plain: a number, a space, the unit's symbol, and for a pressure one word. Nothing is attached to a unit's symbol, as the
// SI asks (NIST SP 811, section 7.4):
//
//	135 psi gauge
//	2.24 mL
//	1.5 inH2O(60F) difference
//
// The package is pure: no clock, no I/O. Its values never change and may be used from any number of goroutines.
package measure
