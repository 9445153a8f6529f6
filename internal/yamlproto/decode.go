package yamlproto

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protoyaml"
	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// place is where something stands in a file.
type place struct{ line, column int }

// decoder fills a message from a YAML node, remembers where each field stands, and tells what does not fit.
//
// It takes what protoyaml takes, and tells more and takes less: fields stated twice, values whose type YAML guesses, aliases and tags are
// refused, as what such a file means is not what its reader sees.
type decoder struct {
	shape    *Shape
	places   map[string]place      // by path, with the fields' names as in the proto
	scalars  map[string]*yaml.Node // by path: the texts
	failed   map[string]bool       // paths of what could not be decoded
	problems []Problem
}

// fail tells what could not be decoded.
func (d *decoder) fail(n *yaml.Node, field, text string) {
	if d.failed == nil {
		d.failed = map[string]bool{}
	}
	if !d.full() {
		d.failed[field] = true
	}
	value := ""
	if n.Kind == yaml.ScalarNode {
		value = n.Value
	}
	d.bad(place{n.Line, n.Column}, field, value, text)
}

// full says whether more problems were found than are told: nothing more need be looked at.
func (d *decoder) full() bool { return len(d.problems) > MaxProblems }

// usual says whether a node is what it seems: no alias, and no tag but those that YAML finds by itself.
func (d *decoder) usual(n *yaml.Node, field string) bool {
	switch {
	case n.Kind == yaml.AliasNode:
		d.fail(n, field, "aliases are not read here: write out what *"+clip(n.Value)+" stands for")
	case n.Style&yaml.TaggedStyle != 0 || n.ShortTag() == "!!merge":
		d.fail(n, field, "tags and merged mappings are not read here: leave "+clip(n.ShortTag())+" out")
	default:
		return true
	}
	return false
}

// message decodes the fields of a message.
func (d *decoder) message(path string, n *yaml.Node, m protoreflect.Message) {
	if !d.usual(n, path) {
		return
	}
	fields := m.Descriptor().Fields()
	if n.Kind != yaml.MappingNode {
		d.fail(n, path, "want "+d.shape.wanted(m.Descriptor()))
		return
	}
	stated := map[protoreflect.Name]int{}
	for i := 0; i+1 < len(n.Content) && !d.full(); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if key.Kind != yaml.ScalarNode {
			d.fail(key, path, "want the name of a field: one of "+names(fields))
			continue
		}
		f := fields.ByJSONName(key.Value)
		if f == nil {
			f = fields.ByTextName(key.Value)
		}
		if f == nil {
			d.fail(key, join(path, key.Value), unknown(key.Value, fields))
			continue
		}
		at := join(path, string(f.Name()))
		if line, twice := stated[f.Name()]; twice {
			d.fail(key, at, fmt.Sprintf("it is stated already, on line %d: state it once", line))
			continue
		}
		if other := rival(m, f); other != "" {
			d.fail(key, at, "state it or "+other+", not both")
			continue
		}
		stated[f.Name()] = key.Line
		d.places[at] = place{key.Line, key.Column}
		d.field(at, value, m, f)
	}
}

// rival returns the field that is set already of those of which only one may be, as files write it; empty if there is none.
func rival(m protoreflect.Message, f protoreflect.FieldDescriptor) string {
	o := f.ContainingOneof()
	if o == nil || o.IsSynthetic() {
		return ""
	}
	if other := m.WhichOneof(o); other != nil {
		return other.JSONName()
	}
	return ""
}

func (d *decoder) field(path string, n *yaml.Node, m protoreflect.Message, f protoreflect.FieldDescriptor) {
	switch {
	case !d.usual(n, path):
	case f.IsMap():
		d.pairs(path, n, m, f)
	case f.IsList():
		d.list(path, n, m, f)
	case f.Message() != nil:
		if n.Kind == yaml.ScalarNode && n.Tag == "!!null" {
			return // as in JSON: it is not set
		}
		if v, ok := d.single(path, n, f, m.NewField(f)); ok {
			m.Set(f, v)
		}
	default:
		d.places[path] = place{n.Line, n.Column}
		if v, ok := d.single(path, n, f, protoreflect.Value{}); ok {
			m.Set(f, v)
		}
	}
}

// list decodes the items of a list, no more than it may have.
func (d *decoder) list(path string, n *yaml.Node, m protoreflect.Message, f protoreflect.FieldDescriptor) {
	if n.Kind != yaml.SequenceNode {
		d.fail(n, path, "want a list, for example ["+d.shape.sample(f)+"]")
		return
	}
	items, most := n.Content, limitOf(f)
	if len(items) > most {
		d.fail(n, path, fmt.Sprintf("want at most %d of them, and there are %d", most, len(items)))
		items = items[:most]
	}
	list := m.Mutable(f).List()
	for i, item := range items {
		at := fmt.Sprintf("%s[%d]", path, i)
		d.places[at] = place{item.Line, item.Column}
		v := list.NewElement() // what cannot be decoded keeps its place in the list
		if d.usual(item, at) {
			if got, ok := d.single(at, item, f, v); ok {
				v = got
			}
		}
		list.Append(v)
	}
}

