package due

import (
	"fmt"
	"strings"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// StepKind is what a link of an explanation is about.
type StepKind uint8

// The kinds, as in the proto.
const (
	StepRule StepKind = iota + 1
	StepAnchor
	StepSetAside
	StepInterval
	StepUsage
	StepPhaseIn
	StepWaiver
	StepForecast
	StepResult
)

// Step is one link of the chain from a rule to a result.
type Step struct {
	Kind     StepKind
	Sentence string
	Entry    uuid.UUID  // the entry it speaks of; zero if none
	On       civil.Mark // the date it comes to; zero if none
}

// Explain returns the sentences of Steps.
func (c *Clock) Explain(on civil.Date, names Names) []string {
	steps := c.Steps(on, names)
	out := make([]string, len(steps))
	for i := range steps {
		out[i] = steps[i].Sentence
	}
	return out
}

// Steps tells the arithmetic of a clock on a day, link by link: the rule and its source, what it counts from, each limit, what
// excuses the unit, and the result. It is made only when asked for.
func (c *Clock) Steps(on civil.Date, names Names) []Step {
	t := teller{c: c, names: names, steps: make([]Step, 0, 10)}
	t.rule()
	t.anchor()
	t.interval()
	t.usage()
	if !c.PhaseIn.IsZero() {
		came := "the day it counts from"
		if c.AnchorDate.IsZero() {
			came = "the unit entered the fleet"
		}
		t.say(Step{Kind: StepPhaseIn, On: c.PhaseIn}, "The rule came, or was tightened, after %s: it is phased in over %s and blocks this unit only after %s.",
			came, plural(int64(c.Rule.PhaseInDays), "day"), c.PhaseIn)
	}
	for _, w := range c.Waivers {
		t.say(Step{Kind: StepWaiver, On: civil.Day(w.To)}, "%s", w.text())
	}
	if !c.ExpectedOn.IsZero() {
		when := fmt.Sprintf("will be reached about %s", c.ExpectedOn)
		if c.ExpectedOn.First() <= on {
			when = "can be reached any day"
		}
		t.say(Step{Kind: StepForecast, On: c.ExpectedOn}, "At the rate of the 365 days up to its last use, the usage limit %s; that is an estimate.", when)
	}
	t.say(Step{Kind: StepResult, On: civil.Day(on)}, "On %s it is %s.", on, c.resultText(on))
	return t.steps
}

// teller gathers the steps of one explanation.
type teller struct {
	c     *Clock
	names Names
	steps []Step
}

func (t *teller) say(s Step, format string, args ...any) {
	s.Sentence = fmt.Sprintf(format, args...)
	t.steps = append(t.steps, s)
}

func (t *teller) rule() {
	r := t.c.Rule
	t.say(Step{Kind: StepRule}, "%s. %s: %s.", strings.TrimRight(r.Title, ". "), r.Authority.text(), strings.TrimRight(r.Source.text(), ". "))
	if r.Source.FromMemory {
		t.say(Step{Kind: StepRule}, "That figure is from memory and was not compared with the document: it is no statement of law.")
	}
	t.say(Step{Kind: StepRule}, "It is rule %s of pack %s, %s.", r.ID, t.c.Pack.ID, t.c.inForceText())
	if r.EndOfLife {
		t.say(Step{Kind: StepRule}, "It ends the unit's life: nothing resets it.")
	}
}

func (t *teller) anchor() {
	c, r := t.c, t.c.Rule
	passed := fmt.Sprintf("no %s has passed", list(r.clearedBy(), " or "))
	if c.RejectedWhy != WhyNone {
		passed = fmt.Sprintf("no %s that counts has passed", list(r.clearedBy(), " or "))
	}
	at := Step{Kind: StepAnchor, On: c.AnchorDate}
	switch {
	case c.AnchorDate.IsZero() && len(r.clearedBy()) == 0:
		t.say(at, "Nothing says from when to count: %s.", r.baselinesText())
	case c.AnchorDate.IsZero():
		t.say(at, "Nothing says from when to count: %s, and %s.", passed, r.baselinesText())
	case c.Basis == BasisStorage:
		t.say(at, "N%s and the unit was never used. Unused units age too, so it counts from %s, %s.", passed[1:], c.AnchorBaseline.text(), c.AnchorDate)
	case c.AnchorBaseline != 0 && r.EndOfLife:
		t.say(at, "It counts from %s, %s.", c.AnchorBaseline.text(), c.AnchorDate)
	case c.AnchorBaseline != 0:
		t.say(at, "N%s so far, so it counts from %s, %s.", passed[1:], c.AnchorBaseline.text(), c.AnchorDate)
	default:
		at.Entry = c.AnchorEntry
		satisfies := ""
		if c.AnchorActivity != r.Activity {
			satisfies = fmt.Sprintf(", which counts as %s", r.Activity)
		}
		if c.AnchorLate {
			t.say(at, "The %s of entry %s%s was late, and late work counts from the day by which it should have been done: %s.",
				c.AnchorActivity, t.names.entry(c.AnchorEntry), satisfies, c.AnchorDate)
		} else {
			t.say(at, "It counts from %s: %s passed then, entry %s%s.", c.AnchorDate, c.AnchorActivity, t.names.entry(c.AnchorEntry), satisfies)
		}
		if !c.AnchorMark.IsZero() {
			t.say(Step{Kind: StepSetAside, Entry: c.AnchorEntry, On: c.AnchorMark}, "The mark %s lies after the work itself and was set aside: it cannot lengthen the interval.", c.AnchorMark)
		}
	}
	switch at := (Step{Kind: StepSetAside, Entry: c.Rejected}); c.RejectedWhy {
	case WhyAlone:
		t.say(at, "The work of entry %s does not count: the rule asks for %s.", t.names.entry(c.Rejected), r.companionsText())
	case WhyLate:
		t.say(at, "The %s of entry %s came after the last day of use and does not count: now %s is needed.", r.Activity, t.names.entry(c.Rejected), list(r.SatisfiedBy, " or "))
	}
}

func (t *teller) interval() {
	c := t.c
	if c.AnchorDate.IsZero() {
		return
	}
	if c.Basis == BasisIntense {
		t.say(Step{Kind: StepInterval, Entry: c.BasisEntry}, "From entry %s on it counts as used hard, so the shorter limit applies: %s.", t.names.entry(c.BasisEntry), c.limitText())
	} else if c.Limit != c.Rule.Limit { // beside evidence, which made the date limit
		t.say(Step{Kind: StepInterval}, "It counts as used hard, so the shorter limit applies: %s.", c.limitText())
	} else if len(c.Rule.Intense) > 0 {
		t.say(Step{Kind: StepInterval}, "No shorter limit for hard use applies.")
	}
	if c.Basis == BasisEvidence {
		t.say(Step{Kind: StepInterval, Entry: c.BasisEntry, On: c.BasisUntil}, "The %s of entry %s allows %s instead of %s for as long as it counts, until %s; then the shorter interval is back.",
			c.Rule.Evidence.Activity, t.names.entry(c.BasisEntry), plural(int64(c.Months), "month"), plural(int64(c.Rule.Months), "month"), c.BasisUntil)
	} else if c.Rule.Evidence.Activity != "" {
		t.say(Step{Kind: StepInterval}, "No %s lengthens the interval.", c.Rule.Evidence.Activity)
	}
	if c.Months > 0 {
		t.say(Step{Kind: StepInterval, On: c.DueOn}, "%s", c.dateText())
	}
}

func (t *teller) usage() {
	c := t.c
	for _, m := range measures {
		limit, used := c.Limit.of(m), c.Used.of(m)
		if limit <= 0 {
			continue
		}
		counted := fmt.Sprintf("Counted since then: %s of %s allowed", m.count(used), m.text(limit))
		switch {
		case c.AnchorDate.IsZero():
			t.say(Step{Kind: StepUsage}, "On record in all: %s, of %s allowed.", m.count(used), m.text(limit))
		case used > limit:
			t.say(Step{Kind: StepUsage}, "%s, %s too many.", counted, m.count(used-limit))
		case used == limit:
			t.say(Step{Kind: StepUsage}, "%s, which leaves nothing.", counted)
		default:
			t.say(Step{Kind: StepUsage}, "%s, which leaves %s.", counted, m.count(limit-used))
		}
		if guessed := c.Estimated.of(m); guessed > 0 {
			t.say(Step{Kind: StepUsage}, "This includes an estimate of %s for a missing log, which counts in full.", m.count(guessed))
		}
		if m == Hours && len(c.Rule.Weights) > 0 {
			t.say(Step{Kind: StepUsage}, "Running time is weighed by the temperature of the air drawn in; where that is not known, as if at the worst.")
		}
	}
}

func (c *Clock) inForceText() string {
	s := "in force from " + c.InForceFrom.String()
	if !c.InForceUntil.IsZero() {
		s += " until " + c.InForceUntil.First().AddDays(-1).String()
	}
	return s
}

// dateText tells the month arithmetic, with what month stamps, month ends, evidence, expiry marks and phase-ins did to it.
func (c *Clock) dateText() string {
	from := c.AnchorDate.First()
	plain := dueOn(c.AnchorDate, c.Months, c.MonthStamp)
	var b strings.Builder
	fmt.Fprintf(&b, "%s from %s", plural(int64(c.Months), "month"), c.AnchorDate)
	_, _, day := from.Parts()
	_, _, reached := from.AddMonths(c.Months).Parts()
	last := "the last day of use is " + plain.String()
	if c.DueOn != plain {
		last = "that is " + plain.String()
	}
	switch {
	case c.MonthStamp:
		fmt.Fprintf(&b, " come to %s; the month counts to its end, so %s", from.AddMonths(c.Months).String()[:7], last)
	case c.AnchorDate.IsMonth():
		fmt.Fprintf(&b, ", counted from the month's first day because only the month is known: %s", last)
	case reached != day:
		fmt.Fprintf(&b, ": the month reached has no day %d, so %s", day, strings.Replace(last, "is "+plain.String(), "is its last, "+plain.String(), 1))
	default:
		fmt.Fprintf(&b, ": %s", last)
	}
	switch {
	case c.DueOn == plain:
	case c.DueOn == c.PhaseIn:
		fmt.Fprintf(&b, "; phased in, the last day of use is %s", c.DueOn)
	case !c.AnchorExpiry.IsZero() && c.DueOn == civil.Day(c.AnchorExpiry.Last()):
		fmt.Fprintf(&b, "; the mark expires earlier, so the last day of use is %s", c.DueOn)
	default:
		fmt.Fprintf(&b, "; the evidence ends earlier, so the last day of use is %s", c.DueOn)
	}
	b.WriteByte('.')
	return b.String()
}

// limitText tells the limits that apply.
func (c *Clock) limitText() string {
	var words []string
	if c.Months > 0 {
		words = append(words, plural(int64(c.Months), "month"))
	}
	for _, m := range measures {
		if n := c.Limit.of(m); n > 0 {
			words = append(words, m.text(n))
		}
	}
	return list(words, " or ")
}

// companionsText tells what the rule's own activity does not count without.
func (r *Rule) companionsText() string {
	words := make([]string, len(r.Companions))
	for i, k := range r.Companions {
		how := "with it"
		if k.First {
			how = "before it"
		}
		if k.Within == 0 {
			words[i] = fmt.Sprintf("a passed %s %s on the same day", k.Activity, how)
		} else {
			words[i] = fmt.Sprintf("a passed %s %s within %s", k.Activity, how, plural(int64(k.Within), "day"))
		}
	}
	return list(words, " and ")
}

// resultText tells where the clock stands on a day and what that blocks.
func (c *Clock) resultText(on civil.Date) string {
	state := c.State(on)
	text := state.String()
	switch {
	case state == NoAnchor:
		text = "without anything to count from"
	case state == Due && c.DueOn == civil.Day(on):
		text = "due: it is the last day of use"
	case state == Due:
		text = "due: nothing is left"
	}
	if !c.past(on) {
		return text
	}
	if waiver, ok := c.Excused(on); ok && waiver != "" {
		return text + ", but a waiver excuses it: the rule blocks nothing"
	} else if ok {
		return text + ", but the rule is still being phased in and blocks nothing"
	}
	text += ", so the rule blocks " + c.Rule.Blocks.text()
	if c.Rule.HandOutIfFilledBefore && c.datePassed(on) {
		text += fmt.Sprintf(" (if last filled by %s it may still be handed out)", c.DueOn)
	}
	return text
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

// text says who says so, as the beginning of a sentence that names the source.
func (a Authority) text() string {
	switch a {
	case Law:
		return "This is law"
	case Standard:
		return "A published standard asks for it"
	case Maker:
		return "The maker asks for it"
	}
	return "This is house policy"
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

func (r *Rule) baselinesText() string {
	if len(r.Baselines) == 0 {
		return "the rule names nothing else to count from"
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
		return "its manufacture"
	case FirstUse:
		return "its first use"
	case Commissioning:
		return "its commissioning"
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
