// Package notice decides what is told of clocks: each change of the state of a rule on a unit, once, and what a shop's changes of
// a day come to.
//
// It is pure: no I/O, no clock, no SQL, no gRPC. What a clock will do by time alone is known beforehand (Course), so a Row keeps,
// beside what was told last, the steps that are still to come. Tell takes rows, what became known of units since, and shops, and
// plays everything up to an instant in the order in which it took effect. What it tells does not depend on when, or how often, it
// is called: after an outage of days it tells what it would have told without.
//
// What is told:
//
//   - A change of state, or of whether the clock blocks, is one Change. A rule that begins or stops to run on a unit changes from or
//     to the zero Standing. Nothing runs on a unit that is not commissioned yet, retired or condemned: that its rules stop is told once.
//   - A change that time makes takes effect at the beginning of a day at the unit's shop; one that data make, when they became known.
//   - Nothing is told of a unit's first hour (Settling): what a fleet is like when it is first seen is no news, whether it blocks or
//     not, and a unit that is being entered is not told of before its history is there. Due lists have it from the first instant.
package notice
