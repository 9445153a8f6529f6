package due

import (
	"fmt"
	"strings"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// Explain tells the arithmetic of a clock on a day, sentence by sentence: the rule and its source, what it counts from, each
// limit, and the result. It is made only when asked for.
func (c *Clock) Explain(on civil.Date, names Names) []string {
	r := c.Rule
	out := make([]string, 0, 8)
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }

	say("%s (%s of pack %s, %s): %s.", r.Title, r.ID, c.Pack.ID, c.inForceText(), r.Source.text())
	if r.Source.FromMemory {
		say("The figure was written down from memory and not compared with the document; it is no statement of law.")
	}
	if r.EndOfLife {
		say("It ends the unit's life: nothing resets it.")
	}
	switch {
	case c.AnchorDate.IsZero():
		say("Nothing says from when to count: no %s passed, and %s.", r.asked(), r.baselinesText())
	case c.AnchorBaseline != 0 && r.EndOfLife:
		say("It counts from %s, %s.", c.AnchorBaseline.text(), c.AnchorDate)
	case c.AnchorBaseline != 0:
		say("No %s passed so far, so it counts from %s, %s.", r.asked(), c.AnchorBaseline.text(), c.AnchorDate)
	default:
		satisfies := ""
		if c.AnchorActivity != r.Activity {
			satisfies = fmt.Sprintf(", which satisfies %s", r.Activity)
		}
		say("It counts from %s: %s passed in entry %s%s.", c.AnchorDate, c.AnchorActivity, names.entry(c.AnchorEntry), satisfies)
		if !c.AnchorMark.IsZero() {
			say("The mark %s lies after the work itself and was set aside: it cannot lengthen the interval.", c.AnchorMark)
		}
	}
	if !c.AnchorDate.IsZero() && r.Months > 0 {
		out = append(out, c.dateText())
	}
	for _, m := range measures {
		limit, used := r.Limit.of(m), c.Used.of(m)
		switch {
		case limit <= 0:
		case c.AnchorDate.IsZero():
			say("Limit %s; %s used in all that is on record.", m.text(limit), m.text(used))
		case used > limit:
			say("Limit %s, %s used since: %s over.", m.text(limit), m.text(used), m.text(used-limit))
		default:
			say("Limit %s, %s used since: %s left.", m.text(limit), m.text(used), m.text(limit-used))
		}
	}
	if !c.ExpectedOn.IsZero() {
		say("At the present rate (of the 365 days up to the last use) the limit will be reached on %s.", c.ExpectedOn)
	}
	say("On %s it is %s.", on, c.resultText(on))
	return out
}

func (c *Clock) inForceText() string {
	s := "in force from " + c.InForceFrom.String()
	if !c.InForceUntil.IsZero() {
		s += " until " + c.InForceUntil.First().AddDays(-1).String()
	}
	return s
}

// dateText tells the month arithmetic, with what month stamps and month ends did to it.
func (c *Clock) dateText() string {
	r, from := c.Rule, c.AnchorDate.First()
	var b strings.Builder
	fmt.Fprintf(&b, "%s + %s", c.AnchorDate, plural(int64(r.Months), "month"))
	_, _, day := from.Parts()
	_, _, reached := from.AddMonths(r.Months).Parts()
	switch {
	case r.MonthStamp:
		fmt.Fprintf(&b, " = %s; the month counts to its end, so the last day of use is %s.", from.AddMonths(r.Months).String()[:7], c.DueOn)
	case c.AnchorDate.IsMonth():
		fmt.Fprintf(&b, ", counted from the month's first day because only the month is known: the last day of use is %s.", c.DueOn)
	case reached != day:
		fmt.Fprintf(&b, ": the month reached has no day %d, so the last day of use is its last, %s.", day, c.DueOn)
	default:
		fmt.Fprintf(&b, ": the last day of use is %s.", c.DueOn)
	}
	return b.String()
}

func (c *Clock) resultText(on civil.Date) string {
	blocks := ""
	if c.Blocking(on) {
		blocks = "; blocks " + c.Rule.Blocks.text()
		if c.Rule.HandOutIfFilledBefore && c.datePassed(on) {
			blocks += ", except that a unit last filled by then may still be handed out"
		}
	}
	return c.State(on).String() + blocks
}

// String returns the state in the words of the trade.
func (s State) String() string {
	switch s {
	case Fine:
		return "fine"
	case DueSoon:
		return "due soon"
	case Due:
		return "due"
	case Overdue:
		return "overdue"
	case NoAnchor:
		return "without an anchor"
	}
	return "without a clock"
}

func (s *Source) text() string {
	out := s.Document
	if s.Section != "" {
		out += ", " + s.Section
	}
	if s.Edition != "" {
		out += " (" + s.Edition + ")"
	}
	return out
}

func (r *Rule) asked() string {
	if r.Activity == "" {
		return "activity"
	}
	return r.Activity
}

func (r *Rule) baselinesText() string {
	if len(r.Baselines) == 0 {
		return "the rule names no baseline"
	}
	words := make([]string, len(r.Baselines))
	for i, b := range r.Baselines {
		words[i] = b.text()
	}
	return list(words, " or ") + " is not known"
}

func (b Baseline) text() string {
	switch b {
	case Manufacture:
		return "manufacture"
	case FirstUse:
		return "first use"
	case Commissioning:
		return "commissioning"
	}
	return "nothing"
}

func (u Use) text() string {
	switch u {
	case HandOut:
		return "hand-out"
	case Fill:
		return "filling"
	case HandOut | Fill:
		return "hand-out and filling"
	}
	return "nothing"
}

// list joins words, the last two by a word of their own.
func list(words []string, last string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + last + words[n-1]
	}
	return strings.Join(words, "")
}

func (n Names) unit(id uuid.UUID) string {
	if n.Unit == nil {
		return id.String()
	}
	return n.Unit(id)
}

func (n Names) entry(id uuid.UUID) string {
	if n.Entry == nil {
		return id.String()
	}
	return n.Entry(id)
}
