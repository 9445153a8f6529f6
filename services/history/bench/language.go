package bench

import (
	"slices"
	"strings"
	"sync"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/env"
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"

	"strandline.example/strandline/internal/measure"
)

// Functions returns what an expression may call, beside CEL's + - * / comparisons && || ! and ?:.
func Functions() []string { return slices.Clone(functions) }

var functions = []string{
	`quantity("5 psi difference")`, "abs(x)", "min(x, y)", "max(x, y)", "of_full_scale(deviation, full_scale)",
	"series.first()", "series.last()", "series.min()", "series.max()", "series.mean()", "series.change()", "series.span()", "series.slope()",
	`series.at(quantity("5 min"))`, "deviation(series, series)",
}

// language is the CEL environment without variables, made once.
var language = sync.OnceValues(func() (*cel.Env, error) { return cel.NewCustomEnv(vocabulary()...) })

// vocabulary is what an expression may say: of CEL's library what joins truths and compares for equality, and quantities with exact
// arithmetic. There are no loops, no lists, no texts to take apart, no binary floating point, no times and nothing that reads anything but readings.
func vocabulary() []cel.EnvOption {
	q, s, whole, truth := quantityType, seriesType, cel.IntType, cel.BoolType
	include := &env.LibrarySubset{DisableMacros: true}
	for _, name := range []string{operators.LogicalAnd, operators.LogicalOr, operators.LogicalNot, operators.Conditional, operators.Equals, operators.NotEquals} {
		include.IncludeFunctions = append(include.IncludeFunctions, &env.Function{Name: name})
	}
	opts := []cel.EnvOption{
		cel.StdLib(cel.StdLibSubset(include)),
		cel.Types(quantityType, seriesType),
		cel.ParserExpressionSizeLimit(MaxLength),
		cel.ParserRecursionLimit(4 * maxDepth),
		cel.ParserErrorRecoveryLimit(4),
		cel.ExpressionNodeLimit(maxNodes),
		cel.Macros(cel.GlobalMacro("quantity", 1, checkQuantity)),
		cel.Function("quantity", cel.Overload("quantity_text", []*cel.Type{cel.StringType}, q, cel.UnaryBinding(func(text ref.Val) ref.Val {
			t, _ := text.(types.String)
			return back(measure.Parse(string(t)))
		}))),
		cel.Function("abs", cel.Overload("abs_quantity", []*cel.Type{q}, q, cel.UnaryBinding(func(x ref.Val) ref.Val { return back(quantityOf(x).Abs()) }))),
		cel.Function(operators.Negate,
			cel.Overload("neg_quantity", []*cel.Type{q}, q, cel.UnaryBinding(func(x ref.Val) ref.Val { return back(quantityOf(x).Neg()) }))),
		cel.Function("of_full_scale", cel.Overload("of_full_scale", []*cel.Type{q, q}, q, cel.BinaryBinding(func(d, full ref.Val) ref.Val {
			return back(ofFullScale(quantityOf(d), quantityOf(full)))
		}))),
		cel.Function("deviation", cel.Overload("deviation_series", []*cel.Type{s, s}, q, cel.BinaryBinding(func(a, b ref.Val) ref.Val {
			return back(deviation(a.(seriesValue), b.(seriesValue)))
		}))),
		cel.Function("at", cel.MemberOverload("series_at", []*cel.Type{s, q}, q, cel.BinaryBinding(func(x, when ref.Val) ref.Val {
			return back(at(x.(seriesValue), quantityOf(when)))
		}))),
	}
	// Arithmetic: of two quantities; a whole number stands for one without a unit. Two whole numbers are divided exactly.
	for _, o := range []struct {
		operator, name string
		do             func(a, b measure.Quantity) (measure.Quantity, error)
		with           [][2]*cel.Type
	}{
		{operators.Add, "add", measure.Quantity.Add, [][2]*cel.Type{{q, q}, {q, whole}, {whole, q}}},
		{operators.Subtract, "sub", measure.Quantity.Sub, [][2]*cel.Type{{q, q}, {q, whole}, {whole, q}}},
		{operators.Multiply, "mul", measure.Quantity.Mul, [][2]*cel.Type{{q, q}, {q, whole}, {whole, q}}},
		{operators.Divide, "div", measure.Quantity.Div, [][2]*cel.Type{{q, q}, {q, whole}, {whole, q}, {whole, whole}}},
	} {
		var overloads []cel.FunctionOpt
		for _, with := range o.with {
			overloads = append(overloads, cel.Overload(o.name+"_"+with[0].String()+"_"+with[1].String(), with[:], q, cel.BinaryBinding(func(a, b ref.Val) ref.Val {
				return back(o.do(quantityOf(a), quantityOf(b)))
			})))
		}
		opts = append(opts, cel.Function(o.operator, overloads...))
	}
	for _, o := range []struct {
		operator, name string
		holds          func(c int) bool
	}{
		{operators.Less, "less", func(c int) bool { return c < 0 }},
		{operators.LessEquals, "less_equals", func(c int) bool { return c <= 0 }},
		{operators.Greater, "greater", func(c int) bool { return c > 0 }},
		{operators.GreaterEquals, "greater_equals", func(c int) bool { return c >= 0 }},
	} {
		var overloads []cel.FunctionOpt
		for _, with := range [][2]*cel.Type{{q, q}, {q, whole}, {whole, q}} {
			overloads = append(overloads, cel.Overload(o.name+"_"+with[0].String()+"_"+with[1].String(), with[:], truth, cel.BinaryBinding(func(a, b ref.Val) ref.Val {
				c, err := quantityOf(a).Cmp(quantityOf(b))
				if err != nil {
					return types.WrapErr(err)
				}
				return types.Bool(o.holds(c))
			})))
		}
		opts = append(opts, cel.Function(o.operator, overloads...))
	}
	// Of two quantities, and of a series.
	for name, sign := range map[string]int{"min": -1, "max": 1} {
		opts = append(opts, cel.Function(name,
			cel.Overload(name+"_quantity", []*cel.Type{q, q}, q, cel.BinaryBinding(func(a, b ref.Val) ref.Val {
				return back(greatest(seriesValue{{Value: quantityOf(a)}, {Value: quantityOf(b)}}, sign))
			})),
			cel.MemberOverload("series_"+name, []*cel.Type{s}, q, cel.UnaryBinding(func(x ref.Val) ref.Val { return back(greatest(x.(seriesValue), sign)) })),
		))
	}
	for name, do := range map[string]func(seriesValue) (measure.Quantity, error){"first": first, "last": last, "mean": mean, "change": change, "span": span, "slope": slope} {
		opts = append(opts, cel.Function(name, cel.MemberOverload("series_"+name, []*cel.Type{s}, q, cel.UnaryBinding(func(x ref.Val) ref.Val { return back(do(x.(seriesValue))) }))))
	}
	return opts
}

