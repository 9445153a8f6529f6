package yamlproto

import (
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/rpc"
)

// Document is one document of a file, to be decoded and then told what is wrong with it. Fields are named by their path in the message with
// the names of the proto, for example rules[3].limit.months.
type Document struct {
	decoder
	root   *yaml.Node
	source []string
	told   map[string]bool // fields that a rule of the proto is broken by, or that were told of already
}

// newDocument returns the document below a node of a file.
func (s *Shape) newDocument(root *yaml.Node, source []string) *Document {
	return &Document{
		decoder: decoder{shape: s, places: map[string]place{"": {root.Line, root.Column}}, scalars: map[string]*yaml.Node{}},
		root:    root, source: source, told: map[string]bool{},
	}
}

// Line returns the line on which the document begins.
func (d *Document) Line() int { return d.root.Line }

// Decode fills a message with what the document states, and tells what could not be decoded. It says whether there is anything in it
// worth looking at: false if the document is no list of fields.
func (d *Document) Decode(m proto.Message) bool {
	d.message("", d.root, m.ProtoReflect())
	return !d.failed[""]
}

// Validate tells which rules of the proto a message breaks. What could not be decoded was told before.
func (d *Document) Validate(m proto.Message) {
	violations, err := rpc.Violations(m)
	if err != nil {
		d.bad(d.near(""), "", "", err.Error())
		return
	}
	for _, v := range violations {
		if d.Broken(v.Field) || d.brokenOneOf(m.ProtoReflect().Descriptor(), v.Field) {
			continue
		}
		d.told[v.Field] = true
		v.Description = d.shape.withExample(v.Description)
		if !d.Stated(v.Field) {
			v.Value = ""
			if wanted, ok := strings.CutPrefix(v.Description, "want "); ok {
				v.Description = "must be set: want " + wanted
			} else if f := fieldAt(m.ProtoReflect().Descriptor(), v.Field); f != nil {
				v.Description = "must be set: want " + d.shape.wantedFor(f)
			} else {
				v.Description = "must be set"
			}
		}
		d.bad(d.near(v.Field), v.Field, v.Value, v.Description)
	}
}

// brokenOneOf says whether a path is that of a choice between fields of which one was stated and could not be decoded.
func (d *Document) brokenOneOf(m protoreflect.MessageDescriptor, field string) bool {
	parent, name := "", field
	if i := strings.LastIndex(field, "."); i >= 0 {
		parent, name = field[:i], field[i+1:]
		f := fieldAt(m, parent)
		if f == nil || f.Message() == nil {
			return false
		}
		m, parent = f.Message(), parent+"."
	}
	choice := m.Oneofs().ByName(protoreflect.Name(name))
	if choice == nil {
		return false
	}
	for i := range choice.Fields().Len() {
		if d.Broken(parent + string(choice.Fields().Get(i).Name())) {
			return true
		}
	}
	return false
}

// Bad tells that a field is wrong, at its place. What was told of the field by Validate or Bad before, and what could not be decoded, is not
// told again.
func (d *Document) Bad(field, value, text string) {
	if d.told[field] || d.Broken(field) {
		return
	}
	d.told[field] = true
	d.bad(d.near(field), field, value, text)
}

// Wrong is Bad for a field of which more than one thing may be wrong: it is told as often as there is something to tell.
func (d *Document) Wrong(field, value, text string) { d.bad(d.near(field), field, value, text) }

// WrongAt is Wrong for something at a line and column, each from 1, of the text that a field holds. Where the file does not hold the text
// character by character, the place is that of the text, and placed, which says where in it, is told.
func (d *Document) WrongAt(field string, line, column int, value, text, placed string) {
	if at, ok := within(d.scalars[field], d.source, line, column); ok {
		d.bad(at, field, value, text)
		return
	}
	d.bad(d.near(field), field, value, placed)
}

// Stated says whether the document states a field.
func (d *Document) Stated(field string) bool {
	_, ok := d.places[field]
	return ok
}

// Told says whether Validate or Bad told of a field.
func (d *Document) Told(field string) bool { return d.told[field] }

// Broken says whether what was stated for a field, or for one it is within or that is within it, could not be decoded.
func (d *Document) Broken(field string) bool {
	for f := range d.failed {
		if below(f, field) || below(field, f) {
			return true
		}
	}
	return false
}

// AnyBroken says whether anything that the document states could not be decoded.
func (d *Document) AnyBroken() bool { return len(d.failed) > 0 }

// BrokenItem says whether anything in the item of a list that a field is within, the outermost, could not be decoded: what it says of itself
// then may not be what is meant.
func (d *Document) BrokenItem(field string) bool {
	head, _, ok := strings.Cut(field, "]")
	if !ok {
		return false
	}
	for f := range d.failed {
		if strings.HasPrefix(f, head+"]") {
			return true
		}
	}
	return false
}

// below says whether a field is another or within it.
func below(field, other string) bool {
	rest, ok := strings.CutPrefix(field, other)
	return ok && other != "" && (rest == "" || rest[0] == '.' || rest[0] == '[')
}

// near returns where a field is stated, or else what it would be in.
func (d *decoder) near(field string) place {
	for {
		if at, ok := d.places[field]; ok {
			return at
		}
		i := strings.LastIndexAny(field, ".[")
		if i < 0 {
			return d.places[""]
		}
		field = field[:i]
	}
}

// bad adds a problem. After many it gives up.
func (d *decoder) bad(at place, field, value, text string) {
	switch n := len(d.problems); {
	case n < MaxProblems:
		d.problems = append(d.problems, Problem{Line: at.line, Column: at.column, Field: field, Value: clip(value), Text: text})
	case n == MaxProblems:
		d.problems = append(d.problems, Problem{Line: at.line, Column: at.column, Text: fmt.Sprintf("this %s has more than %d problems: mend those before this one first", d.shape.Short, MaxProblems)})
	}
}
