package compliance

import (
	"bytes"
	"cmp"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// DueQuery asks for clocks that are due or will be.
type DueQuery struct {
	Shop    string // only this one; empty for all
	Kind    string // only this one; empty for all
	ByUsage bool   // by dives, hours and fills instead of by date
	At      time.Time
	Known   time.Time // only what was recorded by then counts; zero for all
	Horizon int       // days after At's date in the unit's shop
	After   *DueKey
	Limit   int
}

// DueKey is the place of a clock in a due list. On is the last day of use; by usage, the day the limit is expected to be
// reached, UsageSpent where nothing is left, UsageUnknown where no day is known.
type DueKey struct {
	On       civil.Date
	Unit     uuid.UUID
	Pack     string
	Rule     string
	Revision int64
}

// The ends of a due list by usage.
var (
	UsageSpent   = civil.New(1, time.January, 1)
	UsageUnknown = civil.New(9999, time.December, 31)
)

// Compare orders due lists: soonest first, then by unit and rule.
func (k DueKey) Compare(o DueKey) int {
	return cmp.Or(cmp.Compare(k.On, o.On), bytes.Compare(k.Unit[:], o.Unit[:]), strings.Compare(k.Pack, o.Pack), strings.Compare(k.Rule, o.Rule),
		cmp.Compare(k.Revision, o.Revision))
}

// DueRow is one clock of a due list and the unit it runs on.
type DueRow struct {
	Key     DueKey
	Clock   due.Clock
	On      civil.Date // the day at the unit's shop
	Tag     string
	Kind    string
	Shop    string
	Host    uuid.UUID // zero if it stands alone
	HostTag string
}

// UsageOf says where a clock stands by usage alone: spent if nothing is left, soon if it is inside the lead, and the day to
// order it by. Ok is false if it has no usage limit or nothing to count from.
func UsageOf(k *due.Clock) (on civil.Date, spent, soon, ok bool) {
	if k.Limit == (due.Amount{}) || k.AnchorDate.IsZero() {
		return 0, false, false, false
	}
	// Without its date limit the clock's state is that of its usage, on any day.
	alone := *k
	alone.DueOn = civil.Mark{}
	switch alone.State(k.InForceFrom) {
	case due.Due, due.Overdue:
		return UsageSpent, true, false, true
	case due.DueSoon:
		soon = true
	}
	if k.ExpectedOn.IsZero() {
		return UsageUnknown, false, soon, true
	}
	return k.ExpectedOn.First(), false, soon, true
}

// Lists says whether a clock belongs in the list on a day at its unit's shop, and where.
func (q *DueQuery) Lists(k *due.Clock, on civil.Date) (DueKey, bool) {
	key := DueKey{Unit: k.Unit, Pack: k.Pack.ID, Rule: k.Rule.ID, Revision: k.Pack.Revision}
	bound := on.AddDays(q.Horizon)
	if !k.InForce(on) {
		return key, false
	}
	if !q.ByUsage {
		key.On = k.DueOn.First()
		return key, !k.DueOn.IsZero() && key.On <= bound
	}
	day, _, soon, ok := UsageOf(k)
	key.On = day
	return key, ok && (soon || day <= bound)
}
