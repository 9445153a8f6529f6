package rpctest

import (
	"regexp"
	"regexp/syntax"
	"slices"
	"strings"
	"testing"
	"time"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	"strandline.example/strandline/internal/rpc"
)

const someUUID = "5f0c8f5e-6f7e-4a10-8b3e-2f1d4c5b6a79"

// Request builds the smallest request of an RPC that its proto accepts, with every resource name in the org.
func Request(t testing.TB, m protoreflect.MethodDescriptor, org string) *dynamicpb.Message {
	t.Helper()
	b := builder{org: org, at: time.Date(2026, 1, 15, 9, 0, 0, 0, time.UTC)}
	req := dynamicpb.NewMessage(m.Input())
	b.fill(req)
	b.identify(req, m)
	vs, err := rpc.Violations(req)
	if err != nil {
		t.Fatalf("%s: %v", m.FullName(), err)
	}
	for _, v := range vs {
		t.Errorf("%s: the built request is not valid: %s: %s", m.FullName(), v.Field, v.Description)
	}
	return req
}

type builder struct {
	org string
	at  time.Time // of the next timestamp: each is later than the one before
}

func (b *builder) fill(m protoreflect.Message) {
	switch m.Descriptor().FullName() {
	case "google.protobuf.Timestamp":
		set(m, "seconds", protoreflect.ValueOfInt64(b.at.Unix()))
		b.at = b.at.Add(time.Hour)
		return
	case "google.protobuf.Duration":
		set(m, "seconds", protoreflect.ValueOfInt64(3600))
		return
	case "google.type.Date":
		set(m, "year", protoreflect.ValueOfInt32(2026))
		set(m, "month", protoreflect.ValueOfInt32(1))
		set(m, "day", protoreflect.ValueOfInt32(15))
		return
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if o := f.ContainingOneof(); o != nil {
			if !o.IsSynthetic() && oneofRequired(o) && o.Fields().Get(0) == f {
				b.set(m, f)
			}
			continue
		}
		if wanted(f) {
			b.set(m, f)
		}
	}
}

// wanted says whether leaving a field unset breaks its rules.
func wanted(f protoreflect.FieldDescriptor) bool {
	if behaves(f, annotations.FieldBehavior_OUTPUT_ONLY) {
		return false
	}
	r := rules(f)
	switch {
	case r.GetIgnore() == validate.Ignore_IGNORE_IF_ZERO_VALUE:
		return false
	case r.GetRequired(), behaves(f, annotations.FieldBehavior_REQUIRED):
		return true
	case f.IsList():
		return r.GetRepeated().GetMinItems() > 0
	case r.GetString().GetPattern() != "":
		ok, err := regexp.MatchString(r.GetString().GetPattern(), "")
		return err == nil && !ok
	case r.GetString().GetMinLen() > 0, slices.Contains(r.GetEnum().GetNotIn(), 0):
		return true
	}
	return false
}

func (b *builder) set(m protoreflect.Message, f protoreflect.FieldDescriptor) {
	switch {
	case f.IsMap():
	case f.IsList():
		list := m.Mutable(f).List()
		if f.Kind() == protoreflect.MessageKind {
			v := list.NewElement()
			b.fill(v.Message())
			list.Append(v)
			return
		}
		list.Append(b.scalar(f, rules(f).GetRepeated().GetItems()))
	case f.Kind() == protoreflect.MessageKind:
		b.fill(m.Mutable(f).Message())
	default:
		m.Set(f, b.scalar(f, rules(f)))
	}
}

func (b *builder) scalar(f protoreflect.FieldDescriptor, r *validate.FieldRules) protoreflect.Value {
	switch f.Kind() {
	case protoreflect.StringKind:
		switch s := r.GetString(); {
		case s.GetPattern() != "":
			return protoreflect.ValueOfString(b.match(s.GetPattern()))
		case s.GetUuid():
			return protoreflect.ValueOfString(someUUID)
		default:
			return protoreflect.ValueOfString(strings.Repeat("x", max(1, int(s.GetMinLen()))))
		}
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(f.Enum().Values().Get(1).Number())
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(1)
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(1)
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte{1})
	}
	return f.Default()
}