// checkQuantity refuses a quantity that is not written out or does not read. It expands nothing.
func checkQuantity(f cel.MacroExprFactory, _ ast.Expr, args []ast.Expr) (ast.Expr, *cel.Error) {
	text, ok := literal(args[0])
	if !ok {
		return nil, f.NewError(args[0].ID(), `want the quantity written out in quotes, such as quantity("5 psi difference")`)
	}
	if _, err := measure.Parse(text); err != nil {
		return nil, f.NewError(args[0].ID(), err.Error())
	}
	return nil, nil // the call stands as it is
}

// literal returns a text that is written out.
func literal(e ast.Expr) (string, bool) {
	if e.Kind() != ast.LiteralKind {
		return "", false
	}
	s, ok := e.AsLiteral().(types.String)
	return string(s), ok
}

// variable is a name that an expression may use.
type variable struct {
	name  string
	shape shape
}

// environment returns the language with variables.
func environment(vars []variable) (*cel.Env, error) {
	base, err := language()
	if err != nil {
		return nil, err
	}
	opts := make([]cel.EnvOption, 0, len(vars))
	for _, v := range vars {
		opts = append(opts, cel.Variable(v.name, v.shape.celType()))
	}
	return base.Extend(opts...)
}

// reserved are words that no reading may be called by: CEL's own, and the functions.
var reserved = func() map[string]bool {
	out := map[string]bool{}
	for _, w := range strings.Fields(`true false null in as break const continue else for function if import let loop package namespace return var void while
		bool bytes double duration dyn int list map null_type string timestamp type uint
		quantity series abs min max of_full_scale deviation first last mean change span slope at`) {
		out[w] = true
	}
	return out
}()
