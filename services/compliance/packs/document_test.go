package packs

import (
	"regexp"
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// TestExamples: every pattern of a field of a pack has an example, and matches it.
func TestExamples(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	var walk func(m protoreflect.MessageDescriptor)
	note := func(rules *validate.FieldRules) {
		for _, r := range []*validate.FieldRules{rules, rules.GetRepeated().GetItems(), rules.GetMap().GetKeys(), rules.GetMap().GetValues()} {
			if p := r.GetString().GetPattern(); p != "" {
				seen[p] = true
			}
		}
	}
	walk = func(m protoreflect.MessageDescriptor) {
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
			note(rules)
			if f.Message() != nil && !f.IsMap() {
				walk(f.Message())
			}
		}
	}
	walk((&compliancepb.RulePack{}).ProtoReflect().Descriptor())
	for pattern := range seen {
		if shape.Examples[pattern] == "" {
			t.Errorf("no example matches %s", pattern)
		}
		for _, e := range strings.Split(shape.Examples[pattern], " or ") {
			if !regexp.MustCompile(pattern).MatchString(e) {
				t.Errorf("%q does not match %s", e, pattern)
			}
		}
	}
	if len(seen) != len(shape.Examples) {
		t.Errorf("%d patterns and %d shape.Examples", len(seen), len(shape.Examples))
	}
}
