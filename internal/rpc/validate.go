package rpc

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
)

var validator = sync.OnceValues(func() (protovalidate.Validator, error) { return protovalidate.New() })

// Validate holds the rules that a message's proto states against it. The error is Invalid, INVALID_FIELD, with every violation.
func Validate(m proto.Message) error {
	vs, err := Violations(m)
	if err != nil {
		return err
	}
	if len(vs) > 0 {
		return errs.Fields(vs...)
	}
	return nil
}

// Violations returns what Validate would complain of, for handlers that report by row. An error means that the rules could not
// be run: a fault of the service.
func Violations(m proto.Message) ([]errs.Violation, error) {
	v, err := validator()
	if err != nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "validation cannot start").Because(err)
	}
	out := unstorable(nil, "", m.ProtoReflect())
	err = v.Validate(m)
	if err == nil {
		return out, nil
	}
	var bad *protovalidate.ValidationError
	if !errors.As(err, &bad) {
		return nil, errs.New(errs.Internal, "INTERNAL", "validation cannot run").Because(err)
	}
	asked := masked(m.ProtoReflect())
	for _, v := range bad.Violations {
		field := protovalidate.FieldPathString(v.Proto.GetField())
		if !asked(field) {
			continue
		}
		out = append(out, errs.Violation{
			Field:       field,
			Value:       printed(v),
			Description: remedy(v),
			Reason:      "INVALID_FIELD",
		})
	}
	return out, nil
}

// unstorable adds the texts of a message, and of those within it, that hold the character NUL, which no database text can.
func unstorable(out []errs.Violation, above string, m protoreflect.Message) []errs.Violation {
	text := func(field, s string) {
		if strings.IndexByte(s, 0) >= 0 {
			out = append(out, errs.Violation{Field: field, Value: clip(strings.ReplaceAll(s, "\x00", "\u2400"), maxValue), Description: "want text without the character NUL", Reason: "INVALID_FIELD"})
		}
	}
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		texts, messages := f.Kind() == protoreflect.StringKind, f.Kind() == protoreflect.MessageKind
		field := above + string(f.Name())
		switch {
		case f.IsMap():
			v.Map().Range(func(k protoreflect.MapKey, v protoreflect.Value) bool {
				at := fmt.Sprintf("%s[%q]", field, k.String())
				if f.MapKey().Kind() == protoreflect.StringKind {
					text(at, k.String())
				}
				switch f.MapValue().Kind() {
				case protoreflect.StringKind:
					text(at, v.String())
				case protoreflect.MessageKind:
					out = unstorable(out, at+".", v.Message())
				}
				return true
			})
		case f.IsList() && texts:
			for i := range v.List().Len() {
				text(fmt.Sprintf("%s[%d]", field, i), v.List().Get(i).String())
			}
		case f.IsList() && messages:
			for i := range v.List().Len() {
				out = unstorable(out, fmt.Sprintf("%s[%d].", field, i), v.List().Get(i).Message())
			}
		case texts:
			text(field, v.String())
		case messages:
			out = unstorable(out, field+".", v.Message())
		}
		return true
	})
	return out
}

// masked says which fields of a message count. They all do, but in an update with a mask: of its resource only the name and what
// the mask names is read, so the rest need not be there (AIP-134).
func masked(m protoreflect.Message) func(field string) bool {
	all := func(string) bool { return true }
	fields := m.Descriptor().Fields()
	d := fields.ByName("update_mask")
	if d == nil || !m.Has(d) || d.Message() == nil || d.Message().FullName() != "google.protobuf.FieldMask" {
		return all
	}
	mask, ok := m.Get(d).Message().Interface().(*fieldmaskpb.FieldMask)
	if !ok || len(mask.GetPaths()) == 0 {
		return all
	}
	resource := ""
	for i := range fields.Len() {
		if f := fields.Get(i); f.Kind() == protoreflect.MessageKind && !f.IsList() && f != d && f.Message().Fields().ByName("name") != nil {
			resource = string(f.Name()) + "."
		}
	}
	return func(field string) bool {
		rest, ok := strings.CutPrefix(field, resource)
		if resource == "" || !ok {
			return true
		}
		top, _, _ := strings.Cut(rest, ".")
		top, _, _ = strings.Cut(top, "[")
		return top == "name" || slices.ContainsFunc(mask.GetPaths(), func(p string) bool {
			p, _, _ = strings.Cut(p, ".")
			return p == top || p == "*"
		})
	}
}

