// Package chainview counts a fleet shop by shop, kind by kind and day by day, and works out which units could be taken to a shop that is short.
//
// It is pure: units come with what is known of them, and nothing here reads a clock, a database or a message. A day is a shop's own; a unit counts
// where it is, a promise where it is to be handed out. Each unit is looked at once: its days are bits, and what is counted are the ends of their runs.
package chainview
