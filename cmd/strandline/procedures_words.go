package main

import (
	"fmt"
	"strings"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// labels collects labels with their texts; an empty text is left out.
type labels [][2]string

func (l *labels) add(label, text string) {
	if text != "" {
		*l = append(*l, [2]string{label, text})
	}
}

// procedureRows says what a procedure is for.
func procedureRows(p *historypb.Procedure) [][2]string {
	var l labels
	l.add("kinds", joined(p.GetKinds()))
	l.add("models", joined(p.GetModels()))
	l.add("for", p.GetPurpose())
	l.add("does", joined(p.GetActivities()))
	l.add("signed by", "somebody qualified for "+p.GetQualification())
	for _, s := range p.GetStationActivities() {
		where := "everywhere"
		if len(s.GetJurisdictions()) > 0 {
			where = "in " + joined(s.GetJurisdictions())
		}
		l.add("stations", fmt.Sprintf("only an approved station does %s %s: %s", s.GetActivity(), where, sourceLine(s.GetSource())))
	}
	return l
}

// stepRows says all that a step states beside what is done.
func stepRows(s *historypb.Step) [][2]string {
	var l labels
	l.add("for", joined(s.GetKinds()))
	if s.GetWhen() != "" {
		l.add("only if", s.GetWhen())
	}
	l.add("tools", joined(s.GetTools()))
	for _, c := range s.GetCautions() {
		l.add("caution", c)
	}
	for _, i := range s.GetInspect() {
		l.add("look for", i)
	}
	for _, b := range s.GetBounds() {
		l.add("measure", boundWords(b))
	}
	l.add("removes", countWords(s.GetRemoves()))
	l.add("fits", countWords(s.GetFits()))
	for _, t := range s.GetTests() {
		text := t.GetTest()
		if t.GetAsFound() {
			text += ", as found: it need not pass"
		}
		l.add("test", text)
	}
	for _, c := range s.GetSources() {
		l.add("source", sourceLine(c))
	}
	return l
}

// boundWords says a bounded quantity.
func boundWords(b *historypb.Bound) string {
	var parts []string
	if q := b.GetAtLeast(); q != nil {
		parts = append(parts, "at least "+quantityText(q)+", less is "+outWord(b.GetBelow()))
	}
	if q := b.GetAtMost(); q != nil {
		parts = append(parts, "at most "+quantityText(q)+", more is "+outWord(b.GetAbove()))
	}
	return fmt.Sprintf("%s, %s: %s; %s", b.GetId(), b.GetTitle(), strings.Join(parts, "; "), sourceLine(b.GetSource()))
}

func outWord(o historypb.OutOfBounds) string {
	if o == historypb.OutOfBounds_OUT_OF_BOUNDS_REFUSE {
		return "refused"
	}
	return "flagged"
}

// quantityText writes a quantity as files do.
func quantityText(q *historypb.Quantity) string {
	words := []string{q.GetValue()}
	if q.GetUnit() != "" {
		words = append(words, q.GetUnit())
	}
	if r := q.GetReference(); r != historypb.PressureReference_PRESSURE_REFERENCE_UNSPECIFIED {
		words = append(words, strings.ToLower(strings.TrimPrefix(r.String(), "PRESSURE_REFERENCE_")))
	}
	return strings.Join(words, " ")
}

func countWords(cs []*historypb.PartCount) string {
	var parts []string
	for _, c := range cs {
		parts = append(parts, fmt.Sprintf("%d %s", max(1, c.GetCount()), c.GetPart()))
	}
	return strings.Join(parts, ", ")
}

func policyWord(p historypb.PartPolicy) string {
	switch p {
	case historypb.PartPolicy_PART_POLICY_REPLACE:
		return "discarded; a new one from a lot goes in"
	case historypb.PartPolicy_PART_POLICY_IF_WORN:
		return "goes back in, or is replaced by one from a lot"
	}
	return "goes back in"
}

// testRows says what a test reads, computes and asks for.
func testRows(t *historypb.TestSpec) [][2]string {
	var l labels
	for _, r := range t.GetReadings() {
		text := r.GetName()
		if r.GetTitle() != "" {
			text += ", " + r.GetTitle()
		}
		switch r.GetKind() {
		case historypb.ReadingKind_READING_KIND_CHOICE:
			text += ": " + orWords(r.GetChoices())
		case historypb.ReadingKind_READING_KIND_YES_NO:
			text += ": yes or no"
		case historypb.ReadingKind_READING_KIND_COUNT:
			text += ": a count"
		case historypb.ReadingKind_READING_KIND_SERIES:
			text += ": a series in " + unitWord(r)
		default:
			text += ": in " + unitWord(r)
		}
		if r.GetInstrumentKind() != "" {
			text += ", with a " + r.GetInstrumentKind()
		}
		if r.GetOptional() {
			text += "; may be left out"
		}
		l.add("read", text)
	}
	for _, d := range t.GetDerived() {
		l.add("compute", fmt.Sprintf("%s = %s", d.GetName(), expressionWords(d.GetExpression())))
	}
	for _, c := range t.GetCriteria() {
		text := c.GetId() + ", " + criterionWords(c)
		if c.GetSays() != "" {
			text += ". " + strings.TrimSuffix(c.GetSays(), ".")
		}
		l.add("passes if", text+". Source: "+sourceLine(c.GetSource()))
	}
	return l
}

// criterionWords says what a criterion compares with what, where, and by which decision rule.
func criterionWords(c *historypb.Criterion) string {
	limit := func(q *historypb.Quantity, of string) string {
		if of != "" {
			return expressionWords(of)
		}
		return quantityText(q)
	}
	low, high := limit(c.GetLow(), c.GetLowOf()), limit(c.GetHigh(), c.GetHighOf())
	text := expressionWords(c.GetOf())
	switch c.GetComparison() {
	case historypb.Comparison_COMPARISON_AT_MOST:
		text += " is at most " + high
	case historypb.Comparison_COMPARISON_LESS_THAN:
		text += " is less than " + high
	case historypb.Comparison_COMPARISON_AT_LEAST:
		text += " is at least " + low
	case historypb.Comparison_COMPARISON_MORE_THAN:
		text += " is more than " + low
	case historypb.Comparison_COMPARISON_BETWEEN:
		text += " is from " + low + " to " + high
	case historypb.Comparison_COMPARISON_HOLDS:
		text += " holds"
	}
	switch c.GetDecisionRule() {
	case historypb.DecisionRule_DECISION_RULE_GUARDED:
		text += ", by the uncertainty at the least"
	case historypb.DecisionRule_DECISION_RULE_GUARDED_BOTH_WAYS:
		text += ", by the uncertainty at the least, and fails if it is beyond by that much"
	}
	if c.GetWhen() != "" {
		text += "; only where " + expressionWords(c.GetWhen())
	}
	return text
}

// expressionWords writes an expression on one line.
func expressionWords(text string) string { return strings.Join(strings.Fields(text), " ") }

func unitWord(r *historypb.WantedReading) string {
	return strings.TrimPrefix(quantityText(&historypb.Quantity{Unit: orWord(r.GetUnit(), "1"), Reference: r.GetReference()}), " ")
}
