package compliancerpc

import (
	"fmt"
	"regexp"
	"strings"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

var packIDPattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)

// packOf returns the pack of a revision that has passed the checks its proto states, and a violation, RULE_PACK_INVALID, for
// every rule and field with which it contradicts itself. Field paths are below path, for example `rule_pack`.
func packOf(id, path string, p *compliancepb.RulePack) (due.Pack, []errs.Violation) {
	r := packReader{}
	out := due.Pack{
		ID: id, Revision: p.GetRevision(), Published: instantOf(p.GetCreateTime()), Cautions: p.GetCautions(),
		Rules: make([]due.Rule, len(p.GetRules())),
	}
	if !packIDPattern.MatchString(id) {
		r.bad(path+".name", id, "want orgs/{org}/rulePacks/{pack} with a pack of 1 to 40 lower-case letters, digits and hyphens")
	}
	effective, err := markOf(p.GetEffectiveDate())
	switch {
	case err != nil:
		r.bad(path+".effective_date", dateText(p.GetEffectiveDate()), err.Error())
	case effective.IsZero() || effective.IsMonth():
		r.bad(path+".effective_date", dateText(p.GetEffectiveDate()), "want a full date: the first day the revision is in force")
	}
	out.Effective = effective.First()
	seen := map[string]bool{}
	for i, rule := range p.GetRules() {
		at := fmt.Sprintf("%s.rules[%d]", path, i)
		if seen[rule.GetId()] {
			r.bad(at+".id", rule.GetId(), "another rule of the pack has this id")
		}
		seen[rule.GetId()] = true
		out.Rules[i] = r.rule(id, at, rule)
	}
	out.Proofs = r.proofs(path, p.GetConditionProofs())
	return out, r.violations
}

type packReader struct{ violations []errs.Violation }

func (r *packReader) bad(field, value, description string) {
	r.violations = append(r.violations, errs.Violation{Field: field, Value: value, Description: description, Reason: "RULE_PACK_INVALID"})
}

func (r *packReader) rule(pack, at string, p *compliancepb.Rule) due.Rule {
	l, lead := p.GetLimit(), p.GetLead()
	out := due.Rule{
		Pack: pack, ID: p.GetId(), Title: p.GetTitle(), Activity: p.GetActivity(), Authority: due.Authority(p.GetAuthority()),
		Source: due.Source{
			Document: p.GetSource().GetDocument(), Section: p.GetSource().GetSection(), Edition: p.GetSource().GetEdition(),
			FromMemory: p.GetSource().GetFromMemory(),
		},
		Scope:       r.scope(at+".scope", p.GetScope()),
		Months:      int(l.GetMonths()),
		Limit:       due.Amount{Dives: l.GetDives(), Hours: l.GetRunningTime().AsDuration(), Fills: l.GetFills()},
		MonthStamp:  l.GetMonthStamped(),
		LeadDays:    int(lead.GetDays()),
		Lead:        due.Amount{Dives: lead.GetDives(), Hours: lead.GetRunningTime().AsDuration(), Fills: lead.GetFills()},
		SatisfiedBy: p.GetSatisfiedBy(), Blocks: usesOf(p.GetBlocks()), EndOfLife: p.GetEndOfLife(),
		HandOutIfFilledBefore: p.GetHandOutIfFilledBefore(),
	}
	for _, b := range p.GetBaselines() {
		out.Baselines = append(out.Baselines, due.Baseline(b))
	}
	if out.Months == 0 && out.Limit == (due.Amount{}) {
		r.bad(at+".limit", "", "want at least one of months, dives, running_time and fills")
	}
	if out.MonthStamp && out.Months == 0 {
		r.bad(at+".limit.month_stamped", "true", "only a limit in months can run to the end of a month")
	}
	if out.Months == 0 && out.LeadDays > 0 {
		r.bad(at+".lead.days", fmt.Sprint(out.LeadDays), "there is no limit in months for it to lead")
	}
	if out.Limit.Dives == 0 && out.Lead.Dives > 0 {
		r.bad(at+".lead.dives", fmt.Sprint(out.Lead.Dives), "there is no limit in dives for it to lead")
	}
	if out.Limit.Hours == 0 && out.Lead.Hours > 0 {
		r.bad(at+".lead.running_time", out.Lead.Hours.String(), "there is no limit in running time for it to lead")
	}
	if out.Limit.Fills == 0 && out.Lead.Fills > 0 {
		r.bad(at+".lead.fills", fmt.Sprint(out.Lead.Fills), "there is no limit in fills for it to lead")
	}
	if out.Activity == "" && !out.EndOfLife {
		r.bad(at+".activity", "", "want the activity it asks for; only an end of life has none")
	}
	if out.EndOfLife {
		if len(out.SatisfiedBy) > 0 {
			r.bad(at+".satisfied_by", strings.Join(out.SatisfiedBy, ", "), "nothing resets an end of life: leave it empty")
		}
		if len(out.Baselines) == 0 {
			r.bad(at+".baselines", "", "want at least one: an end of life counts from nothing else")
		}
	}
	if out.Source.FromMemory && out.Authority == due.Law {
		r.bad(at+".authority", p.GetAuthority().String(), "a figure from memory is never shown as law: state AUTHORITY_HOUSE until it was compared with the document")
	}
	if out.HandOutIfFilledBefore && (out.Months == 0 || out.EndOfLife || out.Blocks&due.HandOut == 0) {
		r.bad(at+".hand_out_if_filled_before", "true", "it needs a limit in months that blocks USE_HAND_OUT and is no end of life")
	}
	return out
}

