// Package bench judges what is measured on the bench: readings against the criteria of a test, with exact numbers, the instruments that read them and a
// stated decision rule.
//
// A Spec is data: the readings it wants, quantities derived from them and criteria with their limits and sources, in CEL (https://cel.dev) over
// quantities of internal/measure. Compile checks it, dimensions and all, before anything is measured; Judge then says pass, fail or
// inconclusive of each criterion and of the whole, and why. Nothing is decided in binary floating point, and a reading at the limit is judged as the
// limit is written: "at most" includes it, "less than" does not.
//
// It fails closed. A required reading that is missing, an instrument out of calibration on the day, an uncertainty that a guarded limit needs and nobody
// knows: each makes the verdict inconclusive, which holds a unit as a fail does. What is no reading at all (a wrong dimension, a series that runs
// backwards, a pressure below vacuum) is refused, and nothing is judged.
//
// A verdict says what the figures say against the limits stated. It certifies nothing: local law, the maker's manual and a licensed inspector come
// first, and a shop's record is no requalification.
//
// The package is pure: it reads no clock and does no I/O. What an expression may cost is bounded; there are no loops.
package bench
