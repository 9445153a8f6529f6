package packs

import (
	"slices"
	"strings"
	"testing"
	"time"

	"buf.build/go/protoyaml"
	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// everything is a pack in which a rule states all that a rule can state.
const everything = `
title: Example pack
effectiveDate: {year: 2026, month: 2, day: 1}
cautions: [Local code and the maker's manual win.]
rules:
  - id: service
    title: Service
    activity: overhaul
    authority: AUTHORITY_MAKER
    source: {document: Example manual, section: "4.2", edition: first, fromMemory: true}
    scope: {kinds: [first-stage], jurisdictions: [US], makers: [Northbay], attributes: {line: a|b}, where: 'serialWithin(serial, "A1", "A9")'}
    limit: {months: 24, monthStamped: true, dives: 200, runningTime: 360000s, fills: 500}
    lead: {days: 20, dives: 10, runningTime: 3600s, fills: 5}
    baselines: [BASELINE_FIRST_USE]
    satisfiedBy: [factory-overhaul]
    blocks: [USE_HAND_OUT, USE_FILL]
    conditionalLimits:
      - intensity: {dives: 20, runningTime: 36000s, fills: 30, days: 30}
        limit: {months: 12, monthStamped: true, dives: 100, runningTime: 180000s, fills: 250}
    extendedBy: {activity: risk-assessment, validMonths: 12, months: 36}
    companions:
      - {activity: inspection, order: ORDER_BEFORE, withinDays: 7}
      - {activity: oxygen-cleaning, order: ORDER_TOGETHER}
    storage: {months: 60, baselines: [BASELINE_MANUFACTURE, BASELINE_COMMISSIONING]}
    phaseIn: {days: 45}
    runningTimeWeights: [{fromCelsius: -20, percent: 150}, {fromCelsius: 10, percent: 100}, {fromCelsius: 40, percent: 300}]
    latePolicy: LATE_POLICY_ESCALATE
    markMeaning: MARK_MEANING_EXPIRY_DATE
    benchMinutes: 90
  - id: life
    title: Life
    authority: AUTHORITY_LAW
    source: {document: Example law}
    limit: {months: 180}
    baselines: [BASELINE_MANUFACTURE]
    blocks: [USE_FILL]
    endOfLife: true
conditionProofs:
  - {conditions: [drop], clearedBy: [inspection]}
`

func example(t testing.TB) *compliancepb.RulePack {
	t.Helper()
	p := &compliancepb.RulePack{}
	if err := protoyaml.Unmarshal([]byte(everything), p); err != nil {
		t.Fatal(err)
	}
	return p
}

// TestOf: each thing a rule states arrives where it belongs.
func TestOf(t *testing.T) {
	t.Parallel()
	p, vs := Of("house", "rule_pack", example(t))
	if len(vs) > 0 {
		t.Fatalf("violations %+v", vs)
	}
	if p.ID != "house" || p.Effective.String() != "2026-02-01" || len(p.Cautions) != 1 || len(p.Proofs) != 1 {
		t.Errorf("pack %+v", p)
	}
	r := p.Rules[0]
	where := r.Scope.Where
	r.Scope.Where = nil
	want := due.Rule{
		Pack: "house", ID: "service", Title: "Service", Activity: "overhaul", Authority: due.Maker,
		Source: due.Source{Document: "Example manual", Section: "4.2", Edition: "first", FromMemory: true},
		Scope: due.Scope{
			Kinds: []string{"first-stage"}, Jurisdictions: []string{"US"}, Makers: []string{"Northbay"}, Attributes: map[string][]string{"line": {"a", "b"}},
		},
		Months: 24, MonthStamp: true, Limit: due.Amount{Dives: 200, Hours: 100 * time.Hour, Fills: 500},
		LeadDays: 20, Lead: due.Amount{Dives: 10, Hours: time.Hour, Fills: 5},
		Baselines: []due.Baseline{due.FirstUse}, SatisfiedBy: []string{"factory-overhaul"}, Blocks: due.HandOut | due.Fill,
		Intense: []due.Intense{{
			Use: due.Amount{Dives: 20, Hours: 10 * time.Hour, Fills: 30}, Days: 30,
			Months: 12, MonthStamp: true, Limit: due.Amount{Dives: 100, Hours: 50 * time.Hour, Fills: 250},
		}},
		Evidence:    due.Evidence{Activity: "risk-assessment", Valid: 12, Months: 36},
		Companions:  []due.Companion{{Activity: "inspection", First: true, Within: 7}, {Activity: "oxygen-cleaning"}},
		Storage:     due.Storage{Months: 60, Baselines: []due.Baseline{due.Manufacture, due.Commissioning}},
		PhaseInDays: 45,
		Weights:     []due.Weight{{Celsius: -20, Percent: 150}, {Celsius: 10, Percent: 100}, {Celsius: 40, Percent: 300}},
		Late:        due.Escalate, MarkExpires: true, BenchMinutes: 90,
	}
	if diff := cmp.Diff(want, r); diff != "" {
		t.Errorf("rule (-want +got):\n%s", diff)
	}
	stay := &due.Stay{}
	if where == nil || !where.Covers(&due.Facts{Serial: "A5"}, stay) || where.Covers(&due.Facts{Serial: "A10"}, stay) {
		t.Error("the predicate is not the one stated")
	}
	if life := p.Rules[1]; !life.EndOfLife || life.PhaseInDays != 0 || life.Authority != due.Law {
		t.Errorf("end of life %+v", life)
	}
}

// TestPhaseIn: unset is 90 days, and none for laws and ends of life.
func TestPhaseIn(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name      string
		authority compliancepb.Authority
		life      bool
		give      *compliancepb.PhaseIn
		want      int
	}{
		{"unset", compliancepb.Authority_AUTHORITY_HOUSE, false, nil, 90},
		{"empty", compliancepb.Authority_AUTHORITY_STANDARD, false, &compliancepb.PhaseIn{}, 90},
		{"days", compliancepb.Authority_AUTHORITY_MAKER, false, &compliancepb.PhaseIn{Days: 7}, 7},
		{"at once", compliancepb.Authority_AUTHORITY_HOUSE, false, &compliancepb.PhaseIn{AtOnce: true}, 0},
		{"law", compliancepb.Authority_AUTHORITY_LAW, false, nil, 0},
		{"law at once", compliancepb.Authority_AUTHORITY_LAW, false, &compliancepb.PhaseIn{AtOnce: true}, 0},
		{"end of life", compliancepb.Authority_AUTHORITY_HOUSE, true, nil, 0},
		{"end of life at once", compliancepb.Authority_AUTHORITY_HOUSE, true, &compliancepb.PhaseIn{AtOnce: true}, 0},
	} {
		p := example(t)
		r := p.Rules[1]
		r.Authority, r.EndOfLife, r.PhaseIn, r.Activity = tt.authority, tt.life, tt.give, "inspection"
		got, vs := Of("house", "rule_pack", p)
		if len(vs) > 0 || got.Rules[1].PhaseInDays != tt.want {
			t.Errorf("%s: %d days, violations %v; want %d", tt.name, got.Rules[1].PhaseInDays, vs, tt.want)
		}
	}
}

