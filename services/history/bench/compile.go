package bench

import (
	"fmt"
	"maps"
	"math/big"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"cel.dev/cel-go/cel"

	"strandline.example/strandline/internal/celtext"
	"strandline.example/strandline/internal/measure"
)

// Problem is one thing that is wrong with a Spec or an Input.
type Problem struct {
	Field  string // such as criteria[2].of, named as in strandline.history.v1
	Line   int    // in the text of the field, from 1; 0 for the field as a whole
	Column int
	Value  string // what was given; may be empty
	Text   string // what is wrong and what to do
}

// String returns the problem in one line.
func (p Problem) String() string {
	s := p.Field + ": " + p.Text
	if p.Value != "" {
		s += fmt.Sprintf(" (got %q)", p.Value)
	}
	return s
}

// Test is a Spec that was checked. It never changes: use it from any number of goroutines.
type Test struct {
	spec     Spec
	wanted   map[string]*Wanted
	derived  []*derivation
	criteria []*criterion
}

// Title returns what the test is called for people.
func (t *Test) Title() string { return named(t.spec.Title, t.spec.ID) }

// Spec returns what the test was compiled from. It is not to be changed.
func (t *Test) Spec() *Spec { return &t.spec }

// derivation is a derived quantity, compiled.
type derivation struct {
	Derived
	expression *expression
	needs      map[string]bool // readings that it is computed from, in the end
}

// criterion is a criterion, compiled.
type criterion struct {
	Criterion
	when, of, low, high *expression // nil for none; low and high only where they are expressions
	needs               map[string]bool
	measures            map[string]bool // of needs, those that what is judged and its limits are computed from
}