// identify sets the name of the resource that an update is of, which the path in its HTTP rule has the form of.
func (b *builder) identify(m protoreflect.Message, method protoreflect.MethodDescriptor) {
	rule, _ := proto.GetExtension(method.Options(), annotations.E_Http).(*annotations.HttpRule)
	v := regexp.MustCompile(`\{([a-z_]+)\.name=orgs/\*([^}]*)\}`).FindStringSubmatch(rule.GetPatch())
	if v == nil {
		return
	}
	f := m.Descriptor().Fields().ByName(protoreflect.Name(v[1]))
	set(m.Mutable(f).Message(), "name", protoreflect.ValueOfString("orgs/"+b.org+strings.ReplaceAll(v[2], "*", someUUID)))
}

// match returns a text that a pattern matches: the org where one belongs, a UUID where one does, else the shortest.
func (b *builder) match(pattern string) string {
	pattern = strings.ReplaceAll(pattern, "orgs/[a-z0-9-]{1,40}", "orgs/"+b.org)
	pattern = strings.ReplaceAll(pattern, "[0-9a-f-]{36}", someUUID)
	re, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return ""
	}
	var out strings.Builder
	shortest(&out, re.Simplify())
	return out.String()
}

func shortest(out *strings.Builder, re *syntax.Regexp) {
	switch re.Op {
	case syntax.OpLiteral:
		out.WriteString(string(re.Rune))
	case syntax.OpCharClass:
		for i := 0; i < len(re.Rune); i += 2 {
			if re.Rune[i] <= 'a' && 'a' <= re.Rune[i+1] {
				out.WriteRune('a')
				return
			}
		}
		out.WriteRune(re.Rune[0])
	case syntax.OpAnyChar, syntax.OpAnyCharNotNL:
		out.WriteRune('a')
	case syntax.OpConcat:
		for _, sub := range re.Sub {
			shortest(out, sub)
		}
	case syntax.OpCapture, syntax.OpPlus, syntax.OpAlternate:
		shortest(out, re.Sub[0])
	case syntax.OpRepeat:
		for range re.Min {
			shortest(out, re.Sub[0])
		}
	}
}

func rules(f protoreflect.FieldDescriptor) *validate.FieldRules {
	r, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
	return r
}

func oneofRequired(o protoreflect.OneofDescriptor) bool {
	r, _ := proto.GetExtension(o.Options(), validate.E_Oneof).(*validate.OneofRules)
	return r.GetRequired()
}

func behaves(f protoreflect.FieldDescriptor, b annotations.FieldBehavior) bool {
	all, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(all, b)
}

func set(m protoreflect.Message, field protoreflect.Name, v protoreflect.Value) {
	m.Set(m.Descriptor().Fields().ByName(field), v)
}

// names calls f for each resource name in the message; f may replace it.
func names(m protoreflect.Message, f func(name string) string) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.IsMap():
		case fd.Kind() == protoreflect.StringKind && fd.IsList():
			for i := range v.List().Len() {
				if s := v.List().Get(i).String(); strings.HasPrefix(s, "orgs/") {
					v.List().Set(i, protoreflect.ValueOfString(f(s)))
				}
			}
		case fd.Kind() == protoreflect.StringKind:
			if strings.HasPrefix(v.String(), "orgs/") {
				m.Set(fd, protoreflect.ValueOfString(f(v.String())))
			}
		case fd.Kind() == protoreflect.MessageKind && fd.IsList():
			for i := range v.List().Len() {
				names(v.List().Get(i).Message(), f)
			}
		case fd.Kind() == protoreflect.MessageKind:
			names(v.Message(), f)
		}
		return true
	})
}
