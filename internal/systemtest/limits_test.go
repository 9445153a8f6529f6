package systemtest

import (
	"slices"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// boundless are fields that need no limit of their own, each with the reason.
var boundless = map[protoreflect.Name]string{
	"page_token": "it is taken as it was given, or refused",
	"page_size":  "more than 1,000 counts as 1,000",
	"etag":       "it is compared",
	"name":       "what it names is looked up, or it is left out of what is written",
	"paths":      "a mask names fields there are, or is refused",
	"after":      "any number there may be",
	"revision":   "any number there may be",
	"registry":   "any position there may be", "history": "any position there may be", "compliance": "any position there may be",
	"row": "it is only told back",
}

// TestEveryFieldHasALimit walks every request of the public server: each text, number, list and map says in its proto how much it takes,
// each enum takes what it defines, or the field is excused with a reason.
func TestEveryFieldHasALimit(t *testing.T) {
	t.Parallel()
	seen := map[protoreflect.FullName]bool{}
	used := map[protoreflect.Name]bool{}
	fields := 0
	var walk func(m protoreflect.MessageDescriptor)
	walk = func(m protoreflect.MessageDescriptor) {
		if seen[m.FullName()] || scalarLike(m) {
			return
		}
		seen[m.FullName()] = true
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			behaviors, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
			if slices.Contains(behaviors, annotations.FieldBehavior_OUTPUT_ONLY) {
				continue
			}
			fields++
			if f.Kind() == protoreflect.MessageKind && !f.IsMap() {
				walk(f.Message())
			}
			lacks := unlimited(f)
			if _, excused := boundless[f.Name()]; excused && lacks != "" {
				used[f.Name()] = true
			} else if lacks != "" {
				t.Errorf("%s %s", f.FullName(), lacks)
			}
		}
	}
	for _, s := range public() {
		for i := range s.Methods().Len() {
			walk(s.Methods().Get(i).Input())
		}
	}
	for name := range boundless {
		if !used[name] {
			t.Errorf("%s has its limit: it need not be excused", name)
		}
	}
	if fields < 200 {
		t.Errorf("only %d fields", fields)
	}
}

// unlimited says what a field lacks; nothing if it is limited.
func unlimited(f protoreflect.FieldDescriptor) string {
	r, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
	switch {
	case f.IsMap():
		if r.GetMap().GetMaxPairs() == 0 {
			return "has no max_pairs"
		}
		return ""
	case f.IsList():
		items := r.GetRepeated()
		if items.GetMaxItems() == 0 && (f.Kind() != protoreflect.EnumKind || !items.GetUnique()) { // of each value of an enum one at most
			return "has no max_items"
		}
		r = items.GetItems()
	}
	switch f.Kind() {
	case protoreflect.StringKind:
		if s := r.GetString(); s.GetPattern() == "" && s.GetMaxLen() == 0 && !s.GetUuid() {
			return "has no max_len, pattern or uuid"
		}
	case protoreflect.EnumKind:
		if !r.GetEnum().GetDefinedOnly() {
			return "has no defined_only"
		}
	case protoreflect.Int32Kind:
		if r.GetInt32() == nil || r.GetInt32().GetLessThan() == nil {
			return "has no lt or lte"
		}
	case protoreflect.Int64Kind:
		if r.GetInt64() == nil || r.GetInt64().GetLessThan() == nil {
			return "has no lt or lte"
		}
	case protoreflect.BytesKind:
		if r.GetBytes().GetMaxLen() == 0 {
			return "has no max_len"
		}
	case protoreflect.MessageKind:
		if f.Message().FullName() == "google.protobuf.Duration" && (r.GetDuration() == nil || r.GetDuration().GetLessThan() == nil) {
			return "has no lt or lte"
		}
	}
	return ""
}
