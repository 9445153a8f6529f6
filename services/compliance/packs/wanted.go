package packs

import (
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

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

// shape says what a file states for a message.
func shape(m protoreflect.MessageDescriptor) string {
	if m.FullName() == "google.type.Date" {
		return "a date in its parts: {year: 2026, month: 3, day: 1}"
	}
	return "fields, each with its value, of " + names(m.Fields())
}

// examples are texts that match the patterns of ids, names and codes.
var examples = map[string]string{
	`^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$`: "valve-service",
	`^[a-z][a-z0-9-]{0,47}$`:               "first-stage",
	`^([a-z][a-z0-9-]{0,47})?$`:            "visual-inspection",
	`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`:          "US or US-CA",
	`^[a-z][a-z0-9_]{0,47}$`:               "alloy",
}

// withExample adds to the demand for a pattern a text that matches it.
func withExample(description string) string {
	if pattern, ok := strings.CutPrefix(description, "want text that matches "); ok && examples[pattern] != "" {
		return "want a text such as " + examples[pattern] + ", that matches " + pattern
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
func wantedFor(f protoreflect.FieldDescriptor) string {
	switch {
	case f.IsList():
		return "a list, for example [" + sample(f) + "]"
	case f.Kind() == protoreflect.MessageKind && f.Message().FullName() != "google.protobuf.Duration" && f.Message().FullName() != "google.protobuf.Timestamp":
		return shape(f.Message())
	}
	return "a value, for example " + sample(f)
}

// sample writes a value as a file may state it.
func sample(f protoreflect.FieldDescriptor) string {
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
		return "{" + names(f.Message().Fields()) + "}"
	}
	return "12"
}
