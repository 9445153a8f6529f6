package rpc_test

import (
	"slices"
	"testing"

	"strandline.example/strandline/internal/rpc"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// TestTextsWithNULAreNamed: a database text cannot hold U+0000 (PostgreSQL documentation, 8.3 Character Types), so it is refused wherever it
// stands, by the field that has it.
func TestTextsWithNULAreNamed(t *testing.T) {
	t.Parallel()
	rule := func() *compliancepb.Rule {
		return &compliancepb.Rule{
			Id: "a", Title: "A", Activity: "inspection", Authority: compliancepb.Authority_AUTHORITY_HOUSE, Source: &compliancepb.Source{Document: "common practice, no source"},
			Scope:  &compliancepb.Scope{Kinds: []string{"bcd"}, Attributes: map[string]string{"suit": "dry"}},
			Limit:  &compliancepb.Limit{Months: 12},
			Blocks: []compliancepb.Use{compliancepb.Use_USE_FILL},
		}
	}
	for field, spoil := range map[string]func(p *compliancepb.RulePack){
		"":                                  func(*compliancepb.RulePack) {},
		"title":                             func(p *compliancepb.RulePack) { p.Title = "\x00" },
		"cautions[1]":                       func(p *compliancepb.RulePack) { p.Cautions = append(p.Cautions, "a\x00b") },
		"rules[1].source.section":           func(p *compliancepb.RulePack) { p.Rules[1].Source.Section = "b\x00" },
		`rules[0].scope.attributes["suit"]`: func(p *compliancepb.RulePack) { p.Rules[0].Scope.Attributes["suit"] = "dry\x00" },
	} {
		p := &compliancepb.RulePack{Title: "T", Cautions: []string{"Local code wins."}, Rules: []*compliancepb.Rule{rule(), rule()}}
		spoil(p)
		vs, err := rpc.Violations(p)
		if err != nil {
			t.Fatal(err)
		}
		var named []string
		for _, v := range vs {
			if v.Description == "want text without the character NUL" {
				named = append(named, v.Field)
			}
		}
		if want := []string{field}; field == "" && len(named) > 0 || field != "" && !slices.Equal(named, want) {
			t.Errorf("%q: %v is named of %+v", field, named, vs)
		}
	}
}
