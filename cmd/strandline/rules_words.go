package main

import (
	"fmt"
	"strings"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// ruleRows says all that a rule states, a label and a text each.
func ruleRows(r *compliancepb.Rule) (rows [][2]string) {
	add := func(label, text string) {
		if text != "" {
			rows = append(rows, [2]string{label, text})
		}
	}
	s := r.GetScope()
	add("kinds", joined(s.GetKinds()))
	add("where it is", joined(s.GetJurisdictions()))
	add("makers", joined(s.GetMakers()))
	add("attributes", strings.Join(sortedPairs(s.GetAttributes()), ", "))
	add("only where", strings.Join(strings.Fields(s.GetWhere()), " "))
	limit := limitWord(r.GetLimit())
	if r.GetEndOfLife() {
		limit += "; then its life ends"
	}
	add("limit", limit)
	for _, c := range r.GetConditionalLimits() {
		add("used hard", fmt.Sprintf("%s since %s within %s", limitWord(c.GetLimit()), intensityWords(c.GetIntensity()), plural(int64(c.GetIntensity().GetDays()), "day")))
	}
	if e := r.GetExtendedBy(); e != nil {
		add("with evidence", fmt.Sprintf("%s while a passed %s is not older than %s", plural(int64(e.GetMonths()), "month"), e.GetActivity(), plural(int64(e.GetValidMonths()), "month")))
	}
	add("due soon", leadWords(r))
	add("counts from", baselinesWord(r.GetBaselines(), r.GetEndOfLife()))
	if st := r.GetStorage(); st != nil {
		add("never used", fmt.Sprintf("%s from %s", plural(int64(st.GetMonths()), "month"), baselinesWord(st.GetBaselines(), true)))
	}
	add("also done by", orWords(r.GetSatisfiedBy()))
	for _, c := range r.GetCompanions() {
		add("needs with it", companionWords(c))
	}
	if w := r.GetRunningTimeWeights(); len(w) > 0 {
		add("running time", weightWords(w))
	}
	add("late work", lateWords(r))
	if r.GetMarkMeaning() == compliancepb.MarkMeaning_MARK_MEANING_EXPIRY_DATE {
		add("date marked", "the last day, or month, for which the work holds")
	}
	add("on an old fleet", phaseInWords(r))
	blocks := usesWord(r.GetBlocks())
	if r.GetHandOutIfFilledBefore() {
		blocks += "; a unit filled before it was due may still be handed out"
	}
	add("blocks", blocks)
	if n := r.GetBenchMinutes(); n > 0 {
		add("at the bench", plural(int64(n), "minute"))
	}
	add("says", authorityWord(r.GetAuthority()))
	add("source", sourceLine(r.GetSource()))
	return rows
}

func joined(words []string) string { return strings.Join(words, ", ") }

func orWords(words []string) string { return strings.Join(words, " or ") }

func intensityWords(i *compliancepb.ConditionalLimit_Intensity) string {
	return limitWord(&compliancepb.Limit{Dives: i.GetDives(), RunningTime: i.GetRunningTime(), Fills: i.GetFills()})
}

// leadWords says when a unit counts as due soon, with what is meant where the rule says nothing.
func leadWords(r *compliancepb.Rule) string {
	if r.GetEndOfLife() && r.GetLead() == nil {
		return ""
	}
	var parts []string
	lead, limit := r.GetLead(), r.GetLimit()
	if limit.GetMonths() > 0 {
		days := int64(lead.GetDays())
		if days == 0 {
			days = 30
		}
		parts = append(parts, plural(days, "day")+" before")
	}
	left := limitWord(&compliancepb.Limit{Dives: lead.GetDives(), RunningTime: lead.GetRunningTime(), Fills: lead.GetFills()})
	switch usage := limit.GetDives() > 0 || limit.GetRunningTime() != nil || limit.GetFills() > 0; {
	case left != "":
		parts = append(parts, left+" left")
	case usage:
		parts = append(parts, "a tenth left")
	}
	return orWords(parts)
}

// baselinesWord says what counts while the activity was never performed.
func baselinesWord(bs []compliancepb.Baseline, bare bool) string {
	words := make([]string, len(bs))
	for i, b := range bs {
		words[i] = baselineWord(b)
	}
	text := strings.Join(words, ", else ")
	switch {
	case bare:
		return text
	case text == "":
		return "the work; before any, the unit is held for missing history"
	}
	return "the work; before any, " + text
}

func companionWords(c *compliancepb.Companion) string {
	text := c.GetActivity()
	if c.GetOrder() == compliancepb.Companion_ORDER_BEFORE {
		text += " first"
	}
	if c.GetWithinDays() == 0 {
		return text + ", on the same day"
	}
	return text + ", within " + plural(int64(c.GetWithinDays()), "day")
}

func weightWords(ws []*compliancepb.TemperatureWeight) string {
	words := make([]string, len(ws))
	for i, w := range ws {
		words[i] = fmt.Sprintf("from %d °C %d %%", w.GetFromCelsius(), w.GetPercent())
	}
	return strings.Join(words, ", ") + "; the heaviest where the temperature is not known, or lower"
}

func lateWords(r *compliancepb.Rule) string {
	switch r.GetLatePolicy() {
	case compliancepb.LatePolicy_LATE_POLICY_FROM_DUE:
		return "counts from the day by which it should have been done"
	case compliancepb.LatePolicy_LATE_POLICY_ESCALATE:
		return "does not count: then " + orWords(r.GetSatisfiedBy()) + " is needed"
	}
	return ""
}

// phaseInWords says how the rule lands on units that were there before it, with what is meant where the rule says nothing.
func phaseInWords(r *compliancepb.Rule) string {
	switch p := r.GetPhaseIn(); {
	case p.GetAtOnce() || r.GetEndOfLife() || r.GetAuthority() == compliancepb.Authority_AUTHORITY_LAW:
		return "at once"
	case p.GetDays() > 0:
		return "spread over " + plural(int64(p.GetDays()), "day")
	}
	return "spread over 90 days"
}
