package systemtest

import (
	"io/fs"
	"slices"
	"strings"
	"testing"
	"time"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/packs"
)

// sidedPacks are the shipped packs of which every rule needs a published case on each side of its limits.
const sidedPacks = "*.yaml"

// sideless are the rules, {pack}/{rule}, without such cases, each with the reason. An entry that is not needed fails the test.
var sideless = map[string]string{
	"au-cylinders/withdrawn-6351":    "it ends a life that was over before the rule began",
	"au-cylinders/withdrawn-6351-nz": "it ends a life that was over before the rule began",
	"gb-cylinders/alloy-not-known":   "what it asks for is done once; it lapses after a hundred years",
}

// The sides of a limit.
const (
	lastDay  = "its last day of use, on which it does not block"
	dayAfter = "the day after its last day of use, on which it blocks"
	lastOne  = " left: the last one"
	noneLeft = " left: none"
	extended = "evidence that lengthens its interval"
	usedHard = "use that is hard enough for its shorter limit"
)

// sides holds, for each rule {pack}/{rule}, the sides of its limits on which a case stands.
type sides map[string]map[string]bool

// add notes on which sides of its clock's limits a case stands; only what the case states counts.
func (m sides) add(c *publishedCase, req *compliancepb.EvaluateRequest, s *compliancepb.Standing) {
	k := findClock(s, c.Clock)
	if c.Clock == "" || k == nil {
		return
	}
	if m[c.Clock] == nil {
		m[c.Clock] = map[string]bool{}
	}
	met := m[c.Clock]
	if d := k.GetDueDate(); d != nil && c.DueDate != "" {
		due := time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()), 0, 0, 0, 0, time.UTC)
		switch on := localDate(req, k.GetUnit()); {
		case on.Equal(due) && !k.GetBlocking():
			met[lastDay] = true
		case on.Equal(due.AddDate(0, 0, 1)) && k.GetBlocking():
			met[dayAfter] = true
		}
	}
	usage := func(measure string, asserted bool, left, one int64) {
		switch {
		case !asserted:
		case left == 0 && k.GetBlocking():
			met[measure+noneLeft] = true
		case left > 0 && left <= one && !k.GetBlocking():
			met[measure+lastOne] = true
		}
	}
	usage("dives", c.DivesLeft != nil, k.GetDivesLeft(), 1)
	usage("fills", c.FillsLeft != nil, k.GetFillsLeft(), 1)
	usage("hours", c.HoursLeft != "", int64(k.GetRunningTimeLeft().AsDuration()), int64(time.Hour))
	if r := ruleOf(req, c.Clock); r != nil {
		if e := r.GetExtendedBy(); e != nil && k.GetLimit().GetMonths() == e.GetMonths() {
			met[extended] = true
		}
		if slices.ContainsFunc(r.GetConditionalLimits(), func(l *compliancepb.ConditionalLimit) bool { return applies(k.GetLimit(), r.GetLimit(), l.GetLimit()) }) {
			met[usedHard] = true
		}
	}
}

// applies says whether the limits in effect have become those of a condition where that differs from the rule's own.
func applies(effective, own, conditional *compliancepb.Limit) bool {
	return conditional.GetMonths() > 0 && effective.GetMonths() == conditional.GetMonths() && own.GetMonths() != conditional.GetMonths() ||
		conditional.GetDives() > 0 && effective.GetDives() == conditional.GetDives() && own.GetDives() != conditional.GetDives() ||
		conditional.GetFills() > 0 && effective.GetFills() == conditional.GetFills() && own.GetFills() != conditional.GetFills() ||
		conditional.GetRunningTime() != nil && effective.GetRunningTime().AsDuration() == conditional.GetRunningTime().AsDuration() &&
			own.GetRunningTime().AsDuration() != conditional.GetRunningTime().AsDuration()
}

// localDate returns the civil date of a request's instant where a unit is, as midnight UTC.
func localDate(req *compliancepb.EvaluateRequest, unit string) time.Time {
	at := req.GetInstant().AsTime()
	zone := time.UTC
	for _, u := range req.GetUnits() {
		if u.GetUnit() != unit {
			continue
		}
		for i, stay := range u.GetStays() {
			if from := stay.GetStartTime(); i == 0 || from == nil || !from.AsTime().After(at) {
				if z, err := time.LoadLocation(stay.GetTimeZone()); err == nil {
					zone = z
				}
			}
		}
	}
	y, mo, d := at.In(zone).Date()
	return time.Date(y, mo, d, 0, 0, 0, 0, time.UTC)
}

// ruleOf returns a rule, {pack}/{rule}, of a request's packs.
func ruleOf(req *compliancepb.EvaluateRequest, rule string) *compliancepb.Rule {
	pack, id, _ := strings.Cut(rule, "/")
	for _, p := range req.GetRulePacks() {
		if !strings.HasSuffix(p.GetName(), "rulePacks/"+pack) {
			continue
		}
		for _, r := range p.GetRules() {
			if r.GetId() == id {
				return r
			}
		}
	}
	return nil
}

// wanted returns the sides on which a rule needs a case.
func wanted(r *compliancepb.Rule) (out []string) {
	l := r.GetLimit()
	if l.GetMonths() > 0 {
		out = append(out, lastDay, dayAfter)
	}
	for measure, limited := range map[string]bool{"dives": l.GetDives() > 0, "fills": l.GetFills() > 0, "hours": l.GetRunningTime() != nil} {
		if limited {
			out = append(out, measure+lastOne, measure+noneLeft)
		}
	}
	if r.GetExtendedBy() != nil {
		out = append(out, extended)
	}
	if len(r.GetConditionalLimits()) > 0 {
		out = append(out, usedHard)
	}
	slices.Sort(out)
	return out
}

// check fails for every shipped rule that has no case on some side of its limits.
func (m sides) check(t *testing.T) {
	names, err := fs.Glob(packs.Files, sidedPacks)
	if err != nil || len(names) == 0 {
		t.Fatalf("no packs %s: %v", sidedPacks, err)
	}
	known := map[string]bool{}
	for _, name := range names {
		id := strings.TrimSuffix(name, ".yaml")
		for _, r := range shippedPack(t, id).GetRules() {
			rule := id + "/" + r.GetId()
			known[rule] = true
			var missing []string
			for _, side := range wanted(r) {
				if !m[rule][side] {
					missing = append(missing, side)
				}
			}
			why, excused := sideless[rule]
			switch {
			case excused && why == "":
				t.Errorf("%s is excused from cases without a reason", rule)
			case excused && len(missing) == 0:
				t.Errorf("%s has all its cases: it need not be excused from them", rule)
			case !excused && len(missing) > 0:
				t.Errorf("testdata/published has no case with clock: %s and its dueDate or what is left, for %s", rule, strings.Join(missing, "; for "))
			}
		}
	}
	for rule := range sideless {
		if !known[rule] {
			t.Errorf("%s is excused from cases and is no shipped rule", rule)
		}
	}
}