// TestOfContradictions has one contradiction each.
func TestOfContradictions(t *testing.T) {
	t.Parallel()
	type pack = compliancepb.RulePack
	type rule = compliancepb.Rule
	months := func(r *rule) { // only a limit in dives
		r.Limit, r.Lead = &compliancepb.Limit{Dives: 200, RunningTime: durationpb.New(time.Hour)}, nil
		r.ExtendedBy, r.LatePolicy, r.MarkMeaning = nil, 0, 0
	}
	life := func(r *rule) { // an end of life without contradictions
		r.EndOfLife, r.SatisfiedBy, r.ConditionalLimits, r.ExtendedBy, r.Companions, r.Storage = true, nil, nil, nil, nil, nil
		r.LatePolicy, r.MarkMeaning, r.PhaseIn, r.RunningTimeWeights = 0, 0, nil, nil
	}
	for _, tt := range []struct {
		name  string
		spoil func(p *pack, r *rule)
		field string
		want  string
	}{
		{"no date", func(p *pack, _ *rule) { p.EffectiveDate = &date.Date{Year: 2023, Month: 2, Day: 29} }, "effective_date", ""},
		{"only a month", func(p *pack, _ *rule) { p.EffectiveDate.Day = 0 }, "effective_date", "want a full date"},
		{"rule twice", func(p *pack, _ *rule) { p.Rules[1].Id = "service" }, "rules[1].id", "another rule"},
		{"a condition twice", func(p *pack, _ *rule) {
			p.ConditionProofs = []*compliancepb.ConditionProof{{Conditions: []string{"drop"}, ClearedBy: []string{"a"}}, {Conditions: []string{"leak", "drop"}, ClearedBy: []string{"b"}}}
		}, "condition_proofs[1].conditions[1]", "twice"},
		{"all others twice", func(p *pack, _ *rule) {
			p.ConditionProofs = []*compliancepb.ConditionProof{{ClearedBy: []string{"a"}}, {ClearedBy: []string{"b"}}}
		}, "condition_proofs[1].conditions", "already"},

		{"no limit", func(_ *pack, r *rule) { r.Limit = &compliancepb.Limit{} }, "rules[0].limit", "at least one"},
		{"a stamp without months", func(_ *pack, r *rule) { r.Limit.Months = 0 }, "rules[0].limit.month_stamped", ""},
		{"days before no date", func(_ *pack, r *rule) { months(r); r.Lead = &compliancepb.Lead{Days: 3} }, "rules[0].lead.days", ""},
		{"dives before no dives", func(_ *pack, r *rule) { r.Limit.Dives = 0 }, "rules[0].lead.dives", ""},
		{"hours before no hours", func(_ *pack, r *rule) { r.Limit.RunningTime = nil }, "rules[0].lead.running_time", ""},
		{"fills before no fills", func(_ *pack, r *rule) { r.Limit.Fills = 0 }, "rules[0].lead.fills", ""},
		{"nothing asked for", func(_ *pack, r *rule) { r.Activity = "" }, "rules[0].activity", ""},
		{"law from memory", func(_ *pack, r *rule) { r.Authority, r.PhaseIn = compliancepb.Authority_AUTHORITY_LAW, nil }, "rules[0].authority", "never shown as law"},
		{"filled before nothing", func(_ *pack, r *rule) {
			r.HandOutIfFilledBefore, r.Blocks = true, []compliancepb.Use{compliancepb.Use_USE_FILL}
		}, "rules[0].hand_out_if_filled_before", ""},
		{"an empty alternative", func(_ *pack, r *rule) { r.Scope.Attributes["line"] = "a||b" }, "rules[0].scope.attributes[line]", ""},
		{"no predicate", func(_ *pack, r *rule) { r.Scope.Where = "kind ==\n  3" }, "rules[0].scope.where", "line 1, column 6: "},
		{"an empty predicate", func(_ *pack, r *rule) { r.Scope.Where = " " }, "rules[0].scope.where", "empty"},

		{"used hard by no measure", func(_ *pack, r *rule) {
			r.ConditionalLimits[0].Intensity = &compliancepb.ConditionalLimit_Intensity{Days: 30}
		}, "rules[0].conditional_limits[0].intensity", "at least one"},
		{"used hard without effect", func(_ *pack, r *rule) { r.ConditionalLimits[0].Limit = &compliancepb.Limit{} }, "rules[0].conditional_limits[0].limit", "at least one"},
		{"used hard with a longer limit", func(_ *pack, r *rule) {
			r.ConditionalLimits[0].Limit = &compliancepb.Limit{Months: 24, MonthStamped: true, Dives: 200}
		}, "rules[0].conditional_limits[0].limit", "shorter"},
		{"used hard and stamped", func(_ *pack, r *rule) { r.ConditionalLimits[0].Limit.Months = 0 }, "rules[0].conditional_limits[0].limit.month_stamped", ""},
		{"weights falling", func(_ *pack, r *rule) { r.RunningTimeWeights[2].FromCelsius = 5 }, "rules[0].running_time_weights[2].from_celsius", "above 10"},
		{"weights twice", func(_ *pack, r *rule) { r.RunningTimeWeights[1].FromCelsius = -20 }, "rules[0].running_time_weights[1].from_celsius", "above -20"},
		{"weights of nothing", func(_ *pack, r *rule) { r.Limit.RunningTime, r.Lead, r.ConditionalLimits = nil, nil, nil }, "rules[0].running_time_weights", "no limit in running time"},
		{"stored but not from first use", func(_ *pack, r *rule) {
			r.Baselines = []compliancepb.Baseline{compliancepb.Baseline_BASELINE_MANUFACTURE}
		}, "rules[0].storage", "BASELINE_FIRST_USE"},
		{"stored since first use", func(_ *pack, r *rule) { r.Storage.Baselines[1] = compliancepb.Baseline_BASELINE_FIRST_USE }, "rules[0].storage.baselines[1]", "never used"},
		{"its own companion", func(_ *pack, r *rule) { r.Companions[0].Activity = "overhaul" }, "rules[0].companions[0].activity", "own activity"},
		{"a companion twice", func(_ *pack, r *rule) { r.Companions[1].Activity = "inspection" }, "rules[0].companions[1].activity", "already"},
		{"evidence for dives", func(_ *pack, r *rule) { e := r.ExtendedBy; months(r); r.ExtendedBy = e }, "rules[0].extended_by.months", "no limit in months"},
		{"evidence for as long", func(_ *pack, r *rule) { r.ExtendedBy.Months = 24 }, "rules[0].extended_by.months", "24 months"},
		{"evidence of itself", func(_ *pack, r *rule) { r.ExtendedBy.Activity = "overhaul" }, "rules[0].extended_by.activity", "no evidence"},
		{"at once over days", func(_ *pack, r *rule) { r.PhaseIn.AtOnce = true }, "rules[0].phase_in.days", "at once"},
		{"a law phased in", func(p *pack, _ *rule) { p.Rules[1].PhaseIn = &compliancepb.PhaseIn{} }, "rules[1].phase_in", "first day"},
		{"an end of life phased in", func(p *pack, _ *rule) {
			p.Rules[1].Authority, p.Rules[1].PhaseIn = compliancepb.Authority_AUTHORITY_HOUSE, &compliancepb.PhaseIn{Days: 3}
		}, "rules[1].phase_in", "first day"},
		{"late without a date", func(_ *pack, r *rule) { months(r); r.LatePolicy = compliancepb.LatePolicy_LATE_POLICY_FROM_DUE }, "rules[0].late_policy", "months"},
		{"escalated without a date", func(_ *pack, r *rule) { months(r); r.LatePolicy = compliancepb.LatePolicy_LATE_POLICY_ESCALATE }, "rules[0].late_policy", "months"},
		{"escalated to nothing", func(_ *pack, r *rule) { r.SatisfiedBy = nil }, "rules[0].late_policy", "satisfied_by"},
		{"a mark that expires without a date", func(_ *pack, r *rule) { months(r); r.MarkMeaning = compliancepb.MarkMeaning_MARK_MEANING_EXPIRY_DATE }, "rules[0].mark_meaning", "months"},

		{"a life that work renews", func(_ *pack, r *rule) { life(r); r.SatisfiedBy = []string{"overhaul"} }, "rules[0].satisfied_by", "nothing resets"},
		{"a life from nowhere", func(_ *pack, r *rule) { life(r); r.Baselines = nil }, "rules[0].baselines", "at least one"},
		{"a life shortened", func(_ *pack, r *rule) { c := r.ConditionalLimits; life(r); r.ConditionalLimits = c }, "rules[0].conditional_limits", "end of its life"},
		{"a life lengthened", func(_ *pack, r *rule) { e := r.ExtendedBy; life(r); r.ExtendedBy = e }, "rules[0].extended_by", "end of its life"},
		{"a life with companions", func(_ *pack, r *rule) { c := r.Companions; life(r); r.Companions = c }, "rules[0].companions", "end of its life"},
		{"a life in storage", func(_ *pack, r *rule) { s := r.Storage; life(r); r.Storage = s }, "rules[0].storage", "end of its life"},
		{"a late life", func(_ *pack, r *rule) { life(r); r.LatePolicy = compliancepb.LatePolicy_LATE_POLICY_FROM_DUE }, "rules[0].late_policy", "end of its life"},
		{"a marked life", func(_ *pack, r *rule) { life(r); r.MarkMeaning = compliancepb.MarkMeaning_MARK_MEANING_EXPIRY_DATE }, "rules[0].mark_meaning", "end of its life"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			p := example(t)
			tt.spoil(p, p.GetRules()[0])
			_, vs := Of("house", "rule_pack", p)
			if !slices.ContainsFunc(vs, func(v errs.Violation) bool {
				return v.Field == "rule_pack."+tt.field && v.Reason == "RULE_PACK_INVALID" && strings.Contains(v.Description, tt.want)
			}) {
				t.Errorf("violations %+v, want one of %s: … %s …", vs, tt.field, tt.want)
			}
		})
	}
	for _, id := range []string{"-us", "", "US", strings.Repeat("a", 41)} {
		if _, vs := Of(id, "rule_pack", example(t)); len(vs) != 1 || vs[0].Field != "rule_pack.name" {
			t.Errorf("id %q: violations %+v", id, vs)
		}
	}
}

// TestOfLives: what TestOfContradictions takes for an end of life without contradictions is one.
func TestOfLives(t *testing.T) {
	t.Parallel()
	p := example(t)
	p.Rules[1].Authority = compliancepb.Authority_AUTHORITY_HOUSE
	if _, vs := Of("house", "rule_pack", p); len(vs) > 0 {
		t.Errorf("violations %+v", vs)
	}
}

// TestOfBadPredicate: a rule whose predicate cannot be read is for every unit of its scope.
func TestOfBadPredicate(t *testing.T) {
	t.Parallel()
	p := example(t)
	p.Rules[0].Scope.Where = "no such name"
	got, vs := Of("house", "rule_pack", p)
	if len(vs) != 1 || got.Rules[0].Scope.Where != nil || len(got.Rules[0].Scope.Kinds) != 1 {
		t.Errorf("scope %+v, violations %+v", got.Rules[0].Scope, vs)
	}
}
