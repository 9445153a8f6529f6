// Package celtext looks at expressions of the Common Expression Language as text, before a parser does, and at what is told of them.
package celtext

// TooDeep says where brackets, outside strings, are nested deeper than so many levels. The parser has a bound of its own; this one has a
// place, in lines and columns from 1, and is cheap.
func TooDeep(expr string, most int) (line, column int, deep bool) {
	line = 1
	depth := 0
	var quote rune
	escaped := false
	for _, r := range expr {
		column++
		switch {
		case r == '\n':
			line, column = line+1, 0
		case quote != 0:
			if r == quote && !escaped {
				quote = 0
			}
			escaped = r == '\\' && !escaped
		case r == '"' || r == '\'':
			quote = r
		case r == '(' || r == '[' || r == '{':
			if depth++; depth > most {
				return line, column, true
			}
		case r == ')' || r == ']' || r == '}':
			depth--
		}
	}
	return 0, 0, false
}

// Short shortens a message that quotes much of an expression.
func Short(s string) string {
	if r := []rune(s); len(r) > 200 {
		return string(r[:200]) + "…"
	}
	return s
}
