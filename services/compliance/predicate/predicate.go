// Package predicate compiles the predicates of rule scopes: CEL (https://cel.dev) over a unit and the shop it is at, as Scope.where
// of strandline.compliance.v1 says. What it accepts is small on purpose: no loops, a bounded length, depth and cost, and
// nothing that reads anything but its input. It is pure.
package predicate

import (
	"fmt"
	"strings"
	"sync"
	"unicode/utf8"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"

	"strandline.example/strandline/internal/celtext"
	"strandline.example/strandline/services/compliance/due"
)

// Bounds of an expression.
const (
	MaxLength = 1000   // characters
	maxDepth  = 32     // of parentheses and calls within each other
	maxNodes  = 1000   // operators, calls, names and values
	maxRegexp = 2000   // steps of all compiled regular expressions together
	maxCost   = 50_000 // of one evaluation, in CEL's units: about one for an operator, a tenth for a character looked at
)

// Error says what is wrong with an expression, and where.
type Error struct {
	Line   int // from 1
	Column int // in characters, from 1
	Text   string
}

// Error returns the place and the text.
func (e *Error) Error() string {
	return fmt.Sprintf("line %d, column %d: %s", e.Line, e.Column, e.Text)
}

// Program is a compiled predicate. It never changes: use it from any number of goroutines.
type Program struct{ run cel.Program }

var _ due.Predicate = (*Program)(nil)

// language is the CEL environment, made once: it is the same for every predicate, and safe for concurrent use.
var language = sync.OnceValues(func() (*cel.Env, error) { return cel.NewEnv(vocabulary()...) })

// Compile reads an expression. Its errors are *Error: for what is no CEL, names what is not there, does not yield true or false,
// or could be too dear.
func Compile(expr string) (*Program, error) {
	if n := utf8.RuneCountInString(expr); n > MaxLength {
		return nil, &Error{1, 1, fmt.Sprintf("the predicate has %d characters; want at most %d", n, MaxLength)}
	}
	if !utf8.ValidString(expr) {
		return nil, &Error{1, 1, "the predicate is not UTF-8"}
	}
	if strings.TrimSpace(expr) == "" {
		return nil, &Error{1, 1, "the predicate is empty; leave it out, or state one"}
	}
	if line, column, deep := celtext.TooDeep(expr, maxDepth); deep {
		return nil, &Error{line, column, fmt.Sprintf("the predicate is nested too deep; want at most %d levels", maxDepth)}
	}
	env, err := language()
	if err != nil {
		return nil, &Error{1, 1, err.Error()}
	}
	ast, issues := env.Compile(expr)
	if issues.Err() != nil {
		return nil, firstOf(issues)
	}
	if !ast.OutputType().IsExactType(cel.BoolType) {
		return nil, &Error{1, 1, fmt.Sprintf("the predicate yields %s; want true or false", ast.OutputType())}
	}
	if e := refused(ast.NativeRep()); e != nil {
		return nil, e
	}
	cost, err := env.EstimateCost(ast, sizes{})
	if err != nil {
		return nil, &Error{1, 1, err.Error()}
	}
	if cost.Max > maxCost {
		return nil, &Error{1, 1, fmt.Sprintf("the predicate could cost %d on one unit; want at most %d: compare fewer and shorter strings", cost.Max, maxCost)}
	}
	run, err := env.Program(ast, cel.EvalOptions(cel.OptOptimize), cel.CostLimit(maxCost))
	if err != nil {
		return nil, &Error{1, 1, err.Error()}
	}
	return &Program{run}, nil
}

// Covers says whether the predicate holds for a unit at a stay. One that fails there, or costs too much, covers it; so does one that
// reads more of a unit than its cost was estimated for.
func (p *Program) Covers(f *due.Facts, s *due.Stay) bool {
	a := subjects.Get().(*subject)
	a.facts, a.stay = f, s
	out, _, err := p.run.Eval(a)
	*a = subject{}
	subjects.Put(a)
	return err != nil || out != types.False
}

// firstOf returns the first of the issues by place.
func firstOf(issues *cel.Issues) *Error {
	all := issues.Errors()
	if len(all) == 0 {
		return &Error{1, 1, issues.Err().Error()}
	}
	first := all[0]
	for _, e := range all[1:] {
		if e.Location.Line() < first.Location.Line() || e.Location.Line() == first.Location.Line() && e.Location.Column() < first.Location.Column() {
			first = e
		}
	}
	return &Error{max(1, first.Location.Line()), max(0, first.Location.Column()) + 1, plain(first.Message)}
}
