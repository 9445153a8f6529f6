package compliance

import "time"

// TransferTimeSet is the kind of an own change that says how long the way from a shop to another takes.
const TransferTimeSet = "transfer-time-set"

// TransferTime is how long it takes to bring units from one shop to another, door to door, as people said. It holds for one direction.
type TransferTime struct {
	From, To string
	Takes    time.Duration // whole seconds
}

// TransferKey is where a page of transfer times ends.
type TransferKey struct{ From, To string }
