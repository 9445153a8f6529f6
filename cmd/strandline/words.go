package main

import (
	"fmt"
	"strings"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// The words that tables use for the enums of the API.

func stateWord(s compliancepb.Clock_State) string {
	switch s {
	case compliancepb.Clock_STATE_FINE:
		return "fine"
	case compliancepb.Clock_STATE_DUE_SOON:
		return "due soon"
	case compliancepb.Clock_STATE_DUE:
		return "due"
	case compliancepb.Clock_STATE_OVERDUE:
		return "overdue"
	case compliancepb.Clock_STATE_NO_ANCHOR:
		return "no history"
	}
	return "not known"
}

func causeWord(c compliancepb.Hold_Cause) string {
	switch c {
	case compliancepb.Hold_CAUSE_MANUAL:
		return "by hand"
	case compliancepb.Hold_CAUSE_FAILED:
		return "failed"
	case compliancepb.Hold_CAUSE_INCONCLUSIVE:
		return "inconclusive"
	case compliancepb.Hold_CAUSE_CONDITION:
		return "condition"
	case compliancepb.Hold_CAUSE_MISSING_HISTORY:
		return "missing history"
	case compliancepb.Hold_CAUSE_CONDEMNED:
		return "condemned"
	case compliancepb.Hold_CAUSE_RECALL:
		return "recall"
	case compliancepb.Hold_CAUSE_ORDER:
		return "service order"
	}
	return "not known"
}

func usesWord(uses []compliancepb.Use) string {
	var words []string
	for _, u := range uses {
		switch u {
		case compliancepb.Use_USE_HAND_OUT:
			words = append(words, "hand-out")
		case compliancepb.Use_USE_FILL:
			words = append(words, "fill")
		}
	}
	return strings.Join(words, ", ")
}

func authorityWord(a compliancepb.Authority) string {
	return strings.ToLower(strings.TrimPrefix(a.String(), "AUTHORITY_"))
}

func baselineWord(b compliancepb.Baseline) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(b.String(), "BASELINE_")), "_", " ")
}

func outcomeWord(o historypb.Outcome) string {
	return strings.ToLower(strings.TrimPrefix(o.String(), "OUTCOME_"))
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// cited is where something is from, in the words of any service.
type cited interface {
	GetDocument() string
	GetSection() string
	GetEdition() string
	GetFromMemory() bool
}

// sourceLine prints where something is from; nothing if that is not said.
func sourceLine(s cited) string {
	line := s.GetDocument()
	if line == "" {
		return ""
	}
	if s.GetSection() != "" {
		line += ", " + s.GetSection()
	}
	if s.GetEdition() != "" {
		line += " (" + s.GetEdition() + ")"
	}
	if s.GetFromMemory() {
		line += " [from memory, not compared with the document]"
	}
	return line
}

// limitWord prints a rule's limits.
func limitWord(l *compliancepb.Limit) string {
	var parts []string
	add := func(n int64, unit string) {
		if n > 0 {
			parts = append(parts, plural(n, unit))
		}
	}
	add(int64(l.GetMonths()), "month")
	add(l.GetDives(), "dive")
	if d := l.GetRunningTime(); d != nil {
		parts = append(parts, showRunning(d))
	}
	add(l.GetFills(), "fill")
	text := strings.Join(parts, " or ")
	switch {
	case l.GetMonthStamped() && len(parts) > 1:
		text = strings.Replace(text, " or ", " to the month's end or ", 1)
	case l.GetMonthStamped():
		text += ", to the month's end"
	}
	return text
}

// leftWord prints what a clock has left of its usage limits, and how much of what was used is an estimate.
func leftWord(c *compliancepb.Clock) string {
	var parts []string
	add := func(left, guessed, used string) {
		if guessed != "" {
			left += fmt.Sprintf(" (%s of %s are estimates)", guessed, used)
		}
		parts = append(parts, left)
	}
	count := func(left, guessed, used int64, unit string) {
		text := ""
		if guessed > 0 {
			text = fmt.Sprint(guessed)
		}
		add(plural(left, unit), text, plural(used, unit))
	}
	if c.DivesLeft != nil {
		count(c.GetDivesLeft(), c.GetDivesEstimated(), c.GetDivesUsed(), "dive")
	}
	if d := c.GetRunningTimeLeft(); d != nil {
		guessed := ""
		if g := c.GetRunningTimeEstimated(); g.AsDuration() > 0 {
			guessed = showRunning(g)
		}
		add(showRunning(d), guessed, showRunning(c.GetRunningTimeUsed()))
	}
	if c.FillsLeft != nil {
		count(c.GetFillsLeft(), c.GetFillsEstimated(), c.GetFillsUsed(), "fill")
	}
	return strings.Join(parts, ", ")
}

func plural(n int64, unit string) string {
	if n == 1 {
		return "1 " + unit
	}
	return fmt.Sprintf("%d %ss", n, unit)
}

// amountWords prints an amount of usage.
func amountWords(dives int64, running string, fills int64) string {
	var parts []string
	if dives != 0 {
		parts = append(parts, plural(dives, "dive"))
	}
	if running != "" && running != "0h" {
		parts = append(parts, running)
	}
	if fills != 0 {
		parts = append(parts, plural(fills, "fill"))
	}
	return strings.Join(parts, ", ")
}
