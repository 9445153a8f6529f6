package measure

import (
	"math/big"
	"strings"
	"unicode/utf8"
)

// Bounds of what is read.
const (
	maxDigits = 40  // of a number
	maxText   = 120 // bytes of a quantity
)

// Parse reads a quantity from its text: a number, a space, the unit's symbol, and for a pressure one of gauge, absolute and difference. A number
// alone is one without a unit.
func Parse(text string) (Quantity, error) {
	if len(text) > maxText {
		return Quantity{}, &Error{Value: shown(text), Text: "is too long for a quantity", Remedy: "write a number and a unit, such as 135 psi gauge"}
	}
	if !utf8.ValidString(text) {
		return Quantity{}, &Error{Value: shown(text), Text: "is not UTF-8"}
	}
	words := strings.Fields(text)
	if len(words) == 0 {
		return Quantity{}, &Error{Text: "the quantity is empty", Remedy: "write a number and a unit, such as 135 psi gauge"}
	}
	number := words[0]
	if n := numberEnd(number); n > 0 && n < len(number) && !strings.HasSuffix(number, "%") {
		if _, err := ParseUnit(number[n:]); err == nil {
			return Quantity{}, &Error{Value: shown(text), Text: "has no space between number and unit", Remedy: "write " + number[:n] + " " + number[n:]}
		}
	}
	if rest, ok := strings.CutSuffix(number, "%"); ok && rest != "" {
		number, words = rest, append([]string{rest, "%"}, words[1:]...)
	}
	if len(words) > 3 {
		return Quantity{}, &Error{Value: shown(text), Text: "has too many words for a quantity", Remedy: "write a number, a unit and for a pressure gauge, absolute or difference"}
	}
	unit, ref := One(), None
	var err error
	if len(words) > 1 {
		if unit, err = ParseUnit(words[1]); err != nil {
			return Quantity{}, err
		}
	}
	if len(words) > 2 {
		if ref, err = ParseReference(words[2]); err != nil || ref == None {
			return Quantity{}, &Error{Value: shown(text), Text: "has " + quoted(words[2]) + " behind the unit", Remedy: "behind the unit of a pressure stands gauge, absolute or difference"}
		}
	}
	return New(number, unit, ref)
}

func quoted(s string) string { return `"` + shown(s) + `"` }

// numberEnd returns where the leading number of a text ends.
func numberEnd(s string) int {
	for i, r := range s {
		if !(r >= '0' && r <= '9' || r == '.' || i == 0 && (r == '-' || r == '+')) {
			return i
		}
	}
	return len(s)
}

// parseNumber reads a decimal: an optional sign, digits, and a point with digits behind it.
func parseNumber(s string) (*big.Rat, error) {
	refuse := func(text, remedy string) (*big.Rat, error) {
		return nil, &Error{Value: shown(s), Text: text, Remedy: remedy}
	}
	const want = "write digits with a point for the decimals, such as 2.24"
	digits, point := 0, -1
	for i, r := range s {
		switch {
		case r >= '0' && r <= '9':
			digits++
		case r == '.' && point < 0 && digits > 0:
			point = i
		case (r == '-' || r == '+') && i == 0:
		case r == ',':
			return refuse("has a comma", want)
		case r == 'e' || r == 'E':
			return refuse("is no plain decimal", "write it out in digits, without an exponent")
		default:
			return refuse("is no number", want)
		}
	}
	switch {
	case digits == 0:
		return refuse("is no number", want)
	case point == len(s)-1:
		return refuse("ends with a point", want)
	case digits > maxDigits:
		return refuse("has too many digits", "write at most 40")
	}
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		return refuse("is no number", want)
	}
	return r, nil
}
