package due

import (
	"fmt"
	"time"
)

// Sentence says the reason in one sentence for people.
func (r *Reason) Sentence(names Names) string {
	switch r.Code {
	case Retired:
		return "The unit is retired from the fleet."
	case NotYetCommissioned:
		return "The unit had not entered the fleet."
	case FittedElsewhere:
		return fmt.Sprintf("The unit is fitted to %s and is handed out only with it.", names.unit(r.Host))
	case NoRule:
		return "No rule covers the unit where it is, so nothing vouches for it."
	case AlreadyPromised:
		return fmt.Sprintf("The unit is promised from %s to %s, by the clock of its shop.", r.Stay.Clock(r.From), r.Stay.Clock(r.Until))
	case Out:
		return fmt.Sprintf("The unit is out, and due back at %s by the clock of its shop.", r.Stay.Clock(r.Until))
	}
	if r.Hold != nil {
		return r.Hold.Reason
	}
	c := r.Clock
	if c == nil {
		return "The unit is held."
	}
	switch r.Code {
	case MissingHistory:
		return missingReason(c)
	case DateLimitPassed:
		return fmt.Sprintf("%s: the last day of use was %s.", c.Rule.Title, c.DueOn)
	case DateLimitBeforeReturn:
		return fmt.Sprintf("%s: the last day of use is %s, before the return on %s.", c.Rule.Title, c.DueOn, r.On)
	case UsageLimitReached:
		return fmt.Sprintf("%s: the limit of %s is reached, with %s used.", c.Rule.Title, r.Measure.text(c.Limit.of(r.Measure)), r.Measure.text(c.Used.of(r.Measure)))
	case UsageLeftTooLittle:
		left := c.Left()
		if r.Promised > 0 {
			return fmt.Sprintf("%s: %s left, %s of that promised already, %s expected.", c.Rule.Title, r.Measure.text(left.of(r.Measure)), r.Measure.text(r.Promised), r.Measure.text(r.Expected))
		}
		return fmt.Sprintf("%s: %s left, %s expected.", c.Rule.Title, r.Measure.text(left.of(r.Measure)), r.Measure.text(r.Expected))
	case EndOfLife:
		if r.Measure != 0 {
			return fmt.Sprintf("%s: the service life ended with %s.", c.Rule.Title, r.Measure.text(c.Limit.of(r.Measure)))
		}
		return fmt.Sprintf("%s: the service life ended on %s.", c.Rule.Title, c.DueOn)
	}
	return c.Rule.Title + "."
}

// Clock tells an instant by the clock on the wall of the shop.
func (s Stay) Clock(t time.Time) string { return t.In(s.zone()).Format("2006-01-02 15:04") }

// Promising says how much of what is left is promised already, where it was asked for together with what is expected.
func (r *Reason) Promising(promised Amount) {
	if r.Code == UsageLeftTooLittle {
		r.Promised = min(promised.of(r.Measure), r.Expected)
		r.Expected -= r.Promised
	}
}

// Clears says what would clear the reason, for people; always something, if only that nothing will.
func (r *Reason) Clears(names Names) string {
	switch r.Code {
	case Retired, UnitCondemned, EndOfLife:
		return "Nothing: this is final."
	case NotYetCommissioned:
		return "Its commissioning; ask about a later day."
	case FittedElsewhere:
		return fmt.Sprintf("Taking it off %s, or handing out that unit.", names.unit(r.Host))
	case NoRule:
		return "A rule pack that covers this kind of unit in this jurisdiction."
	case AlreadyPromised:
		return "The release of that allocation, or another window."
	case Out:
		return "The return of the unit."
	}
	switch {
	case r.Hold != nil && r.Hold.Cause == CauseManual:
		return "A person who may lift holds."
	case r.Hold != nil && r.Hold.Cause == CauseOrder && len(r.Hold.ClearedBy) == 0:
		return "The signature of its service order, or the order's closing if nobody worked on the unit."
	case r.Hold != nil && r.Hold.Cause == CauseOrder:
		return fmt.Sprintf("A pass of %s after the order's closing and the last work in it.", list(r.Hold.ClearedBy, " or "))
	case r.Hold != nil && r.Hold.Cause == CauseRecall && len(r.Hold.ClearedBy) == 0:
		return "The withdrawal of the recall, or the release of this unit from it: there is no remedy yet."
	case r.Hold != nil && len(r.Hold.ClearedBy) > 0 && r.Hold.Cause != CauseMissingHistory:
		return fmt.Sprintf("A pass of %s after %s.", list(r.Hold.ClearedBy, " or "), r.Hold.Opened.UTC().Format("2006-01-02 15:04 UTC"))
	case r.Hold != nil && r.Clock == nil:
		return "An amendment that corrects one of the readings or records the meter's replacement."
	case r.Clock == nil:
		return ""
	}
	rule := r.Clock.Rule
	done := rule.clearedBy()
	if rule.Late == Escalate && r.Code == DateLimitPassed { // the rule's own activity comes too late to count
		done = rule.SatisfiedBy
	}
	switch {
	case r.Code == MissingHistory && len(done) == 0:
		return fmt.Sprintf("Recording %s.", rule.missingText())
	case r.Code == MissingHistory:
		return fmt.Sprintf("A passed %s on record%s, or %s.", list(done, " or "), rule.alsoText(), rule.missingText())
	case rule.EndOfLife:
		return "Nothing: the service life ends."
	case r.Code == DateLimitBeforeReturn, r.Code == UsageLeftTooLittle:
		return fmt.Sprintf("A passed %s before the hand-out%s, or a shorter rental.", list(done, " or "), rule.alsoText())
	}
	return fmt.Sprintf("A passed %s%s.", list(done, " or "), rule.alsoText())
}

// alsoText tells what the rule's activity does not count without, to go on a sentence; empty for nothing.
func (r *Rule) alsoText() string {
	if len(r.Companions) == 0 {
		return ""
	}
	return ", and " + r.companionsText()
}

func (r *Rule) missingText() string {
	if len(r.Baselines) == 0 {
		return "a baseline in the rule"
	}
	words := make([]string, len(r.Baselines))
	for i, b := range r.Baselines {
		words[i] = b.text()
	}
	return list(words, " or ")
}