var (
	namePattern = regexp.MustCompile(`^[a-z][a-z0-9_]{0,39}$`)
	idPattern   = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,59}$`)
)

// compiler collects what Compile finds.
type compiler struct {
	problems []Problem
	vars     map[string]shape
	order    []variable
	choices  map[string][]string
	needs    map[string]map[string]bool // readings behind each name
}

func (c *compiler) bad(field, value, format string, args ...any) {
	c.problems = append(c.problems, Problem{Field: field, Value: value, Text: fmt.Sprintf(format, args...)})
}

// Compile checks a Spec whole and returns the test, or everything that is wrong with it.
func Compile(spec Spec) (*Test, []Problem) {
	c := &compiler{vars: map[string]shape{}, choices: map[string][]string{}, needs: map[string]map[string]bool{}}
	t := &Test{spec: spec, wanted: map[string]*Wanted{}}
	for what, n := range map[string][3]int{"readings": {len(spec.Readings), 1, MaxReadings}, "derived": {len(spec.Derived), 0, MaxDerived}, "criteria": {len(spec.Criteria), 1, MaxCriteria}} {
		if n[0] < n[1] || n[0] > n[2] {
			c.bad(what, "", "there are %d; want %d to %d", n[0], n[1], n[2])
		}
	}
	if len(c.problems) > 0 {
		slices.SortFunc(c.problems, func(a, b Problem) int { return strings.Compare(a.Field, b.Field) })
		return nil, c.problems
	}
	if n := together(&spec); n > MaxTogether {
		c.bad("criteria", "", "the expressions of the test have %d characters together; want at most %d: derive what several of them compute, or make two tests of it", n, MaxTogether)
		return nil, c.problems
	}
	for i := range spec.Readings {
		w := &t.spec.Readings[i]
		c.reading(fmt.Sprintf("readings[%d]", i), w)
		t.wanted[w.Name] = w
	}
	known := maps.Clone(c.vars)
	for i := range spec.Derived {
		d := &spec.Derived[i]
		c.name(fmt.Sprintf("derived[%d].name", i), d.Name, shape{kind: aQuantity, dim: d.Unit.Dimension(), ref: d.Reference})
	}
	env, err := environment(c.order)
	if err != nil {
		c.bad("readings", "", "%v", err)
		return nil, c.problems
	}
	c.vars = known
	for i := range spec.Derived {
		t.derived = append(t.derived, c.derive(fmt.Sprintf("derived[%d]", i), &spec.Derived[i], env))
	}
	ids := map[string]bool{}
	for i := range spec.Criteria {
		field := fmt.Sprintf("criteria[%d]", i)
		k := &spec.Criteria[i]
		if !idPattern.MatchString(k.ID) {
			c.bad(field+".id", k.ID, "want small letters, digits and '-', such as permanent-expansion")
		} else if ids[k.ID] {
			c.bad(field+".id", k.ID, "another criterion has this id; give each its own")
		}
		ids[k.ID] = true
		t.criteria = append(t.criteria, c.criterion(field, k, env))
	}
	if len(c.problems) > 0 {
		return nil, c.problems
	}
	return t, nil
}

// together returns how many characters all expressions have.
func together(s *Spec) (n int) {
	for i := range s.Derived {
		n += utf8.RuneCountInString(s.Derived[i].Expression)
	}
	for i := range s.Criteria {
		k := &s.Criteria[i]
		for _, e := range []string{k.When, k.Of, k.Low.Expression, k.High.Expression} {
			n += utf8.RuneCountInString(e)
		}
	}
	return n
}

// name takes a name for a reading or a derived quantity.
func (c *compiler) name(field, name string, s shape) bool {
	switch _, taken := c.vars[name]; {
	case !namePattern.MatchString(name):
		c.bad(field, name, "want a small letter, then small letters, digits and '_', such as total_expansion")
	case reserved[name]:
		c.bad(field, name, "expressions use this word for something else; choose another name")
	case taken:
		c.bad(field, name, "another reading or derived quantity has this name; give each its own")
	default:
		c.vars[name] = s
		c.order = append(c.order, variable{name, s})
		return true
	}
	return false
}

// reference checks what a pressure is measured from.
func (c *compiler) reference(field string, u measure.Unit, r measure.Reference) {
	if r.Fits(u.Dimension()) {
		return
	}
	if u.Dimension().IsPressure() {
		c.bad(field, r.String(), "say what the pressure is measured from: gauge, absolute or difference")
	} else {
		c.bad(field, r.String(), "%s is no pressure; leave the reference out", u.Symbol())
	}
}

func (c *compiler) reading(field string, w *Wanted) {
	s := shape{kind: aQuantity, dim: w.Unit.Dimension(), ref: w.Reference}
	switch w.Kind {
	case Value:
	case Series:
		s.kind = aSeries
	case Choice:
		s = shape{kind: aText}
		c.choices[w.Name] = w.Choices
		if n := len(w.Choices); n < 2 || n > 20 || len(slices.Compact(slices.Sorted(slices.Values(w.Choices)))) != n || slices.Contains(w.Choices, "") {
			c.bad(field+".choices", strings.Join(w.Choices, ", "), "want 2 to 20 different words")
		}
	case YesNo:
		s = shape{kind: aTruth}
	case Count:
		s = shapeOf(measure.Number(1))
	default:
		c.bad(field+".kind", "", "say what the reading is: a quantity, a series, a choice, yes or no, or a count")
	}
	if w.Kind == Value || w.Kind == Series {
		c.reference(field+".reference", w.Unit, w.Reference)
	} else if w.Unit != (measure.Unit{}) && w.Unit != measure.One() || w.Reference != measure.None {
		c.bad(field+".unit", w.Unit.Symbol(), "%s has no unit; leave it out", w.Kind)
	}
	if w.Kind != Choice && len(w.Choices) > 0 {
		c.bad(field+".choices", strings.Join(w.Choices, ", "), "only a choice has choices; leave them out")
	}
	if w.Stated && w.Instrument != "" {
		c.bad(field+".stated", "true", "what is read with an instrument is not taken as it stands; leave out one of the two")
	}
	if c.name(field+".name", w.Name, s) {
		c.needs[w.Name] = map[string]bool{w.Name: true}
	}
}

// behind returns the readings behind what expressions use.
func (c *compiler) behind(es ...*expression) map[string]bool {
	out := map[string]bool{}
	for _, e := range es {
		if e != nil {
			for name := range e.uses {
				maps.Copy(out, c.needs[name])
			}
		}
	}
	return out
}

// expression compiles a field; nil if it could not.
func (c *compiler) expression(field, text string, env *cel.Env) *expression {
	e, err := compile(text, env, c.vars, c.choices)
	if err != nil {
		c.problems = append(c.problems, Problem{Field: field, Line: err.Line, Column: err.Column, Value: celtext.Short(text), Text: err.Text})
		return nil
	}
	return e
}

// derive compiles a derived quantity, after which expressions may use it.
func (c *compiler) derive(field string, d *Derived, env *cel.Env) *derivation {
	c.reference(field+".reference", d.Unit, d.Reference)
	want := shape{kind: aQuantity, dim: d.Unit.Dimension(), ref: d.Reference}
	e := c.expression(field+".expression", d.Expression, env)
	if e != nil && e.shape != want {
		c.bad(field+".expression", celtext.Short(d.Expression), "it yields %s, and the unit %s is for %s; change one of them", e.shape, d.Unit.Symbol(), want)
	}
	if _, taken := c.vars[d.Name]; !taken {
		c.vars[d.Name], c.needs[d.Name] = want, c.behind(e)
	}
	return &derivation{Derived: *d, expression: e, needs: c.needs[d.Name]}
}

func (c *compiler) criterion(field string, k *Criterion, env *cel.Env) *criterion {
	out := &criterion{Criterion: *k}
	if k.When != "" {
		out.when = c.expression(field+".when", k.When, env)
		if out.when != nil && out.when.shape.kind != aTruth {
			c.bad(field+".when", celtext.Short(k.When), "it yields %s; want true or false", out.when.shape)
		}
	}
	out.of = c.expression(field+".of", k.Of, env)
	switch {
	case k.Op < AtMost || k.Op > Holds:
		c.bad(field+".comparison", "", "say how it is compared: at most, less than, at least, more than, between, or holds")
	case out.of == nil:
	case k.Op == Holds && out.of.shape.kind != aTruth:
		c.bad(field+".of", celtext.Short(k.Of), "it yields %s, and what holds or not is true or false; compare it with something, or state a limit", out.of.shape)
	case k.Op != Holds && out.of.shape.kind != aQuantity:
		c.bad(field+".of", celtext.Short(k.Of), "it yields %s; want a quantity to compare with the limit", out.of.shape)
	}
	judged := out.of != nil && k.Op != Holds && out.of.shape.kind == aQuantity
	out.low = c.bound(field+".low", k.Low, k.Op.low(), out.of, judged, env)
	out.high = c.bound(field+".high", k.High, k.Op.high(), out.of, judged, env)
	if judged && k.Op == Between && k.Low.Expression == "" && k.High.Expression == "" {
		if n, err := k.Low.Quantity.Cmp(k.High.Quantity); err == nil && n > 0 {
			c.bad(field+".low", k.Low.Quantity.String(), "it is above the high limit, %s; exchange them", k.High.Quantity)
		}
	}
	c.rule(field, k, out.of, judged)
	out.measures = c.behind(out.of, out.low, out.high)
	out.needs = c.behind(out.when, out.of, out.low, out.high)
	return out
}

// bound checks a limit and compiles its expression, if it is one.
func (c *compiler) bound(field string, b Bound, wanted bool, of *expression, judged bool, env *cel.Env) *expression {
	stated := b.Expression != "" || b.Quantity.Unit() != measure.One() || b.Quantity.Entered()
	if !wanted {
		if stated {
			c.bad(field, celtext.Short(b.Quantity.String()+b.Expression), "this comparison has no such limit; leave it out")
		}
		return nil
	}
	if !stated {
		c.bad(field, "", "state the limit, such as 5 psi difference")
		return nil
	}
	s, e, value := shapeOf(b.Quantity), (*expression)(nil), b.Quantity.String()
	if b.Expression != "" {
		if e = c.expression(field+"_of", b.Expression, env); e == nil {
			return nil
		}
		s, field, value = e.shape, field+"_of", celtext.Short(b.Expression)
	}
	if judged && s != of.shape {
		c.bad(field, value, "it is %s, and what is compared with it is %s; change one of them", s, of.shape)
	}
	return e
}

// mostGuard bounds guard factors.
var mostGuard = big.NewRat(10, 1)

func (c *compiler) rule(field string, k *Criterion, of *expression, judged bool) {
	switch {
	case k.Op == Holds && k.Rule == 0:
	case k.Rule < Simple || k.Rule > GuardedBothWays:
		c.bad(field+".decision_rule", "", "say how uncertainty is accounted for: simple, guarded, or guarded both ways")
		return
	case k.Op == Holds && k.Rule != Simple:
		c.bad(field+".decision_rule", k.Rule.String(), "what holds or not has no uncertainty; leave the rule out")
		return
	}
	guarded := k.Rule == Guarded || k.Rule == GuardedBothWays
	if k.GuardFactor != nil {
		switch {
		case !guarded:
			c.bad(field+".guard_factor", k.GuardFactor.FloatString(3), "only a guarded rule has a guard band; leave it out")
		case k.GuardFactor.Sign() <= 0 || k.GuardFactor.Cmp(mostGuard) > 0:
			c.bad(field+".guard_factor", k.GuardFactor.FloatString(3), "want a number above 0 and at most 10, such as 1")
		}
	}
	if u := k.Uncertainty; u != nil && judged {
		one := of.shape.sample()
		d, err := one.Sub(one)
		switch {
		case err != nil || shapeOf(d) != shapeOf(*u):
			c.bad(field+".uncertainty", u.String(), "want %s, as what is judged is %s", shapeOf(d), of.shape)
		case u.Sign() < 0:
			c.bad(field+".uncertainty", u.String(), "an uncertainty is not below zero")
		}
	}
}

// Placed returns what is wrong, with the place in the text of the field where there is one.
func (p Problem) Placed() string {
	if p.Line > 0 {
		return fmt.Sprintf("line %d, column %d: %s", p.Line, p.Column, p.Text)
	}
	return p.Text
}
