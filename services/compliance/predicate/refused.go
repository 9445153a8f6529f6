package predicate

import (
	"fmt"
	"regexp/syntax"

	"cel.dev/cel-go/common/ast"
)

// refused refuses what the compiler of CEL takes and a predicate does not: messages, which have no use here; regular expressions that are not
// written out, as what they would cost is known only on the unit; and those that are too large together, as matching takes time by
// their size, which is not in CEL's estimate.
func refused(a *ast.AST) *Error {
	var first *Error
	size := 0
	ast.PreOrderVisit(a.Expr(), ast.NewExprVisitor(func(e ast.Expr) {
		switch {
		case first != nil:
			return
		case e.Kind() == ast.StructKind:
			first = at(a, e, "there are no messages here: compare texts, numbers, lists and maps")
			return
		case e.Kind() != ast.CallKind || e.AsCall().FunctionName() != "matches":
			return
		}
		args := e.AsCall().Args()
		pattern := args[len(args)-1]
		text, ok := literal(pattern)
		if !ok {
			first = at(a, pattern, "want the regular expression written out in quotes, not taken from the unit")
			return
		}
		if size += programSize(text); size > maxRegexp {
			first = at(a, pattern, fmt.Sprintf("the regular expressions have together %d steps; want at most %d: repeat less, or state startsWith, endsWith or contains", size, maxRegexp))
		}
	}))
	return first
}

// programSize returns the steps of a compiled regular expression that the compiler of CEL took before.
func programSize(pattern string) int {
	parsed, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return maxRegexp + 1
	}
	prog, err := syntax.Compile(parsed.Simplify())
	if err != nil {
		return maxRegexp + 1
	}
	return len(prog.Inst)
}

// at returns an error at the place of a part of an expression.
func at(a *ast.AST, e ast.Expr, text string) *Error {
	place := a.SourceInfo().GetStartLocation(e.ID())
	return &Error{max(1, place.Line()), max(0, place.Column()) + 1, text}
}
