package packs

import (
	"fmt"
	"strings"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// usualPhaseIn is over how many days a rule that says nothing else lands on a fleet.
const usualPhaseIn = 90

func (r *reader) rule(pack, at string, p *compliancepb.Rule) due.Rule {
	l, lead := p.GetLimit(), p.GetLead()
	out := due.Rule{
		Pack: pack, ID: p.GetId(), Title: p.GetTitle(), Activity: p.GetActivity(), Authority: due.Authority(p.GetAuthority()),
		Source: due.Source{
			Document: p.GetSource().GetDocument(), Section: p.GetSource().GetSection(), Edition: p.GetSource().GetEdition(),
			FromMemory: p.GetSource().GetFromMemory(),
		},
		Scope:       r.scope(at+".scope", p.GetScope()),
		Months:      int(l.GetMonths()),
		Limit:       amountOf(l),
		MonthStamp:  l.GetMonthStamped(),
		LeadDays:    int(lead.GetDays()),
		Lead:        amountOf(lead),
		Baselines:   baselinesOf(p.GetBaselines()),
		SatisfiedBy: p.GetSatisfiedBy(), Blocks: usesOf(p.GetBlocks()), EndOfLife: p.GetEndOfLife(),
		HandOutIfFilledBefore: p.GetHandOutIfFilledBefore(),
		MarkExpires:           p.GetMarkMeaning() == compliancepb.MarkMeaning_MARK_MEANING_EXPIRY_DATE,
		BenchMinutes:          int(p.GetBenchMinutes()),
	}
	r.limits(at, &out)
	if out.Activity == "" && !out.EndOfLife {
		r.bad(at+".activity", "", "want the activity it asks for; only an end of life has none")
	}
	if out.Source.FromMemory && out.Authority == due.Law {
		r.bad(at+".authority", p.GetAuthority().String(), "a figure from memory is never shown as law: state AUTHORITY_HOUSE until it was compared with the document")
	}
	if out.HandOutIfFilledBefore && (out.Months == 0 || out.EndOfLife || out.Blocks&due.HandOut == 0) {
		r.bad(at+".hand_out_if_filled_before", "true", "it needs a limit in months that blocks USE_HAND_OUT and is no end of life: leave it out, or state those")
	}
	if out.MarkExpires && out.Months == 0 {
		r.bad(at+".mark_meaning", p.GetMarkMeaning().String(), "a mark that expires needs a limit in months that it ends no later than: state months, or leave it out")
	}
	out.PhaseInDays = r.phaseIn(at+".phase_in", &out, p.GetPhaseIn())
	out.Intense = r.intense(at, &out, p.GetConditionalLimits())
	out.Weights = r.weights(at, &out, p.GetRunningTimeWeights())
	out.Storage = r.storage(at+".storage", &out, p.GetStorage())
	out.Companions = r.companions(at, &out, p.GetCompanions())
	out.Evidence = r.evidence(at+".extended_by", &out, p.GetExtendedBy())
	out.Late = r.late(at+".late_policy", &out, p.GetLatePolicy())
	if out.EndOfLife {
		r.endOfLife(at, &out)
	}
	return out
}

// limits checks the limits and leads of a rule against each other.
func (r *reader) limits(at string, out *due.Rule) {
	if out.Months == 0 && out.Limit == (due.Amount{}) {
		r.bad(at+".limit", "", "want at least one of months, dives, running_time and fills")
	}
	if out.MonthStamp && out.Months == 0 {
		r.bad(at+".limit.month_stamped", "true", "only a limit in months can run to the end of a month: state months, or leave it out")
	}
	if out.Months == 0 && out.LeadDays > 0 {
		r.bad(at+".lead.days", fmt.Sprint(out.LeadDays), "there is no limit in months for it to lead: leave it out, or state the limit")
	}
	if out.Limit.Dives == 0 && out.Lead.Dives > 0 {
		r.bad(at+".lead.dives", fmt.Sprint(out.Lead.Dives), "there is no limit in dives for it to lead: leave it out, or state the limit")
	}
	if out.Limit.Hours == 0 && out.Lead.Hours > 0 {
		r.bad(at+".lead.running_time", out.Lead.Hours.String(), "there is no limit in running time for it to lead: leave it out, or state the limit")
	}
	if out.Limit.Fills == 0 && out.Lead.Fills > 0 {
		r.bad(at+".lead.fills", fmt.Sprint(out.Lead.Fills), "there is no limit in fills for it to lead: leave it out, or state the limit")
	}
}

// endOfLife refuses what an end of life cannot have: it counts from a baseline and nothing done to the unit moves it.
func (r *reader) endOfLife(at string, out *due.Rule) {
	if len(out.SatisfiedBy) > 0 {
		r.bad(at+".satisfied_by", strings.Join(out.SatisfiedBy, ", "), "nothing resets an end of life: leave it empty")
	}
	if len(out.Baselines) == 0 {
		r.bad(at+".baselines", "", "want at least one: an end of life counts from nothing else")
	}
	for _, f := range []struct {
		field string
		has   bool
	}{
		{"conditional_limits", len(out.Intense) > 0},
		{"extended_by", out.Evidence != (due.Evidence{})},
		{"companions", len(out.Companions) > 0},
		{"storage", out.Storage.Months > 0},
		{"late_policy", out.Late != due.FromWork},
		{"mark_meaning", out.MarkExpires},
	} {
		if f.has {
			r.bad(at+"."+f.field, "", "nothing done to a unit moves the end of its life: leave it out, or state a rule of its own")
		}
	}
}

// phaseIn returns over how many days the rule lands on a fleet, 0 for at once.
func (r *reader) phaseIn(at string, out *due.Rule, p *compliancepb.PhaseIn) int {
	never := out.Authority == due.Law || out.EndOfLife
	switch {
	case p.GetAtOnce() && p.GetDays() > 0:
		r.bad(at+".days", fmt.Sprint(p.GetDays()), "a rule that binds at once has no days: leave out at_once or days")
	case p.GetAtOnce():
	case never && p != nil:
		r.bad(at, fmt.Sprintf("%d days", p.GetDays()), "a law and an end of life bind from their first day: leave it out, or state at_once")
	case never:
	case p.GetDays() > 0:
		return int(p.GetDays())
	default:
		return usualPhaseIn
	}
	return 0
}

func (r *reader) late(at string, out *due.Rule, p compliancepb.LatePolicy) due.Late {
	switch p {
	case compliancepb.LatePolicy_LATE_POLICY_FROM_DUE:
		if out.Months == 0 {
			r.bad(at, p.String(), "only a limit in months has a last day to count from: leave it out, or state months")
		}
		return due.FromDue
	case compliancepb.LatePolicy_LATE_POLICY_ESCALATE:
		if out.Months == 0 {
			r.bad(at, p.String(), "only a limit in months can be passed late: leave it out, or state months")
		}
		if len(out.SatisfiedBy) == 0 {
			r.bad(at, p.String(), "late work escalates to one of satisfied_by: state at least one more thorough activity")
		}
		return due.Escalate
	default:
		return due.FromWork
	}
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

func baselinesOf(ps []compliancepb.Baseline) (out []due.Baseline) {
	for _, b := range ps {
		out = append(out, due.Baseline(b))
	}
	return out
}
