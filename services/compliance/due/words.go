package due

import (
	"fmt"
	"strings"
)

// codeWords are said of units, behind how many: 3 on hold, 1 past a date limit.
var codeWords = map[Code]string{
	HoldOpen:              "on hold",
	DateLimitPassed:       "past a date limit",
	DateLimitBeforeReturn: "with a date limit before the return",
	UsageLimitReached:     "used up to a limit",
	UsageLeftTooLittle:    "with too little use left",
	MissingHistory:        "with missing history",
	UnitCondemned:         "condemned",
	EndOfLife:             "at the end of their life",
	Retired:               "retired",
	FittedElsewhere:       "fitted to another unit",
	NotYetCommissioned:    "not in the fleet yet",
	NoRule:                "covered by no rule",
	AlreadyPromised:       "promised already",
	Out:                   "out",
	"OTHER_SHOP":          "at another shop",
	"OTHER_KIND":          "of another kind",
	"OTHER_SIZE":          "of another size",
}

// Words says a code of units, to go behind how many they are.
func (c Code) Words() string {
	if w := codeWords[c]; w != "" {
		return w
	}
	return strings.ReplaceAll(strings.ToLower(string(c)), "_", " ")
}

// KindWords says a kind of so many units, without the number: regulator set, regulator sets.
func KindWords(kind string, n int64) string {
	words := strings.ReplaceAll(kind, "-", " ")
	if kind == "bcd" {
		words = "BCD"
	}
	if n != 1 && !strings.HasSuffix(words, "s") {
		words += "s"
	}
	return words
}

// CountKind says so many units of a kind, and of a size if one is given: 1 cylinder of size 12 L.
func CountKind(n int64, kind, size string) string {
	text := fmt.Sprintf("%d %s", n, KindWords(kind, n))
	if size != "" {
		text += " of size " + size
	}
	return text
}