// printed returns the value of a scalar field, shortened.
func printed(v *protovalidate.Violation) string {
	if elements := v.Proto.GetField().GetElements(); v.Proto.GetForKey() && len(elements) > 0 {
		return clip(elements[len(elements)-1].GetStringKey(), maxValue)
	}
	d := v.FieldDescriptor // nil for an item of a list
	if !v.FieldValue.IsValid() {
		return ""
	}
	switch x := v.FieldValue.Interface().(type) {
	case string:
		return clip(x, maxValue)
	case bool, int32, int64, uint32, uint64, float32, float64:
		return fmt.Sprint(x)
	case protoreflect.EnumNumber:
		if d != nil && d.Enum() != nil && d.Enum().Values().ByNumber(x) != nil {
			return string(d.Enum().Values().ByNumber(x).Name())
		}
		return fmt.Sprint(int32(x))
	case protoreflect.List:
		return fmt.Sprintf("%d items", x.Len())
	case protoreflect.Map:
		return fmt.Sprintf("%d pairs", x.Len())
	case protoreflect.Message:
		switch m := x.Interface().(type) {
		case *durationpb.Duration:
			if m.IsValid() {
				return m.AsDuration().String()
			}
		case *timestamppb.Timestamp:
			if m.IsValid() {
				return m.AsTime().Format(time.RFC3339Nano)
			}
		}
		if s, ok := x.Interface().(fmt.Stringer); ok && x.IsValid() && wellKnown(x.Descriptor().FullName()) {
			return clip(s.String(), maxValue)
		}
	}
	return ""
}

func wellKnown(name protoreflect.FullName) bool {
	return name == "google.protobuf.Timestamp" || name == "google.protobuf.Duration"
}

// remedy says what is wanted instead.
func remedy(v *protovalidate.Violation) string {
	switch rule := v.Proto.GetRuleId(); rule {
	case "required":
		return "must be set"
	case "string.uuid", "string.uuid_empty":
		return "want a UUID in lower-case hexadecimal with hyphens, for example 0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79"
	case "string.pattern":
		pattern, _ := v.RuleValue.Interface().(string)
		if t := template(pattern); t != "" {
			return "want a resource name of the form " + t
		}
		return "want text that matches " + pattern
	case "string.min_len":
		if n, _ := v.RuleValue.Interface().(uint64); n == 1 {
			return "must not be empty"
		}
	case "repeated.min_items":
		if n, _ := v.RuleValue.Interface().(uint64); n == 1 {
			return "want at least one of them"
		}
	case "repeated.unique":
		return "want each of them once"
	case "enum.defined_only", "enum.not_in":
		return "want one of " + strings.Join(enumNames(v.FieldDescriptor), ", ")
	}
	if text := v.Proto.GetMessage(); text != "" {
		return text
	}
	return "breaks the rule " + v.Proto.GetRuleId()
}

func enumNames(d protoreflect.FieldDescriptor) (names []string) {
	if d == nil || d.Enum() == nil {
		return nil
	}
	values := d.Enum().Values()
	for i := range values.Len() {
		if values.Get(i).Number() != 0 {
			names = append(names, string(values.Get(i).Name()))
		}
	}
	return names
}

var nameSegment = regexp.MustCompile(`([a-zA-Z]+)/(\[[^\]]*\]\{[0-9,]+\}|\([^)]*\))`)

// template turns the pattern of a resource name into the form that people write: orgs/{org}/units/{unit}. It returns "" for
// other patterns.
func template(pattern string) string {
	p := strings.TrimSuffix(strings.TrimPrefix(pattern, "^"), "$")
	optional := false
	if inner, ok := strings.CutPrefix(p, "("); ok && strings.HasSuffix(inner, ")?") {
		p, optional = strings.TrimSuffix(inner, ")?"), true
	}
	if !strings.HasPrefix(p, "orgs/") {
		return ""
	}
	p = nameSegment.ReplaceAllStringFunc(p, func(s string) string {
		m := nameSegment.FindStringSubmatch(s)
		form := m[1] + "/{" + strings.TrimPrefix(resourceType(m[1]+"/x"), Domain+"/") + "}"
		if strings.HasSuffix(m[2], "|-)") {
			form += " (or - for all)"
		}
		return form
	})
	if optional {
		p += ", or nothing"
	}
	return p
}
