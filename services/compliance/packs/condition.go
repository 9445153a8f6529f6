package packs

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/types/known/durationpb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// amountOf returns dives, running time and fills of a limit, a lead or a use.
func amountOf(p interface {
	GetDives() int64
	GetRunningTime() *durationpb.Duration
	GetFills() int64
}) due.Amount {
	return due.Amount{Dives: p.GetDives(), Hours: p.GetRunningTime().AsDuration(), Fills: p.GetFills()}
}

// intense reads the limits of units that are used hard.
func (r *reader) intense(at string, rule *due.Rule, ps []*compliancepb.ConditionalLimit) (out []due.Intense) {
	for i, p := range ps {
		at := fmt.Sprintf("%s.conditional_limits[%d]", at, i)
		l := p.GetLimit()
		c := due.Intense{
			Use: amountOf(p.GetIntensity()), Days: int(p.GetIntensity().GetDays()),
			Months: int(l.GetMonths()), MonthStamp: l.GetMonthStamped(), Limit: amountOf(l),
		}
		if c.Use == (due.Amount{}) {
			r.bad(at+".intensity", "", "want at least one of dives, running_time and fills")
		}
		switch {
		case c.Months == 0 && c.Limit == (due.Amount{}):
			r.bad(at+".limit", "", "want at least one of months, dives, running_time and fills")
		case !tighter(rule, &c):
			r.bad(at+".limit", "", "no limit in it is shorter than the rule's own, so it would change nothing: shorten one, or leave it out")
		}
		if c.MonthStamp && c.Months == 0 {
			r.bad(at+".limit.month_stamped", "true", "only a limit in months can run to the end of a month: state months, or leave it out")
		}
		out = append(out, c)
	}
	return out
}

// tighter says whether a conditional limit can bind before the rule's own.
func tighter(rule *due.Rule, c *due.Intense) bool {
	sooner := func(a, b int64) bool { return a > 0 && (b == 0 || a < b) }
	return sooner(int64(c.Months), int64(rule.Months)) || c.Months > 0 && c.Months == rule.Months && rule.MonthStamp && !c.MonthStamp ||
		sooner(c.Limit.Dives, rule.Limit.Dives) || sooner(int64(c.Limit.Hours), int64(rule.Limit.Hours)) || sooner(c.Limit.Fills, rule.Limit.Fills)
}

// weights reads the table that weighs running time.
func (r *reader) weights(at string, rule *due.Rule, ps []*compliancepb.TemperatureWeight) (out []due.Weight) {
	for i, p := range ps {
		if i > 0 && p.GetFromCelsius() <= ps[i-1].GetFromCelsius() {
			r.bad(fmt.Sprintf("%s.running_time_weights[%d].from_celsius", at, i), fmt.Sprint(p.GetFromCelsius()),
				fmt.Sprintf("want a temperature above %d, that of the step before", ps[i-1].GetFromCelsius()))
		}
		out = append(out, due.Weight{Celsius: int16(p.GetFromCelsius()), Percent: p.GetPercent()})
	}
	timed := rule.Limit.Hours > 0 || slices.ContainsFunc(rule.Intense, func(c due.Intense) bool { return c.Use.Hours > 0 || c.Limit.Hours > 0 })
	if len(ps) > 0 && !timed {
		r.bad(at+".running_time_weights", "", "there is no limit in running time for them to weigh: leave them out, or state the limit")
	}
	return out
}

// storage reads what a unit counts from that was never used.
func (r *reader) storage(at string, rule *due.Rule, p *compliancepb.Storage) due.Storage {
	if p == nil {
		return due.Storage{}
	}
	if !slices.Contains(rule.Baselines, due.FirstUse) {
		r.bad(at, "", "it is for rules that count from first use: put BASELINE_FIRST_USE among the rule's baselines, or leave it out")
	}
	for i, b := range p.GetBaselines() {
		if b == compliancepb.Baseline_BASELINE_FIRST_USE {
			r.bad(fmt.Sprintf("%s.baselines[%d]", at, i), b.String(), "what was never used cannot count from its first use: state BASELINE_MANUFACTURE or BASELINE_COMMISSIONING")
		}
	}
	return due.Storage{Months: int(p.GetMonths()), Baselines: baselinesOf(p.GetBaselines())}
}

// companions reads the activities without which the rule's own does not count.
func (r *reader) companions(at string, rule *due.Rule, ps []*compliancepb.Companion) (out []due.Companion) {
	for i, p := range ps {
		at := fmt.Sprintf("%s.companions[%d]", at, i)
		if p.GetActivity() == rule.Activity {
			r.bad(at+".activity", p.GetActivity(), "that is the rule's own activity: state another, or leave it out")
		}
		if slices.ContainsFunc(out, func(c due.Companion) bool { return c.Activity == p.GetActivity() }) {
			r.bad(at+".activity", p.GetActivity(), "the rule has this companion already: state it once")
		}
		out = append(out, due.Companion{
			Activity: p.GetActivity(), First: p.GetOrder() == compliancepb.Companion_ORDER_BEFORE, Within: int(p.GetWithinDays()),
		})
	}
	return out
}

// evidence reads the longer limit that rests on evidence.
func (r *reader) evidence(at string, rule *due.Rule, p *compliancepb.EvidenceLimit) due.Evidence {
	if p == nil {
		return due.Evidence{}
	}
	switch {
	case rule.Months == 0:
		r.bad(at+".months", fmt.Sprint(p.GetMonths()), "the rule has no limit in months for evidence to lengthen: leave it out, or state months")
	case int(p.GetMonths()) <= rule.Months:
		r.bad(at+".months", fmt.Sprint(p.GetMonths()), fmt.Sprintf("evidence lengthens the rule's %d months: want more", rule.Months))
	}
	if p.GetActivity() == rule.Activity {
		r.bad(at+".activity", p.GetActivity(), "the rule's own activity is no evidence that it may be done less often: state another")
	}
	return due.Evidence{Activity: p.GetActivity(), Valid: int(p.GetValidMonths()), Months: int(p.GetMonths())}
}
