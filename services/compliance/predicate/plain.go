package predicate

import (
	"regexp"
	"strings"

	"strandline.example/strandline/internal/celtext"
)

// operator are the names that the compiler of CEL has for operators.
var operator = strings.NewReplacer("'_==_'", "'=='", "'_!=_'", "'!='", "'_<_'", "'<'", "'_<=_'", "'<='", "'_>_'", "'>'", "'_>=_'", "'>='", "'_&&_'", "'&&'", "'_||_'", "'||'",
	"'_+_'", "'+'", "'_-_'", "'-'", "'_*_'", "'*'", "'_/_'", "'/'", "'_%_'", "'%'", "'!_'", "'!'", "'-_'", "'-'", "'@in'", "'in'", "'_[_]'", "'[]'", "'_?_:_'", "'?:'")

var (
	loops     = regexp.MustCompile(`^undeclared reference to '(all|exists|exists_one|filter|map|transformList|transformMap)'`)
	unknown   = regexp.MustCompile(`^undeclared reference to '[^']*'`)
	expecting = regexp.MustCompile(`(?s) expecting .*$`)
)

// plain says a message of the compiler of CEL in the words of whoever wrote the predicate, and what to do.
func plain(message string) string {
	message = operator.Replace(strings.ReplaceAll(message, " (in container '')", ""))
	for _, e := range expanded {
		message = strings.ReplaceAll(message, "'"+e.inner+"' applied to '("+e.hidden+", ", "'"+e.name+"' applied to '(")
	}
	switch {
	case loops.MatchString(message):
		return loops.FindString(message) + ": a predicate has no loops; ask for an attribute by its name, such as attr(\"alloy\")"
	case unknown.MatchString(message):
		return unknown.FindString(message) + "; want one of " + strings.Join(Names(), ", ") + ", or a text in quotes"
	case strings.HasPrefix(message, "found no matching overload"):
		return message + ": want values of kinds that go together; texts and dates stand in quotes"
	case strings.HasPrefix(message, "expected type 'bool' but found"):
		return message + ": compare it with something"
	case strings.HasPrefix(message, "invalid matches argument"):
		return "want a regular expression of RE2: no look-around, no back references, at most 1000 repeats"
	case strings.HasPrefix(message, "regex program size"):
		return message + ": repeat less, or state startsWith, endsWith or contains"
	case strings.HasPrefix(message, "max recursion depth"):
		return "the predicate is nested too deep: state fewer conditions within each other"
	case strings.Contains(message, "at: '=") && strings.HasPrefix(message, "Syntax error: token"):
		return "this is no CEL: a single '='; write == to compare"
	case strings.Contains(message, "input '<EOF>'"):
		return "this is no CEL: it ends too soon; close what is open, or finish it"
	case strings.HasPrefix(message, "Syntax error: "):
		return "this is no CEL: " + celtext.Short(expecting.ReplaceAllString(strings.TrimPrefix(message, "Syntax error: "), "")) + "; compare with == != < > in, join with && || !, put texts in quotes"
	}
	return celtext.Short(message)
}
