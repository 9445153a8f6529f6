package yamlproto

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"unicode/utf8"
)

// Problem is one thing wrong with a file, and where.
type Problem struct {
	Line   int    // of the file, from 1
	Column int    // in characters, from 1
	Field  string // path in the document as in the proto, for example rules[3].limit.months; empty for the file or the document as a whole
	Value  string // the offending text, shortened; empty if there is none to show
	Text   string // what is wrong and what to do
}

// String returns the problem after its place: field, text and value.
func (p Problem) String() string {
	s := p.Text
	if p.Field != "" {
		s = p.Field + ": " + s
	}
	if p.Value != "" {
		s += " (got " + strconv.Quote(p.Value) + ")"
	}
	return s
}

// At returns the problem on one line that begins with file, line and column.
func (p Problem) At(file string) string {
	return fmt.Sprintf("%s:%d:%d: %s", file, p.Line, p.Column, p)
}

// maxValue is how many characters of an offending text a problem shows.
const maxValue = 80

// clip shortens an offending text.
func clip(s string) string {
	if utf8.RuneCountInString(s) <= maxValue {
		return s
	}
	return string([]rune(s)[:maxValue]) + "…"
}

// sortProblems sorts by place, then field and text, and drops repeats.
func sortProblems(ps []Problem) []Problem {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(a.Line-b.Line, a.Column-b.Column, cmp.Compare(a.Field, b.Field), cmp.Compare(a.Text, b.Text))
	})
	return slices.Compact(ps)
}
