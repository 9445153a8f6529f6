package registrypg

import (
	"fmt"
	"strconv"
	"strings"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/services/registry"
)

// Columns says for each field of a list which condition compares it with a parameter; %s stands for the parameter. A
// condition is never null, so that NOT turns it round.
type Columns map[string]string

// Where compiles a filter into a condition. Its values become parameters after args, which are returned with them; the
// text of the condition depends on the filter's shape only, never on its values.
func (c Columns) Where(f registry.Filter, args []any) (string, []any, error) {
	var b strings.Builder
	args, err := c.write(&b, f, args)
	return b.String(), args, err
}

func (c Columns) write(b *strings.Builder, f registry.Filter, args []any) (_ []any, err error) {
	switch f.Op {
	case registry.All:
		b.WriteString("true")
	case registry.Equal:
		condition, ok := c[f.Field]
		if !ok {
			return nil, errs.New(errs.Internal, "INTERNAL", "a filter names a field without a column")
		}
		args = append(args, f.Value)
		fmt.Fprintf(b, condition, parameter(args))
	case registry.Not:
		b.WriteString("not (")
		if args, err = c.write(b, f.Args[0], args); err != nil {
			return nil, err
		}
		b.WriteString(")")
	case registry.And, registry.Or:
		word := " and "
		if f.Op == registry.Or {
			word = " or "
		}
		b.WriteString("(")
		for i, a := range f.Args {
			if i > 0 {
				b.WriteString(word)
			}
			if args, err = c.write(b, a, args); err != nil {
				return nil, err
			}
		}
		b.WriteString(")")
	default:
		return nil, errs.New(errs.Internal, "INTERNAL", "a filter has an unknown operation")
	}
	return args, nil
}

// parameter names the last of args.
func parameter(args []any) string { return "$" + strconv.Itoa(len(args)) }
