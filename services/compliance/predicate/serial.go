package predicate

import (
	"strings"

	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
)

// serialWithin says whether a serial number lies in a range, ends included.
func serialWithin(args ...ref.Val) ref.Val {
	serial, ok1 := args[0].(types.String)
	first, ok2 := args[1].(types.String)
	last, ok3 := args[2].(types.String)
	if !ok1 || !ok2 || !ok3 {
		return types.NewErr("serialWithin takes three strings")
	}
	return types.Bool(within(string(serial), string(first), string(last)))
}

// within says whether a serial number lies in a range, ends included. A serial number is letters and signs, then digits: those of a
// range have the same letters, upper and lower case alike, and count by the number that the digits are, however many there are.
// What does not read so lies in no range.
func within(serial, first, last string) bool {
	prefix, n, ok := split(serial)
	if !ok {
		return false
	}
	prefix1, from, ok := split(first)
	if !ok || !strings.EqualFold(prefix, prefix1) {
		return false
	}
	prefix2, to, ok := split(last)
	if !ok || !strings.EqualFold(prefix, prefix2) {
		return false
	}
	return compare(from, n) <= 0 && compare(n, to) <= 0
}

// split returns what comes before the digits, and the digits without leading zeros. Not ok unless it ends in digits and has no
// others.
func split(s string) (prefix, digits string, ok bool) {
	s = strings.TrimSpace(s)
	i := strings.IndexFunc(s, isDigit)
	if i < 0 || strings.ContainsFunc(s[i:], func(r rune) bool { return !isDigit(r) }) {
		return "", "", false
	}
	return s[:i], strings.TrimLeft(s[i:], "0"), true
}

func isDigit(r rune) bool { return '0' <= r && r <= '9' }

// compare compares numbers written without leading zeros.
func compare(a, b string) int {
	if len(a) != len(b) {
		return len(a) - len(b)
	}
	return strings.Compare(a, b)
}

// inJurisdiction says whether a jurisdiction is a code or a part of it: US-CA is in US, USX is not.
func inJurisdiction(jurisdiction, code ref.Val) ref.Val {
	j, ok1 := jurisdiction.(types.String)
	c, ok2 := code.(types.String)
	if !ok1 || !ok2 {
		return types.NewErr("inJurisdiction takes a string")
	}
	rest, ok := strings.CutPrefix(string(j), string(c))
	return types.Bool(ok && c != "" && (rest == "" || rest[0] == '-'))
}
