package compliance

import "time"

// ChainQuery asks for the units and promises of a chain, as far as its days depend on them.
type ChainQuery struct {
	Kind string // every kind if empty
	At   time.Time
	Now  time.Time // promises that lapsed by now do not count
	Days int
}
