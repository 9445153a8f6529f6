package bench

import (
	"math/big"
	"slices"
	"strconv"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"

	"strandline.example/strandline/internal/measure"
)

// shape is what is known of a value before anything is measured.
type shape struct {
	kind shapeKind
	dim  measure.Dimension
	ref  measure.Reference
}

type shapeKind uint8

const (
	aQuantity shapeKind = iota
	aSeries
	aTruth
	aText
	aWhole
)

func (s shape) celType() *cel.Type {
	switch s.kind {
	case aSeries:
		return seriesType
	case aTruth:
		return cel.BoolType
	case aText:
		return cel.StringType
	case aWhole:
		return cel.IntType
	}
	return quantityType
}

// String names the shape.
func (s shape) String() string {
	switch s.kind {
	case aSeries:
		return "a series"
	case aTruth:
		return "true or false"
	case aText:
		return "a text"
	case aWhole:
		return "a whole number"
	}
	if w := s.ref.String(); w != "" {
		return s.dim.String() + " stated as " + w
	}
	return s.dim.String()
}

// sample returns a quantity of the shape with which arithmetic can be tried: its errors are then those of dimensions and references, never of
// numbers.
func (s shape) sample() measure.Quantity {
	n := int64(2)
	if s.ref == measure.Absolute || s.dim == kelvin.Dimension() && s.ref == measure.None {
		n = 1_000_000_000
	}
	q, _ := measure.Of(big.NewRat(n, 1), measure.Coherent(s.dim), s.ref)
	return q
}

var kelvin = func() measure.Unit {
	u, _ := measure.ParseUnit("K")
	return u
}()

func shapeOf(q measure.Quantity) shape {
	return shape{kind: aQuantity, dim: q.Dimension(), ref: q.Reference()}
}

// checker finds the shapes of the parts of an expression, and what does not go together in it.
type checker struct {
	ast     *ast.AST
	vars    map[string]shape
	choices map[string][]string // of the readings that are choices
	uses    map[string]bool     // names that the expression uses
	err     *Error
}

// of returns the shape of a part. After an error its shape means nothing.
func (c *checker) of(e ast.Expr) shape {
	if c.err != nil {
		return shape{}
	}
	switch e.Kind() {
	case ast.IdentKind:
		name := e.AsIdent()
		s, ok := c.vars[name]
		if !ok {
			c.fail(e, name+" is derived later: derive it before what uses it")
		}
		c.uses[name] = true
		return s
	case ast.LiteralKind:
		switch e.AsLiteral().(type) {
		case types.Bool:
			return shape{kind: aTruth}
		case types.String:
			return shape{kind: aText}
		case types.Int:
			return shape{kind: aWhole}
		}
		c.fail(e, `this number is not exact; write it as a quantity, such as quantity("0.5")`)
		return shape{}
	case ast.CallKind:
		return c.call(e)
	}
	c.fail(e, "there are no lists, maps and messages here: compare quantities, choices and yes or no")
	return shape{}
}

