package compliance

import (
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// UnitsHandedOut is the kind of the own change that a hand-out makes.
const UnitsHandedOut = "units-handed-out"

// Loosening are the kinds of own changes after which something may be handed out that could not be before.
var Loosening = []string{HoldLifted, PackPublished, WaiverGranted, RecallClosed, RecallWithdrew, RecallUnitFreed}

// HandOut asks the gate to let allocations through.
type HandOut struct {
	AllocationChoice
	Sight  Sight     // what there is to know
	Strict bool      // refuse if more was applied since: it may be of one source alone
	At     time.Time // the instant that stands on record
	AsOf   time.Time // the instant as of which the units are judged
}

// Stale is how far a clock may be from the others without a word in the log.
const Stale = 15 * time.Minute

// AsOf returns the instant as of which the gate judges, by this service's clock and what it saw: the latest that anybody tells, so that a clock
// that lags lets nothing through that is due.
func (s Sight) AsOf(now time.Time) time.Time {
	if s.Latest.After(now) {
		return s.Latest
	}
	return now
}

// Recorded returns the instant that stands on record for what is done now: that of the earlier of this service's clock and history's, because the
// ledger takes nothing from its future.
func (s Sight) Recorded(now time.Time) time.Time {
	if !s.History.IsZero() && s.History.Before(now) {
		return s.History
	}
	return now
}

// Apart returns by how much the clocks of registry and history differ from this service's, as far as they tell.
func (s Sight) Apart(now time.Time) (registry, history time.Duration) {
	if !s.Registry.IsZero() {
		registry = s.Registry.Sub(now)
	}
	if !s.History.IsZero() {
		history = s.History.Sub(now)
	}
	return registry, history
}

// Refuses returns why a set may not be handed out until an end, with so much use expected and promised; nothing if it may. The set must be that of
// asOf, and its Latest that of all time, unless it is settled.
//
// Beyond what stands against the window, no hold may be open that anybody knows of, in the unit or in anything fitted to it, whenever it was opened:
// a test that failed on a bench whose clock is ahead has failed.
func Refuses(set *Set, asOf, end time.Time, expected due.Amount) []due.Reason {
	if !end.After(asOf) {
		end = asOf.Add(time.Microsecond) // a clock says that the window is over: what is to be used now is judged now
	}
	out := set.Window(asOf, end, expected)
	all := set.members()
	if set.Latest != nil {
		all = append(all, set.Latest.members()...)
	}
	for _, d := range all {
		for i := range d.Holds {
			h := &d.Holds[i]
			if h.Blocks&due.HandOut == 0 || !h.Lifted.IsZero() && !h.Lifted.After(asOf) {
				continue
			}
			if h.Cause == due.CauseMissingHistory && h.Rule != "" { // its clock says from when on
				continue
			}
			if r := (due.Reason{Code: codeOf(h), Blocks: h.Blocks, Unit: d.Unit, Hold: h}); !told(out, r) {
				out = append(out, r)
			}
		}
	}
	return out
}

// told says whether a hold is among the reasons.
func told(all []due.Reason, r due.Reason) bool {
	for i := range all {
		if all[i].Unit == r.Unit && all[i].Hold != nil && all[i].Hold.ID == r.Hold.ID {
			return true
		}
	}
	return false
}

func codeOf(h *due.Hold) due.Code {
	switch h.Cause {
	case due.CauseCondemned:
		return due.UnitCondemned
	case due.CauseMissingHistory:
		return due.MissingHistory
	}
	return due.HoldOpen
}
