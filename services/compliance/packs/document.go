package packs

import (
	"fmt"
	"regexp"
	"strings"

	"go.yaml.in/yaml/v3"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/predicate"
)

var namePattern = regexp.MustCompile(`^(?:orgs/([a-z0-9-]{1,40})/)?rulePacks/([a-z0-9-]{1,40})$`)

// readDocument reads one pack of a file. id is that of a pack without a name, known what the packs before it compiled.
func readDocument(id string, root *yaml.Node, source []string, known *compiled) (Document, []Problem) {
	d := Document{ID: id, Message: &compliancepb.RulePack{}, Line: root.Line}
	dec := decoder{places: map[string]place{"": {root.Line, root.Column}}, scalars: map[string]*yaml.Node{}}
	dec.message("", root, d.Message.ProtoReflect())
	c := checker{decoder: &dec, source: source, told: map[string]bool{}}
	if name := d.Message.GetName(); name != "" {
		if m := namePattern.FindStringSubmatch(name); m != nil {
			d.Org, d.ID = m[1], m[2]
		} else {
			c.told["name"] = true
			c.bad(dec.near("name"), "name", name, "want rulePacks/{pack}, or orgs/{org}/rulePacks/{pack}")
		}
	}
	d.Message.Name = ""
	if dec.failed[""] {
		return d, c.problems
	}
	r := reader{known: known}
	d.Pack = r.pack(d.ID, "", d.Message)
	c.rules(d.Message)
	c.contradictions(&r)
	return d, c.problems
}

// checker tells what is wrong with a message that was decoded, at the places where it was stated.
type checker struct {
	*decoder
	source []string
	told   map[string]bool // fields that a rule of the proto is broken by
}

// rules tells which rules of the proto are broken. What could not be decoded was told before.
func (c *checker) rules(m *compliancepb.RulePack) {
	violations, err := rpc.Violations(m)
	if err != nil {
		c.bad(c.near(""), "", "", err.Error())
		return
	}
	for _, v := range violations {
		if c.broken(v.Field) {
			continue
		}
		c.told[v.Field] = true
		v.Description = withExample(v.Description)
		if _, stated := c.places[v.Field]; !stated {
			v.Value = ""
			if wanted, ok := strings.CutPrefix(v.Description, "want "); ok {
				v.Description = "must be set: want " + wanted
			} else if f := fieldAt(m.ProtoReflect().Descriptor(), v.Field); f != nil {
				v.Description = "must be set: want " + wantedFor(f)
			} else {
				v.Description = "must be set"
			}
		}
		c.bad(c.near(v.Field), v.Field, v.Value, v.Description)
	}
}

// contradictions tells where rules contradict themselves.
func (c *checker) contradictions(r *reader) {
	for _, v := range r.violations {
		v.Field = strings.TrimPrefix(v.Field, ".")
		p := r.predicates["."+v.Field]
		if v.Field == "name" && c.places["name"] == (place{}) && !c.broken("name") {
			v.Description = "the pack states no name, and what the file is called is no id: state name: rulePacks/{pack}, of lower-case letters, digits and hyphens"
		}
		if c.told[v.Field] || c.broken(v.Field) || p == nil && c.brokenRule(v.Field) {
			continue
		}
		at := c.near(v.Field)
		if p != nil {
			at, v = c.predicate(p, v)
		}
		c.bad(at, v.Field, clip(v.Value), v.Description)
	}
}

// predicate returns the place of an error inside a predicate. Where the text of the predicate is not the text of the file, that of the
// predicate, and the text says where in it.
func (c *checker) predicate(p *predicate.Error, v errs.Violation) (place, errs.Violation) {
	if at, ok := within(c.scalars[v.Field], c.source, p.Line, p.Column); ok {
		v.Description = p.Text
		return at, v
	}
	return c.near(v.Field), v
}

// broken says whether what was stated for a field, or for one it is within or that is within it, could not be decoded.
func (c *checker) broken(field string) bool {
	for f := range c.failed {
		if below(f, field) || below(field, f) {
			return true
		}
	}
	return false
}

// brokenRule says whether anything in the rule of a field could not be decoded: what it says of itself then may not be what is meant.
func (c *checker) brokenRule(field string) bool {
	head, _, ok := strings.Cut(field, "]")
	if !ok {
		return false
	}
	for f := range c.failed {
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
	case n < maxProblems:
		d.problems = append(d.problems, Problem{Line: at.line, Column: at.column, Field: field, Value: clip(value), Text: text})
	case n == maxProblems:
		d.problems = append(d.problems, Problem{Line: at.line, Column: at.column, Text: fmt.Sprintf("this pack has more than %d problems: mend those before this one first", maxProblems)})
	}
}
