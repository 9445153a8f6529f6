package compliance

import (
	"time"

	"github.com/google/uuid"
)

// PromiseQuery asks for units as far as promises depend on them. What is empty does not restrict.
type PromiseQuery struct {
	Kinds []string // without any, and without Units, only those that stand alone
	Sizes []string
	Shop  string
	Units []uuid.UUID
	At    time.Time // when windows begin, the earliest: units retired by then are left out, and holds lifted by then do not count; zero for all units, as of Now
	Now   time.Time // promises that were not confirmed in time, or not collected before their window ended, do not count
}
