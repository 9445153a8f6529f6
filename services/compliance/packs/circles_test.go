package packs

import (
	"fmt"
	"slices"
	"testing"
	"time"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// circular tells what of some rules goes in circles: rule and field, and the way.
func circular(rules ...due.Rule) (out []string) {
	r := reader{known: &compiled{}}
	r.circles("", rules)
	for _, v := range r.violations {
		out = append(out, v.Field+" "+v.Value)
	}
	return out
}

func TestCircles(t *testing.T) {
	t.Parallel()
	rule := func(activity string, by ...string) due.Rule { return due.Rule{Activity: activity, SatisfiedBy: by} }
	of := func(r due.Rule, scope due.Scope) due.Rule { r.Scope = scope; return r }
	after := func(activity string, first bool, by ...string) due.Rule {
		r := due.Rule{Activity: activity}
		for _, b := range by {
			r.Companions = append(r.Companions, due.Companion{Activity: b, First: first})
		}
		return r
	}
	bcd, cylinder := due.Scope{Kinds: []string{"bcd"}}, due.Scope{Kinds: []string{"cylinder", "cylinder-valve"}}
	for _, tt := range []struct {
		name  string
		rules []due.Rule
		want  []string
	}{
		{"none", []due.Rule{rule("a", "b", "c"), rule("b", "c"), rule("c", "d")}, nil},
		{"no rule", nil, nil},
		{"twice the same", []due.Rule{rule("a", "b"), rule("a", "b")}, nil},
		{"itself", []due.Rule{rule("a", "b", "a")}, []string{".rules[0].satisfied_by[1] a"}},
		{"two", []due.Rule{rule("a", "x", "b"), rule("b", "y", "a")}, []string{".rules[1].satisfied_by[1] a"}},
		{"three, the other way round", []due.Rule{rule("c", "a"), rule("b", "c"), rule("a", "b")}, []string{".rules[2].satisfied_by[0] b"}},
		{"a long way round", []due.Rule{rule("a", "b"), rule("b", "c"), rule("c", "d"), rule("d", "e", "b")}, []string{".rules[3].satisfied_by[1] b"}},
		{"two circles", []due.Rule{rule("a", "b"), rule("b", "a"), rule("c", "d"), rule("d", "c")}, []string{".rules[1].satisfied_by[0] a", ".rules[3].satisfied_by[0] c"}},
		{"two rules of an activity", []due.Rule{rule("a"), rule("a", "b"), rule("b", "a")}, []string{".rules[2].satisfied_by[0] a"}},
		{"other kinds", []due.Rule{of(rule("a", "b"), bcd), of(rule("b", "a"), cylinder)}, nil},
		{"other makers", []due.Rule{of(rule("a", "b"), due.Scope{Makers: []string{"N"}}), of(rule("b", "a"), due.Scope{Makers: []string{"S"}})}, nil},
		{"other places", []due.Rule{of(rule("a", "b"), due.Scope{Jurisdictions: []string{"US-CA"}}), of(rule("b", "a"), due.Scope{Jurisdictions: []string{"US-WA", "GB"}})}, nil},
		{"a place in another", []due.Rule{of(rule("a", "b"), due.Scope{Jurisdictions: []string{"US-CA"}}), of(rule("b", "a"), due.Scope{Jurisdictions: []string{"US"}})}, []string{".rules[1].satisfied_by[0] a"}},
		{"other attributes", []due.Rule{of(rule("a", "b"), due.Scope{Attributes: map[string][]string{"x": {"1", "2"}}}), of(rule("b", "a"), due.Scope{Attributes: map[string][]string{"x": {"3"}}})}, nil},
		{"some attributes", []due.Rule{of(rule("a", "b"), due.Scope{Attributes: map[string][]string{"x": {"1", "2"}}}), of(rule("b", "a"), due.Scope{Attributes: map[string][]string{"x": {"2"}, "y": {"1"}}})}, []string{".rules[1].satisfied_by[0] a"}},
		{"some kinds", []due.Rule{of(rule("a", "b"), cylinder), of(rule("b", "a"), due.Scope{Kinds: []string{"bcd", "cylinder-valve"}})}, []string{".rules[1].satisfied_by[0] a"}},
		{"any kind", []due.Rule{of(rule("a", "b"), cylinder), rule("b", "a")}, []string{".rules[1].satisfied_by[0] a"}},
		{"before each other", []due.Rule{after("a", true, "b"), after("b", true, "c", "a")}, []string{".rules[1].companions[1] a"}},
		{"before and with", []due.Rule{after("a", true, "b"), after("b", false, "a")}, nil},
		{"one after the other", []due.Rule{after("a", true, "b"), after("b", true, "c")}, nil},
		{"satisfied and before", []due.Rule{rule("a", "b"), after("b", true, "a")}, nil},
	} {
		if got := circular(tt.rules...); !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}

// TestCirclesOfMany: as many rules as a pack may have, each leading to as many others as it may, over scopes as long as they may be.
func TestCirclesOfMany(t *testing.T) {
	t.Parallel()
	var scope due.Scope
	for i := range 80 {
		scope.Kinds = append(scope.Kinds, fmt.Sprintf("k%d", i%40))
		scope.Makers = append(scope.Makers, fmt.Sprintf("m%d", i))
		scope.Jurisdictions = append(scope.Jurisdictions, fmt.Sprintf("Z%c-%d", 'A'+i%26, i))
	}
	other := scope
	other.Jurisdictions = []string{"YY"}
	rules := make([]due.Rule, 500)
	for i := range rules {
		r := &rules[i]
		r.Activity, r.Scope = fmt.Sprintf("a%d", i), scope
		if i%2 == 0 {
			r.Scope = other
		}
		for j := range 20 {
			r.SatisfiedBy = append(r.SatisfiedBy, fmt.Sprintf("a%d", (i*17+j*31+1)%600))
		}
	}
	start := time.Now()
	if got := circular(rules...); len(got) < 100 {
		t.Errorf("%d circles", len(got))
	}
	if took := time.Since(start); took > 20*time.Second {
		t.Errorf("it took %v", took)
	} else {
		t.Logf("%v", took)
	}
}

// TestCirclesAreRefused: a pack whose rules go in a circle is refused with the field, in a file and in a request.
func TestCirclesAreRefused(t *testing.T) {
	t.Parallel()
	p := example(t)
	other := &compliancepb.Rule{Id: "other", Title: "Other", Activity: "factory-overhaul", Authority: compliancepb.Authority_AUTHORITY_HOUSE, Source: p.Rules[0].Source,
		Limit: p.Rules[0].Limit, Blocks: p.Rules[0].Blocks, SatisfiedBy: []string{"overhaul"}}
	p.Rules = append(p.Rules, other)
	_, vs := Of("house", "rule_pack", p)
	if len(vs) != 1 || vs[0].Field != "rule_pack.rules[2].satisfied_by[0]" || vs[0].Description != "activities satisfy each other in a circle, factory-overhaul by overhaul by factory-overhaul: only the more thorough one satisfies another; leave one out" {
		t.Errorf("violations %+v", vs)
	}
}
