package systemtest

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/packs"
)

// The sides of a limit. A limit in months is asked for on both; which one it is, the rule's own, that for hard use, that with evidence or
// that of storage, stands before the side.
const (
	lastDay  = "the last day of use, on which it does not block"
	dayAfter = "the day after the last day of use, on which it blocks"
	lastOne  = " left: the last one"
	noneLeft = " left: none"
	lapsed   = "evidence on record that has lapsed"
	notYet   = ", one use less than calls for it"
	hardEdge = ", the very use that calls for it"
	inTime   = " performed with it, as many days apart as may be"
	tooLate  = " performed a day too late"
)

// The limits in months that a rule may have.
const (
	ownLimit      = "its limit"
	hardLimit     = "its limit for hard use"
	evidenceLimit = "its limit with evidence"
	storageLimit  = "its limit of storage"
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
	r := ruleOf(req, c.Clock)
	which := effective(r, k)
	if d := k.GetDueDate(); d != nil && c.DueDate != "" {
		due := time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()), 0, 0, 0, 0, time.UTC)
		switch on := localDate(req, k.GetUnit(), req.GetInstant().AsTime()); {
		case on.Equal(due) && !k.GetBlocking():
			met[which+": "+lastDay] = true
		case on.Equal(due.AddDate(0, 0, 1)) && k.GetBlocking():
			met[which+": "+dayAfter] = true
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
	if e := r.GetExtendedBy(); e != nil && which == ownLimit {
		for _, at := range performances(req, k.GetUnit(), e.GetActivity()) {
			if at.Before(req.GetInstant().AsTime()) {
				met[lapsed] = true
			}
		}
	}
	m.addCompanions(c.Clock, req, r, k)
	for i, l := range r.GetConditionalLimits() {
		hard, left := hardName(r, i), l.GetIntensity().GetDives()-k.GetDivesUsed()
		if fills := l.GetIntensity().GetFills(); fills > 0 {
			left = fills - k.GetFillsUsed()
		}
		switch {
		case left == 0 && which == hardLimit:
			met[hard+hardEdge] = true
		case left == 1 && which == ownLimit:
			met[hard+notYet] = true
		}
	}
}

// hardName names a conditional limit of a rule.
func hardName(r *compliancepb.Rule, i int) string {
	if in := r.GetConditionalLimits()[i].GetIntensity(); in.GetFills() > 0 {
		return fmt.Sprintf("%d fills in %d days", in.GetFills(), in.GetDays())
	} else {
		return fmt.Sprintf("%d dives in %d days", in.GetDives(), in.GetDays())
	}
}

// effective says which of a rule's limits in months is the one in effect.
func effective(r *compliancepb.Rule, k *compliancepb.Clock) string {
	months := k.GetLimit().GetMonths()
	hard := func(l *compliancepb.ConditionalLimit) bool { return l.GetLimit().GetMonths() == months }
	switch {
	case months == r.GetLimit().GetMonths():
		return ownLimit
	case slices.ContainsFunc(r.GetConditionalLimits(), hard):
		return hardLimit
	case r.GetExtendedBy() != nil && r.GetExtendedBy().GetMonths() == months:
		return evidenceLimit
	case r.GetStorage() != nil && r.GetStorage().GetMonths() == months:
		return storageLimit
	}
	return "no limit of the rule"
}

// performances returns when one of some activities was performed on a unit, by entry.
func performances(req *compliancepb.EvaluateRequest, unit string, activities ...string) map[string]time.Time {
	out := map[string]time.Time{}
	for _, e := range req.GetEntries() {
		did := append([]string{e.GetTest().GetActivity()}, e.GetService().GetActivities()...)
		if e.GetUnit() == unit && slices.ContainsFunc(did, func(a string) bool { return slices.Contains(activities, a) }) {
			out[e.GetId()] = e.GetOccurredTime().AsTime()
		}
	}
	return out
}

// addCompanions notes the cases in which a companion came on the last day that counts, and a day too late.
func (m sides) addCompanions(rule string, req *compliancepb.EvaluateRequest, r *compliancepb.Rule, k *compliancepb.Clock) {
	for _, with := range r.GetCompanions() {
		for entry, at := range performances(req, k.GetUnit(), append([]string{r.GetActivity()}, r.GetSatisfiedBy()...)...) {
			for _, other := range performances(req, k.GetUnit(), with.GetActivity()) {
				a, b := localDate(req, k.GetUnit(), at), localDate(req, k.GetUnit(), other)
				counts := strings.HasSuffix(k.GetAnchorEntry(), entry)
				switch days := int32(a.Sub(b).Abs().Hours() / 24); {
				case days == with.GetWithinDays() && counts:
					m[rule][with.GetActivity()+inTime] = true
				case days == with.GetWithinDays()+1 && !counts:
					m[rule][with.GetActivity()+tooLate] = true
				}
			}
		}
	}
}

// localDate returns the civil date of an instant where a unit is, as midnight UTC.
func localDate(req *compliancepb.EvaluateRequest, unit string, at time.Time) time.Time {
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
	for which, has := range map[string]bool{
		ownLimit: l.GetMonths() > 0, evidenceLimit: r.GetExtendedBy() != nil, storageLimit: r.GetStorage() != nil, hardLimit: len(r.GetConditionalLimits()) > 0,
	} {
		if has {
			out = append(out, which+": "+lastDay, which+": "+dayAfter)
		}
	}
	for measure, limited := range map[string]bool{"dives": l.GetDives() > 0, "fills": l.GetFills() > 0, "hours": l.GetRunningTime() != nil} {
		if limited {
			out = append(out, measure+lastOne, measure+noneLeft)
		}
	}
	if r.GetExtendedBy() != nil {
		out = append(out, lapsed)
	}
	for _, with := range r.GetCompanions() {
		out = append(out, with.GetActivity()+inTime, with.GetActivity()+tooLate)
	}
	for i := range r.GetConditionalLimits() {
		out = append(out, hardName(r, i)+hardEdge, hardName(r, i)+notYet)
	}
	slices.Sort(out)
	return out
}

// faults tells of every rule of a library that has no case on some side of its limits, and of every excuse that is not good.
func (m sides) faults(t *testing.T, library packs.Library, files []*publishedFile) (out []string) {
	t.Helper()
	ids, err := library.IDs()
	if err != nil || len(ids) == 0 {
		t.Fatalf("no packs: %v", err)
	}
	excused := map[string]string{}
	for _, f := range files {
		maps.Copy(excused, f.Excused)
	}
	known := map[string]bool{}
	for _, id := range ids {
		for _, p := range packOf(t, library, id) {
			for _, r := range p.GetRules() {
				rule := id + "/" + r.GetId()
				known[rule] = true
				var missing []string
				for _, side := range wanted(r) {
					if !m[rule][side] {
						missing = append(missing, side)
					}
				}
				why, spared := excused[rule]
				switch {
				case spared && strings.TrimSpace(why) == "":
					out = append(out, rule+" is excused from cases without a reason")
				case spared && len(missing) == 0:
					out = append(out, rule+" has all its cases: it need not be excused from them")
				case !spared && len(missing) > 0:
					out = append(out, "testdata/published has no case with clock: "+rule+" and its dueDate or what is left, for "+strings.Join(missing, "; for "))
				}
			}
		}
	}
	for _, rule := range slices.Sorted(maps.Keys(excused)) {
		if !known[rule] {
			out = append(out, rule+" is excused from cases and is no rule of a pack")
		}
	}
	return out
}
