package packs

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// unknown says that there is no such field, and which is meant or may be.
func unknown(key string, fields protoreflect.FieldDescriptors) string {
	for i := range fields.Len() {
		if f := fields.Get(i); plainName(f.JSONName()) == plainName(key) {
			return "there is no such field: write " + f.JSONName()
		}
	}
	return "there is no such field; there are " + names(fields)
}

// plainName is a field's name without what people get wrong about it.
func plainName(s string) string {
	if len(s) > 60 {
		return s
	}
	s = strings.ToLower(strings.NewReplacer("_", "", "-", "", " ", "").Replace(s))
	return strings.TrimSuffix(s, "s")
}

// names lists fields as files write them.
func names(fields protoreflect.FieldDescriptors) string {
	out := make([]string, fields.Len())
	for i := range out {
		out[i] = fields.Get(i).JSONName()
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