func (r *packReader) scope(at string, p *compliancepb.Scope) due.Scope {
	s := due.Scope{Kinds: p.GetKinds(), Jurisdictions: p.GetJurisdictions(), Makers: p.GetMakers()}
	if len(p.GetAttributes()) > 0 {
		s.Attributes = make(map[string][]string, len(p.GetAttributes()))
	}
	for key, value := range p.GetAttributes() {
		s.Attributes[key] = strings.Split(value, "|")
		for _, v := range s.Attributes[key] {
			if v == "" {
				r.bad(at+".attributes["+key+"]", value, "want values separated by `|`, none of them empty")
				break
			}
		}
	}
	return s
}

func (r *packReader) proofs(path string, ps []*compliancepb.ConditionProof) (out []due.Proof) {
	others := false
	seen := map[string]bool{}
	for i, p := range ps {
		at := fmt.Sprintf("%s.condition_proofs[%d].conditions", path, i)
		if len(p.GetConditions()) == 0 {
			if others {
				r.bad(at, "", "another proof of the pack is about all other conditions already")
			}
			others = true
		}
		for j, c := range p.GetConditions() {
			if seen[c] {
				r.bad(fmt.Sprintf("%s[%d]", at, j), c, "the pack says twice what lifts this condition")
			}
			seen[c] = true
		}
		out = append(out, due.Proof{Conditions: p.GetConditions(), ClearedBy: p.GetClearedBy()})
	}
	return out
}

func usesOf(ps []compliancepb.Use) (u due.Use) {
	for _, p := range ps {
		switch p {
		case compliancepb.Use_USE_HAND_OUT:
			u |= due.HandOut
		case compliancepb.Use_USE_FILL:
			u |= due.Fill
		}
	}
	return u
}

func usesPB(u due.Use) (out []compliancepb.Use) {
	if u&due.HandOut != 0 {
		out = append(out, compliancepb.Use_USE_HAND_OUT)
	}
	if u&due.Fill != 0 {
		out = append(out, compliancepb.Use_USE_FILL)
	}
	return out
}

// dateText writes a date that may not exist, for a violation.
func dateText(d interface {
	GetYear() int32
	GetMonth() int32
	GetDay() int32
}) string {
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}
