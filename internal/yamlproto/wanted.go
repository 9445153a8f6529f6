package yamlproto

import (
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// instants are the messages of the well-known types that files state as a text.
var instants = map[protoreflect.FullName]bool{"google.protobuf.Duration": true, "google.protobuf.Timestamp": true}

// unknown says that there is no such field, and which is meant or may be.
func unknown(key string, fields protoreflect.FieldDescriptors) string {
	for i := range fields.Len() {
		if f := fields.Get(i); plainName(f.JSONName()) == plainName(key) {
			return "there is no such field: write " + f.JSONName()
		}
	}
	return "there is no such field; want one of " + names(fields)
}

// plainName is a field's name without what people get wrong about it.
func plainName(s string) string {
	if len(s) > 60 {
		return s
	}
	s = strings.ToLower(strings.NewReplacer("_", "", "-", "", " ", "").Replace(s))
	return strings.TrimSuffix(s, "s")
}

// names lists fields as files write them, without those that Strandline sets.
func names(fields protoreflect.FieldDescriptors) string {
	var out []string
	for i := range fields.Len() {
		behavior, _ := proto.GetExtension(fields.Get(i).Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
		if !slices.Contains(behavior, annotations.FieldBehavior_OUTPUT_ONLY) {
			out = append(out, fields.Get(i).JSONName())
		}
	}
	return strings.Join(out, ", ")
}

// valueNames lists the values of an enum that may be stated.
func valueNames(e protoreflect.EnumDescriptor) (out []string) {
	for i := range e.Values().Len() {
		if v := e.Values().Get(i); v.Number() != 0 {
			out = append(out, string(v.Name()))
		}
	}
	return out
}

// wanted says what a file states for a message.
func (s *Shape) wanted(m protoreflect.MessageDescriptor) string {
	if text, ok := s.Texts[m.FullName()]; ok {
		return "a text such as " + text.Example
	}
	if m.FullName() == "google.type.Date" {
		return "a date in its parts: {year: 2026, month: 3, day: 1}"
	}
	return "fields, each with its value, of " + names(m.Fields())
}

// withExample adds to the demand for a pattern a text that matches it.
func (s *Shape) withExample(description string) string {
	if pattern, ok := strings.CutPrefix(description, "want text that matches "); ok && s.Examples[pattern] != "" {
		return "want a text such as " + s.Examples[pattern] + ", that matches " + pattern
	}
	return description
}

// fieldAt returns the field of a message that a path leads to; nil for none.
func fieldAt(m protoreflect.MessageDescriptor, path string) protoreflect.FieldDescriptor {
	head, rest, more := strings.Cut(path, ".")
	head, _, _ = strings.Cut(head, "[")
	f := m.Fields().ByName(protoreflect.Name(head))
	if !more || f == nil || f.Message() == nil {
		return f
	}
	return fieldAt(f.Message(), rest)
}

// wantedFor says what a file states for a field.
func (s *Shape) wantedFor(f protoreflect.FieldDescriptor) string {
	switch {
	case f.IsList():
		return "a list, for example [" + s.sample(f) + "]"
	case f.Kind() == protoreflect.MessageKind && !instants[f.Message().FullName()]:
		return s.wanted(f.Message())
	}
	return "a value, for example " + s.sample(f)
}

// sample writes a value as a file may state it.
func (s *Shape) sample(f protoreflect.FieldDescriptor) string {
	switch f.Kind() {
	case protoreflect.BoolKind:
		return "true"
	case protoreflect.StringKind:
		return `"text"`
	case protoreflect.EnumKind:
		return strings.Join(valueNames(f.Enum())[:1], "")
	case protoreflect.MessageKind:
		switch f.Message().FullName() {
		case "google.protobuf.Duration":
			return "a duration such as 100h or 3600s"
		case "google.protobuf.Timestamp":
			return "an instant such as 2026-03-01T09:00:00Z"
		}
		if text, ok := s.Texts[f.Message().FullName()]; ok {
			return text.Example
		}
		return "{" + names(f.Message().Fields()) + "}"
	}
	return "12"
}
