// Package promise decides what may be promised: whether a unit is free for a window beside everything promised of it before, which of
// those that are free to take, and what else could be done where too few are.
//
// It is pure: units come with what is known of them, and nothing here reads a clock, a database or a message. Windows are half-open, so that
// one that ends when another begins leaves the unit to both.
package promise
