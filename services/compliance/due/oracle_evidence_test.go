package due_test

import (
	"slices"
	"testing"
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// lengthened walks on from the last day of use for as long as evidence allows each next day: the last entry of its activity passed,
// counts that long from its date, and the longer interval has not ended either.
func (o *oracle) lengthened(u int, k wRule, c running, dueOn ymd, until time.Time) ymd {
	if k.evidence.did == "" || c.stored || k.life {
		return dueOn
	}
	var last *told
	for i := range o.told {
		t := &o.told[i]
		if t.unit == u && t.what == "work" && slices.Contains(t.did, k.evidence.did) && (until.IsZero() || t.occurred.Before(until)) && (last == nil || earlier(last, t)) {
			last = t
		}
	}
	if last == nil || last.outcome != "pass" {
		return dueOn
	}
	date := last.mark
	if worked := o.day(u, last.occurred); date.y == 0 || before(worked, first(date)) {
		date = worked
	}
	counts, interval := walkMonths(first(date), k.evidence.valid, false), walkMonths(first(c.from), k.evidence.months, k.stamped)
	for next := tomorrow(dueOn); !before(counts, next) && !before(interval, next); next = tomorrow(next) {
		dueOn = next
	}
	return dueOn
}

// TestOracleEvidence compares histories with intervals that rest on evidence.
func TestOracleEvidence(t *testing.T) {
	compare(t, 2_000, evidence, func(c *due.Clock, s *due.Standing, _ *world) string {
		switch {
		case c.Rule.Evidence.Activity == "" || c.AnchorDate.IsZero():
			return ""
		case c.Basis == due.BasisEvidence && c.DueOn == c.BasisUntil:
			return "to the evidence's last day"
		case c.Basis == due.BasisEvidence:
			return "to the longer interval"
		}
		return "no evidence"
	}, "to the evidence's last day", "to the longer interval", "no evidence")
}
