package main

import (
	"fmt"
	"strings"
	"time"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// standingView prints a standing for people.
type standingView struct {
	a     *app
	s     *compliancepb.Standing
	zone  *time.Location
	tags  map[string]string // by unit name; names without a tag are shown as they are
	title string

	entries map[string]string // what to call entries by name; others are called by the beginning of their id
}

func (v standingView) tag(unit string) string {
	if t, ok := v.tags[unit]; ok {
		return t
	}
	return lastID(unit)
}

// sentence prints a reason, with the part that it is about.
func (v standingView) sentence(r *compliancepb.StandingReason) string {
	if part := v.part(r.GetUnit()); part != "" && !strings.Contains(r.GetSentence(), part) {
		return part + ": " + r.GetSentence()
	}
	return r.GetSentence()
}

// part returns the tag of a part that is fitted to the unit, and nothing for the unit itself.
func (v standingView) part(unit string) string {
	if unit == "" || unit == v.s.GetUnit() {
		return ""
	}
	return v.tag(unit)
}

func (v standingView) print() {
	a, s := v.a, v.s
	a.paragraph(a.out, "", v.title)
	a.printf("%s:\n\n", v.when())
	a.printf("  may be handed out  %s\n  may be filled      %s\n", yesNo(s.GetMayHandOut()), yesNo(s.GetMayFill()))
	if len(s.GetReasons()) > 0 {
		a.printf("\nWhy not\n")
		for _, r := range s.GetReasons() {
			a.paragraph(a.out, "  ", fmt.Sprintf("%s [blocks %s]", v.sentence(r), usesWord(r.GetBlocks())))
			if r.GetClears() != "" {
				a.paragraph(a.out, "    ", "clears: "+r.GetClears())
			}
		}
	}
	v.clocks()
	if len(s.GetHolds()) > 0 {
		a.printf("\nOpen holds\n")
		t := newTable("since", "unit", "cause", "blocks", "~reason", "~lifted by", "hold")
		for _, h := range s.GetHolds() {
			id := "" // what a person can lift is asked for by id; the others lift by themselves
			if h.GetCause() == compliancepb.Hold_CAUSE_MANUAL {
				id = lastID(h.GetName())
			}
			t.row(showInstant(h.GetOpenTime(), v.zone), v.tag(unitOf(h.GetName())), causeWord(h.GetCause()), usesWord(h.GetBlocks()), h.GetReason(), liftedBy(h), id)
		}
		t.write(a.out, "  ", a.columns)
	}
	if len(s.GetWaivers()) > 0 {
		a.printf("\nWaivers\n")
		t := newTable("unit", "rule", "from", "to", "~signed by", "~reason")
		for _, w := range s.GetWaivers() {
			t.row(v.tag(unitOf(w.GetName())), packAndRule(w.GetRule()), showDate(w.GetStartDate()), showDate(w.GetEndDate()), w.GetSigner(), w.GetReason())
		}
		t.write(a.out, "  ", a.columns)
	}
	if len(s.GetParts()) > 0 {
		var tags []string
		for _, p := range s.GetParts() {
			tags = append(tags, v.tag(p))
		}
		a.printf("\nFitted to it\n")
		a.paragraph(a.out, "  ", strings.Join(tags, ", "))
	}
	v.arithmetic()
	if len(s.GetCautions()) > 0 {
		a.printf("\nCautions\n")
		for _, c := range s.GetCautions() {
			a.paragraph(a.out, "  ", c)
		}
	}
}

func (v standingView) clocks() {
	if len(v.s.GetClocks()) == 0 {
		v.a.printf("\nNo rule runs on it.\n")
		return
	}
	v.a.printf("\nRules that run on it\n")
	t := newTable("state", "part", "activity", "limit", "last day", "left", "counted from", "expected", "~rule", "by")
	for _, c := range v.s.GetClocks() {
		activity := c.GetActivity()
		if c.GetEndOfLife() {
			activity = "end of life"
		}
		t.row(clockState(c), v.part(c.GetUnit()), activity, limitWord(c.GetLimit()), showDate(c.GetDueDate()), leftWord(c), countedFrom(c), expectedWord(c, v.s.GetInstant().AsTime()), c.GetTitle(), authorityWord(c.GetAuthority()))
	}
	t.write(v.a.out, "  ", v.a.columns)
	for _, c := range v.s.GetClocks() {
		if c.GetBlocking() {
			v.a.printf("  * past what the rule allows\n")
			break
		}
	}
}

// clockState prints where a clock stands, and whether it blocks or is waived.
func clockState(c *compliancepb.Clock) string {
	state := stateWord(c.GetState())
	switch {
	case c.GetBlocking():
		state += " *"
	case c.GetWaiver() != "":
		state += " (waived)"
	}
	return state
}

// arithmetic prints how each clock came about, and who says so.
func (v standingView) arithmetic() {
	first := true
	for _, c := range v.s.GetClocks() {
		if len(c.GetExplanation()) == 0 && c.GetSource() == nil {
			continue
		}
		if first {
			v.a.printf("\nHow it is counted\n")
			first = false
		}
		head := packAndRule(c.GetRule())
		if part := v.part(c.GetUnit()); part != "" {
			head += " on " + part
		}
		v.a.paragraph(v.a.out, "  ", head)
		for _, e := range c.GetExplanation() {
			v.a.paragraph(v.a.out, "    ", v.shorten(e))
		}
		// The explanation begins with the source; where it was left out, it is told here.
		if src := sourceLine(c.GetSource()); src != "" && len(c.GetExplanation()) == 0 {
			v.a.paragraph(v.a.out, "    ", "source: "+src)
		}
	}
}

// shorten puts what people call entries in the place of the beginnings of their ids.
func (v standingView) shorten(text string) string {
	for name, called := range v.entries {
		if id := lastID(name); len(id) > 8 {
			text = strings.Replace(text, "entry "+id[:8], called, 1)
		}
	}
	return text
}

// countedFrom prints a clock's anchor.
func countedFrom(c *compliancepb.Clock) string {
	if c.GetAnchorDate() == nil {
		return ""
	}
	text := showDate(c.GetAnchorDate())
	if c.GetAnchorEntry() == "" && c.GetAnchorBaseline() != compliancepb.Baseline_BASELINE_UNSPECIFIED {
		text += " " + baselineWord(c.GetAnchorBaseline())
	}
	return text
}

// liftedBy prints what lifts a hold.
func liftedBy(h *compliancepb.Hold) string {
	switch {
	case h.GetCause() == compliancepb.Hold_CAUSE_CONDEMNED:
		return "nothing: final"
	case len(h.GetClearedBy()) > 0:
		return "a later pass of " + strings.Join(h.GetClearedBy(), " or ")
	case h.GetCause() == compliancepb.Hold_CAUSE_MANUAL:
		return "a person"
	case h.GetCause() == compliancepb.Hold_CAUSE_ORDER:
		return "the order's signature"
	}
	return ""
}

// unitOf returns the unit's name in the name of something below it.
func unitOf(name string) string {
	for _, part := range []string{"/holds/", "/entries/", "/fittings/", "/waivers/"} {
		if i := strings.Index(name, part); i >= 0 {
			return name[:i]
		}
	}
	return name
}