// pairs decodes a map of strings, no more of it than there may be.
func (d *decoder) pairs(path string, n *yaml.Node, m protoreflect.Message, f protoreflect.FieldDescriptor) {
	if n.Kind != yaml.MappingNode {
		d.fail(n, path, "want keys with their values, for example "+d.shape.Pair)
		return
	}
	content, most := n.Content, limitOf(f)
	if len(content)/2 > most {
		d.fail(n, path, fmt.Sprintf("want at most %d of them, and there are %d", most, len(content)/2))
		content = content[:2*most]
	}
	out := m.Mutable(f).Map()
	for i := 0; i+1 < len(content) && !d.full(); i += 2 {
		key, value := content[i], content[i+1]
		if !d.usual(key, path) {
			continue
		}
		k, ok := d.single(path, key, f.MapKey(), protoreflect.Value{})
		if !ok {
			continue
		}
		at := fmt.Sprintf("%s[%s]", path, key.Value)
		d.places[at], d.places[fmt.Sprintf("%s[%q]", path, key.Value)] = place{value.Line, value.Column}, place{key.Line, key.Column}
		if out.Has(k.MapKey()) {
			d.fail(key, at, "the key is stated already: state it once")
			continue
		}
		if !d.usual(value, at) {
			continue
		}
		if v, ok := d.single(at, value, f.MapValue(), protoreflect.Value{}); ok {
			out.Set(k.MapKey(), v)
		}
	}
}

var wholePattern = regexp.MustCompile(`^(0|-?[1-9][0-9]{0,18})$`)

// single decodes one value; that of a message into v.
func (d *decoder) single(path string, n *yaml.Node, f protoreflect.FieldDescriptor, v protoreflect.Value) (protoreflect.Value, bool) {
	if m := f.Message(); m != nil && !instants[m.FullName()] {
		if text, ok := d.shape.Texts[m.FullName()]; ok && n.Kind == yaml.ScalarNode && n.Tag != "!!null" {
			return d.text(path, n, text, v)
		}
		before := len(d.problems)
		d.message(path, n, v.Message())
		return v, len(d.problems) == before || n.Kind == yaml.MappingNode
	}
	if n.Kind != yaml.ScalarNode {
		d.fail(n, path, "want one value, for example "+d.shape.sample(f))
		return v, false
	}
	switch f.Kind() {
	case protoreflect.StringKind:
		if n.Tag == "!!null" && n.Value != "" {
			d.fail(n, path, "that is no text: leave the field out, or put the text in quotes")
			return v, false
		}
		d.scalars[path] = n
		return protoreflect.ValueOfString(n.Value), true
	case protoreflect.BoolKind:
		if n.Tag == "!!bool" && (n.Value == "true" || n.Value == "false") {
			return protoreflect.ValueOfBool(n.Value == "true"), true
		}
		d.fail(n, path, "want true or false")
	case protoreflect.EnumKind:
		if e := f.Enum().Values().ByName(protoreflect.Name(n.Value)); e != nil {
			return protoreflect.ValueOfEnum(e.Number()), true
		}
		d.fail(n, path, "want one of "+strings.Join(valueNames(f.Enum()), ", "))
	case protoreflect.MessageKind:
		return d.instant(path, n, f, v)
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Int64Kind, protoreflect.Sint64Kind:
		return d.whole(path, n, f)
	default:
		d.fail(n, path, "it cannot be stated in a file: leave it out")
	}
	return v, false
}

// text decodes a message that files state as a text into v.
func (d *decoder) text(path string, n *yaml.Node, text Text, v protoreflect.Value) (protoreflect.Value, bool) {
	got, err := text.Read(n.Value)
	if err != nil {
		d.fail(n, path, err.Error())
		return v, false
	}
	d.scalars[path] = n
	d.places[path] = place{n.Line, n.Column}
	proto.Merge(v.Message().Interface(), got)
	return v, true
}

// whole decodes a whole number.
func (d *decoder) whole(path string, n *yaml.Node, f protoreflect.FieldDescriptor) (v protoreflect.Value, ok bool) {
	bits := 64
	if f.Kind() == protoreflect.Int32Kind || f.Kind() == protoreflect.Sint32Kind {
		bits = 32
	}
	number, err := strconv.ParseInt(n.Value, 10, bits)
	switch {
	case !wholePattern.MatchString(n.Value):
		d.fail(n, path, "want a whole number, for example 12")
		return v, false
	case err != nil:
		d.fail(n, path, "the number is too large")
		return v, false
	case bits == 32:
		return protoreflect.ValueOfInt32(int32(number)), true
	}
	return protoreflect.ValueOfInt64(number), true
}

// instant decodes a duration or a timestamp into v.
func (d *decoder) instant(path string, n *yaml.Node, f protoreflect.FieldDescriptor, v protoreflect.Value) (protoreflect.Value, bool) {
	switch m := v.Message().Interface().(type) {
	case *durationpb.Duration:
		if len(n.Value) <= 40 {
			if p, err := protoyaml.ParseDuration(n.Value); err == nil && n.Value != "" && n.Tag != "!!null" && p.CheckValid() == nil && durationpb.New(p.AsDuration()).GetSeconds() == p.GetSeconds() {
				proto.Merge(m, p)
				return v, true
			}
		}
	case *timestamppb.Timestamp:
		if at, err := time.Parse(time.RFC3339Nano, n.Value); err == nil && timestamppb.New(at).CheckValid() == nil && len(n.Value) <= 40 {
			proto.Merge(m, timestamppb.New(at))
			return v, true
		}
	}
	d.fail(n, path, "want "+d.shape.sample(f))
	return v, false
}

// limitOf returns how many items or pairs a field may have.
func limitOf(f protoreflect.FieldDescriptor) int {
	const usual = 100 // where the proto bounds them by what they may be
	rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
	if n := rules.GetRepeated().GetMaxItems(); n > 0 {
		return int(n)
	}
	if n := rules.GetMap().GetMaxPairs(); n > 0 {
		return int(n)
	}
	return usual
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}
