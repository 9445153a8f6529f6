package predicate

import (
	"regexp"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/cost"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/common/types/traits"
	"cel.dev/cel-go/parser"
)

// Names returns the variables and functions of a predicate, beside CEL's own operators and functions.
func Names() []string {
	return []string{
		"kind", "maker", "model", "size", "serial", "shop", "jurisdiction", "manufactured", "commissioned", "attributes",
		"attr(key)", "serialWithin(serial, first, last)", "inJurisdiction(code)",
	}
}

// expansion is a function of a predicate that also looks at the unit: it is written name(x) and compiled to inner(variable, x).
type expansion struct {
	name, inner, variable string
	hidden                string // type of the variable, as the compiler writes it
}

// expanded are the functions that also look at the unit. Their inner names cannot be written in CEL.
var expanded = []expansion{
	{name: "attr", inner: "@attr", variable: "attributes", hidden: "map(string, string)"},
	{name: "inJurisdiction", inner: "@inJurisdiction", variable: "jurisdiction", hidden: "string"},
}

// vocabulary returns what a predicate may say. Of CEL's macros only `has` is left: the others are loops.
func vocabulary() []cel.EnvOption {
	str := cel.StringType
	opts := []cel.EnvOption{
		cel.ClearMacros(),
		cel.Macros(macros()...),
		cel.Variable("attributes", cel.MapType(str, str)),
		cel.Function("@attr", cel.Overload("attr_string", []*cel.Type{cel.MapType(str, str), str}, str, cel.BinaryBinding(attr))),
		cel.Function("@inJurisdiction", cel.Overload("in_jurisdiction_string", []*cel.Type{str, str}, cel.BoolType, cel.BinaryBinding(inJurisdiction))),
		cel.Function("serialWithin", cel.Overload("serial_within_string", []*cel.Type{str, str, str}, cel.BoolType, cel.FunctionBinding(serialWithin))),
		cel.ParserExpressionSizeLimit(MaxLength),
		cel.ParserRecursionLimit(4 * maxDepth),
		cel.ParserErrorRecoveryLimit(4),
		cel.ExpressionNodeLimit(maxNodes),
		cel.RegexProgramSizeLimit(maxRegexp),
		cel.ASTValidators(cel.ValidateRegexLiterals(), cel.ValidateDurationLiterals(), cel.ValidateTimestampLiterals()),
	}
	for _, name := range []string{"kind", "maker", "model", "size", "serial", "shop", "jurisdiction", "manufactured", "commissioned"} {
		opts = append(opts, cel.Variable(name, str))
	}
	return opts
}

func macros() []cel.Macro {
	out := []cel.Macro{parser.HasMacro}
	for _, e := range expanded {
		out = append(out, cel.GlobalMacro(e.name, 1, func(f cel.MacroExprFactory, _ ast.Expr, args []ast.Expr) (ast.Expr, *cel.Error) {
			if code, ok := literal(args[0]); ok && e.name == "inJurisdiction" && !jurisdictionPattern.MatchString(code) {
				return nil, f.NewError(args[0].ID(), "want a jurisdiction such as US or US-CA")
			}
			return f.NewCall(e.inner, f.NewIdent(e.variable), args[0]), nil
		}))
	}
	return append(out, cel.GlobalMacro("serialWithin", 3, checkRange))
}

var jurisdictionPattern = regexp.MustCompile(`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`)

// checkRange refuses a range written out that no serial number can lie in. It expands nothing.
func checkRange(f cel.MacroExprFactory, _ ast.Expr, args []ast.Expr) (ast.Expr, *cel.Error) {
	first, written1 := literal(args[1])
	last, written2 := literal(args[2])
	prefix1, from, ok1 := split(first)
	prefix2, to, ok2 := split(last)
	switch {
	case written1 && !ok1:
		return nil, f.NewError(args[1].ID(), "no end of a range: want letters or signs, then digits, such as AB00100")
	case written2 && !ok2:
		return nil, f.NewError(args[2].ID(), "no end of a range: want letters or signs, then digits, such as AB00199")
	case written1 && written2 && !strings.EqualFold(prefix1, prefix2):
		return nil, f.NewError(args[2].ID(), "the two ends of a range must begin with the same letters")
	case written1 && written2 && compare(from, to) > 0:
		return nil, f.NewError(args[2].ID(), "the range ends before it begins: state the lower number first")
	}
	return nil, nil // the call stands as it is
}

// literal returns a string that is written out.
func literal(e ast.Expr) (string, bool) {
	if e.Kind() != ast.LiteralKind {
		return "", false
	}
	s, ok := e.AsLiteral().(types.String)
	return string(s), ok
}

// attr returns an attribute, or an empty string.
func attr(attributes, key ref.Val) ref.Val {
	if m, ok := attributes.(traits.Mapper); ok {
		if v, ok := m.Find(key); ok {
			return v
		}
	}
	return types.String("")
}

// What a unit may have to look at, in bytes: no less than the API takes, which counts characters. A predicate that reads more fails.
const (
	maxText       = 4 * 100
	maxAttribute  = 4 * 120
	maxAttributes = 80 // of the model and the unit together
)

// sizes bounds what a predicate looks at, for the estimate of its cost.
type sizes struct{}

// EstimateSize returns the size of a variable or a part of it.
func (sizes) EstimateSize(n cost.AstNode) *cost.SizeEstimate {
	path := n.Path()
	if len(path) == 0 {
		return nil
	}
	most := cost.RangedSizeEstimate(0, 100)
	switch {
	case path[0] == "attributes" && len(path) == 1:
		most = cost.RangedSizeEstimate(0, 160)
	case path[0] == "attributes":
		most = cost.RangedSizeEstimate(0, 200)
	}
	return &most
}

// EstimateCallCost returns the cost of the package's own functions.
func (sizes) EstimateCallCost(_, overload string, _ *cost.AstNode, _ []cost.AstNode) *cost.CallEstimate {
	switch overload {
	case "attr_string":
		size := cost.RangedSizeEstimate(0, 200)
		return cost.NewCallEstimate(cost.FixedCostEstimate(5), &size)
	case "in_jurisdiction_string":
		return cost.NewCallEstimate(cost.FixedCostEstimate(2), nil)
	case "serial_within_string":
		return cost.NewCallEstimate(cost.FixedCostEstimate(40), nil)
	}
	return nil
}