// call returns the shape of a call.
func (c *checker) call(e ast.Expr) shape {
	call := e.AsCall()
	name := call.FunctionName()
	parts := call.Args()
	if call.IsMemberFunction() {
		parts = append([]ast.Expr{call.Target()}, parts...)
	}
	if name == "quantity" {
		text, _ := literal(parts[0])
		q, err := measure.Parse(text)
		if err != nil {
			c.fail(parts[0], err.Error())
		}
		return shapeOf(q)
	}
	shapes := make([]shape, len(parts))
	samples := make([]measure.Quantity, len(parts))
	for i, p := range parts {
		shapes[i] = c.of(p)
		if c.err != nil {
			return shape{}
		}
		samples[i] = shapes[i].sample()
	}
	try := func(q measure.Quantity, err error) shape {
		if err != nil {
			c.fail(e, kinds(shapes)+": "+dimensional(err))
		}
		return shapeOf(q)
	}
	switch name {
	case operators.Add:
		return try(samples[0].Add(samples[1]))
	case operators.Subtract:
		return try(samples[0].Sub(samples[1]))
	case operators.Multiply:
		return try(samples[0].Mul(samples[1]))
	case operators.Divide:
		return try(samples[0].Div(samples[1]))
	case operators.Negate:
		return try(samples[0].Neg())
	case "abs":
		return try(samples[0].Abs())
	case "of_full_scale":
		return try(ofFullScale(samples[0], samples[1]))
	case operators.Less, operators.LessEquals, operators.Greater, operators.GreaterEquals, operators.Equals, operators.NotEquals:
		if shapes[0].kind == aSeries || shapes[1].kind == aSeries {
			c.fail(e, "series are not compared: take first(), last(), max() or another quantity of them")
		}
		c.choice(parts[0], parts[1])
		c.choice(parts[1], parts[0])
		if shapes[0].kind == aQuantity || shapes[1].kind == aQuantity {
			if _, err := samples[0].Cmp(samples[1]); err != nil {
				c.fail(e, kinds(shapes)+": "+dimensional(err))
			}
		}
		return shape{kind: aTruth}
	case operators.LogicalAnd, operators.LogicalOr, operators.LogicalNot:
		return shape{kind: aTruth}
	case operators.Conditional:
		if shapes[1] != shapes[2] {
			c.fail(e, "both sides of ? : must be the same kind of value, and these are "+shapes[1].String()+" and "+shapes[2].String())
		}
		return shapes[1]
	case "min", "max":
		if shapes[0].kind == aSeries {
			return shapes[0].element()
		}
		if _, err := samples[0].Cmp(samples[1]); err != nil {
			c.fail(e, kinds(shapes)+": "+dimensional(err))
		}
		return shapes[0]
	case "first", "last", "mean":
		return shapes[0].element()
	case "at":
		if !shapes[1].dim.IsTime() {
			c.fail(parts[1], `want a time, such as quantity("5 min")`)
		}
		return shapes[0].element()
	case "span":
		return shapeOf(second)
	case "change":
		one := shapes[0].element().sample()
		return try(one.Sub(one))
	case "slope":
		one := shapes[0].element().sample()
		rise, err := one.Sub(one)
		if err != nil {
			return try(rise, err)
		}
		return try(rise.Div(second))
	case "deviation":
		return try(shapes[0].element().sample().Sub(shapes[1].element().sample()))
	}
	c.fail(e, "there is no function "+name+" here")
	return shape{}
}

// element returns the shape of one value of a series.
func (s shape) element() shape { return shape{kind: aQuantity, dim: s.dim, ref: s.ref} }

// kinds names what is joined.
func kinds(shapes []shape) string {
	if len(shapes) == 1 {
		return "a " + shapes[0].String()
	}
	return shapes[0].String() + " and " + shapes[1].String() + " do not go together"
}

// dimensional leaves of an error what to do about it: its numbers are made up.
func dimensional(err error) string {
	if e, ok := err.(*measure.Error); ok && e.Remedy != "" { //nolint:errorlint // errors of measure are not wrapped
		return e.Remedy
	}
	return "state both as the same kind of quantity"
}

func (c *checker) fail(e ast.Expr, text string) {
	if c.err == nil {
		place := c.ast.SourceInfo().GetStartLocation(e.ID())
		c.err = &Error{Line: max(1, place.Line()), Column: max(0, place.Column()) + 1, Text: text}
	}
}

// choice refuses to compare a choice with a word that it never is.
func (c *checker) choice(e, with ast.Expr) {
	word, ok := literal(with)
	if !ok || e.Kind() != ast.IdentKind {
		return
	}
	if words, ok := c.choices[e.AsIdent()]; ok && !slices.Contains(words, word) {
		c.fail(with, e.AsIdent()+" is never "+strconv.Quote(word)+"; it is one of "+strings.Join(words, ", "))
	}
}
