package bench

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"unicode/utf8"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/cost"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"

	"strandline.example/strandline/internal/celtext"
	"strandline.example/strandline/internal/measure"
)

// Bounds of an expression beside its length.
const (
	maxDepth = 32      // of parentheses and calls within each other
	maxNodes = 500     // operators, calls, names and values
	maxCost  = 20_000  // of one evaluation, in CEL's units: about one for an operator, and as seriesCost says for each reading of a series
	maxWhole = 200_000 // of everything that one judging computes
)

// seriesCost is what the functions of a series cost for each reading in it.
var seriesCost = map[string]uint64{
	"series_first": 0, "series_last": 0, "series_change": 0, "series_span": 0,
	"series_min": 2, "series_max": 2, "series_mean": 4, "series_at": 2, "series_slope": 8, "deviation_series": 6,
}

// budget is what one judging may still cost.
type budget struct{ left uint64 }

// errSpent refuses to go on.
var errSpent = errors.New("the test asks for more computing than it may: judge shorter series, or fewer criteria")

// Error says what is wrong with an expression, and where in it.
type Error struct {
	Line   int // from 1
	Column int // in characters, from 1
	Text   string
}

// Error returns the place and the text.
func (e *Error) Error() string {
	return fmt.Sprintf("line %d, column %d: %s", e.Line, e.Column, e.Text)
}

// expression is a compiled expression. It never changes.
type expression struct {
	run   cel.Program
	shape shape
	uses  map[string]bool // readings and derived quantities that it names
}

// compile reads an expression over variables.
func compile(text string, env *cel.Env, vars map[string]shape, choices map[string][]string) (*expression, *Error) {
	if n := utf8.RuneCountInString(text); n > MaxLength {
		return nil, &Error{1, 1, fmt.Sprintf("the expression has %d characters; want at most %d", n, MaxLength)}
	}
	if !utf8.ValidString(text) {
		return nil, &Error{1, 1, "the expression is not UTF-8"}
	}
	if strings.TrimSpace(text) == "" {
		return nil, &Error{1, 1, "the expression is empty; name a reading, or compute with some"}
	}
	if line, column, deep := celtext.TooDeep(text, maxDepth); deep {
		return nil, &Error{line, column, fmt.Sprintf("the expression is nested too deep; want at most %d levels", maxDepth)}
	}
	checked, issues := env.Compile(text)
	if issues.Err() != nil {
		return nil, firstOf(issues, vars)
	}
	c := &checker{ast: checked.NativeRep(), vars: vars, choices: choices, uses: map[string]bool{}}
	s := c.of(checked.NativeRep().Expr())
	if c.err != nil {
		return nil, c.err
	}
	if s.kind == aWhole {
		s = shapeOf(measure.Number(1))
	}
	run, err := env.Program(checked, cel.CostLimit(maxCost), cel.CostTrackerOptions(trackers()...))
	if err != nil {
		return nil, &Error{1, 1, err.Error()}
	}
	return &expression{run: run, shape: s, uses: c.uses}, nil
}

// trackers count what functions of series cost.
func trackers() (out []cost.TrackerOption) {
	for id, each := range seriesCost {
		out = append(out, cost.OverloadTracker(id, func(args []ref.Val, _ ref.Val) *uint64 {
			n := uint64(1)
			if s, ok := args[0].(seriesValue); ok {
				n += each * uint64(len(s))
			}
			return &n
		}))
	}
	return out
}

// eval computes the expression.
func (e *expression) eval(values map[string]any, b *budget) (ref.Val, error) {
	if b.left == 0 {
		return nil, errSpent
	}
	out, details, err := e.run.Eval(values)
	if details != nil && details.ActualCost() != nil {
		b.left -= min(b.left, 1+*details.ActualCost())
	}
	if err != nil && strings.Contains(err.Error(), "cost limit exceeded") {
		return nil, errSpent
	}
	if err != nil {
		return nil, err
	}
	if types.IsUnknownOrError(out) {
		return nil, fmt.Errorf("%v", out)
	}
	return out, nil
}

// quantity computes an expression that yields a quantity.
func (e *expression) quantity(values map[string]any, b *budget) (measure.Quantity, error) {
	out, err := e.eval(values, b)
	if err != nil {
		return measure.Quantity{}, err
	}
	return quantityOf(out), nil
}

// truth computes an expression that yields true or false.
func (e *expression) truth(values map[string]any, b *budget) (bool, error) {
	out, err := e.eval(values, b)
	return out == types.True, err
}

// firstOf returns the first of the issues by place.
func firstOf(issues *cel.Issues, vars map[string]shape) *Error {
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
	return &Error{max(1, first.Location.Line()), max(0, first.Location.Column()) + 1, plain(first.Message, vars)}
}

// operatorNames are the names that the compiler of CEL has for operators.
var operatorNames = strings.NewReplacer("'_==_'", "'=='", "'_!=_'", "'!='", "'_<_'", "'<'", "'_<=_'", "'<='", "'_>_'", "'>'", "'_>=_'", "'>='", "'_&&_'", "'&&'", "'_||_'", "'||'",
	"'_+_'", "'+'", "'_-_'", "'-'", "'_*_'", "'*'", "'_/_'", "'/'", "'_%_'", "'%'", "'!_'", "'!'", "'-_'", "'-'", "'@in'", "'in'", "'_[_]'", "'[]'", "'_?_:_'", "'?:'")

var (
	unknown   = regexp.MustCompile(`^undeclared reference to '([^']*)'`)
	expecting = regexp.MustCompile(`(?s) expecting .*$`)
)

// plain says a message of the compiler of CEL in the words of whoever wrote the expression, and what to do.
func plain(message string, vars map[string]shape) string {
	message = operatorNames.Replace(strings.ReplaceAll(message, " (in container '')", ""))
	switch {
	case unknown.MatchString(message):
		return "there is no reading and no function called " + unknown.FindStringSubmatch(message)[1] + "; there are " + strings.Join(namesOf(vars), ", ") + "; and " + strings.Join(functions, ", ")
	case strings.HasPrefix(message, "found no matching overload") && strings.Contains(message, "double"):
		return `a number with decimals is written as a quantity, such as quantity("0.5"), so that it is exact`
	case strings.HasPrefix(message, "found no matching overload"):
		return celtext.Short(message) + ": want values of kinds that go together"
	case strings.HasPrefix(message, "max recursion depth"):
		return "the expression is nested too deep: derive a quantity of a part of it first"
	case strings.Contains(message, "at: '=") && strings.HasPrefix(message, "Syntax error: token"):
		return "this is no CEL: a single '='; write == to compare"
	case strings.Contains(message, "input '<EOF>'"):
		return "this is no CEL: it ends too soon; close what is open, or finish it"
	case strings.HasPrefix(message, "Syntax error: "):
		return "this is no CEL: " + celtext.Short(expecting.ReplaceAllString(strings.TrimPrefix(message, "Syntax error: "), "")) + `; compute with + - * /, compare with == != < <= > >=, join with && || !, and write quantities as quantity("5 bar gauge")`
	}
	return celtext.Short(message)
}
