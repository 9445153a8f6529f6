package registryrpc

import (
	"maps"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.einride.tech/aip/filtering"
	expr "google.golang.org/genproto/googleapis/api/expr/v1alpha1"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/registry"
)

// maxFilter is how many characters a filter may have.
const maxFilter = 500

// filterFields are the fields a list can be filtered by, and how each reads the value it is compared with: the value as
// the store has it, or what is wanted instead.
type filterFields map[string]func(org tenant.Org, value string) (stored, want string)

// parse reads a filter of AIP-160, the subset of =, !=, AND, OR, NOT (or -) and parentheses over fields and values. OR binds tighter
// than AND. A value is quoted text or one plain word. Everything else is refused with FILTER_INVALID.
func (fields filterFields) parse(org tenant.Org, filter string) (registry.Filter, error) {
	if strings.TrimSpace(filter) == "" {
		return registry.Filter{}, nil
	}
	if !utf8.ValidString(filter) || utf8.RuneCountInString(filter) > maxFilter {
		return registry.Filter{}, badFilter(filter, "is longer than 500 characters or not UTF-8")
	}
	if strings.ContainsFunc(filter, func(r rune) bool { return unicode.IsControl(r) && r != '\t' && r != '\n' && r != '\r' }) {
		return registry.Filter{}, badFilter(filter, "has a control character; take it out")
	}
	var parser filtering.Parser
	parser.Init(filter)
	parsed, err := parser.Parse()
	if err != nil {
		return registry.Filter{}, badFilter(filter, `cannot be read; want, for example, kind = "bcd" AND (size = "M" OR size = "L")`).Because(err)
	}
	return fields.build(org, filter, parsed.GetExpr())
}

func (fields filterFields) build(org tenant.Org, filter string, e *expr.Expr) (registry.Filter, error) {
	call := e.GetCallExpr()
	if call == nil {
		return registry.Filter{}, badFilter(filter, "has a value or a field that is compared with nothing; want field = value")
	}
	switch call.GetFunction() {
	case filtering.FunctionAnd, filtering.FunctionOr:
		op := registry.And
		if call.GetFunction() == filtering.FunctionOr {
			op = registry.Or
		}
		out := registry.Filter{Op: op}
		for _, arg := range call.GetArgs() {
			a, err := fields.build(org, filter, arg)
			if err != nil {
				return a, err
			}
			if a.Op == op {
				out.Args = append(out.Args, a.Args...)
			} else {
				out.Args = append(out.Args, a)
			}
		}
		return out, nil
	case filtering.FunctionNot:
		return fields.negation(org, filter, call.GetArgs())
	case filtering.FunctionEquals, filtering.FunctionNotEquals:
		return fields.comparison(org, filter, call)
	case filtering.FunctionFuzzyAnd:
		return registry.Filter{}, badFilter(filter, "has two conditions with nothing between them; want AND or OR there, and quotes around a value with spaces")
	}
	return registry.Filter{}, badFilter(filter, "uses "+call.GetFunction()+"; the operators are =, !=, AND, OR, NOT and parentheses")
}

func (fields filterFields) negation(org tenant.Org, filter string, args []*expr.Expr) (registry.Filter, error) {
	if len(args) != 1 {
		return registry.Filter{}, badFilter(filter, "has a NOT that is not about one condition")
	}
	a, err := fields.build(org, filter, args[0])
	return registry.Filter{Op: registry.Not, Args: []registry.Filter{a}}, err
}

func (fields filterFields) comparison(org tenant.Org, filter string, call *expr.Expr_Call) (registry.Filter, error) {
	if len(call.GetArgs()) != 2 {
		return registry.Filter{}, badFilter(filter, "has a comparison that is not field = value")
	}
	field := call.GetArgs()[0].GetIdentExpr().GetName()
	read, ok := fields[field]
	if !ok {
		if field == "" {
			field = "(no field)"
		}
		return registry.Filter{}, badFilter(filter, "compares "+field+"; the fields are "+strings.Join(slices.Sorted(maps.Keys(fields)), ", ")).With("name", field)
	}
	var value string
	switch v := call.GetArgs()[1].GetExprKind().(type) {
	case *expr.Expr_ConstExpr:
		s, text := v.ConstExpr.GetConstantKind().(*expr.Constant_StringValue)
		if !text {
			return registry.Filter{}, badFilter(filter, "compares "+field+" with a number; put the value in quotes")
		}
		value = s.StringValue
	case *expr.Expr_IdentExpr:
		value = v.IdentExpr.GetName()
	default:
		return registry.Filter{}, badFilter(filter, "compares "+field+" with something else than one value; put the value in quotes")
	}
	if strings.ContainsFunc(value, unicode.IsControl) || !utf8.ValidString(value) { // an escape can make one
		return registry.Filter{}, badFilter(filter, "compares "+field+" with a control character")
	}
	stored, want := read(org, value)
	if want != "" {
		return registry.Filter{}, badFilter(filter, "compares "+field+" with "+value+"; want "+want).With("name", field)
	}
	out := registry.Filter{Op: registry.Equal, Field: field, Value: stored}
	if call.GetFunction() == filtering.FunctionNotEquals {
		out = registry.Filter{Op: registry.Not, Args: []registry.Filter{out}}
	}
	return out, nil
}

func badFilter(filter, description string) *errs.E {
	e := errs.Fields(errs.Violation{Field: "filter", Value: filter, Description: description, Reason: "FILTER_INVALID"})
	e.Message = "filter " + description
	return e
}

func plain(_ tenant.Org, value string) (stored, want string) { return value, "" }

// named reads the resource name of a collection.
func named(collection string) func(tenant.Org, string) (string, string) {
	return func(org tenant.Org, value string) (stored, want string) {
		id, err := part(org, "filter", value, collection)
		if err != nil {
			return "", `a name in quotes, "` + org.Name() + "/" + collection + `/{id}"`
		}
		return id, ""
	}
}

func unitName(org tenant.Org, value string) (stored, want string) {
	id, err := resname.Unit(org, "filter", value)
	if err != nil {
		return "", `a name in quotes, "` + org.Name() + `/units/{unit}"`
	}
	return id.String(), ""
}

func stateName(_ tenant.Org, value string) (stored, want string) {
	switch short := strings.TrimPrefix(value, "STATE_"); short {
	case "ACTIVE", "RETIRED":
		return short, ""
	}
	return "", "STATE_ACTIVE or STATE_RETIRED"
}
