package measure

import (
	"math/big"
	"strings"
)

// computedDigits is how many significant digits a computed number without an end is written with.
const computedDigits = 15

// Value returns the number in its unit: as entered, or computed. A computed one without an end, such as a third, is rounded to 15 significant
// digits, halves to even; Rat has it exactly.
func (q Quantity) Value() string {
	if q.text != "" {
		return q.text
	}
	if s, ok := plain(q.rat()); ok {
		return s
	}
	return q.Rounded(computedDigits)
}

// String returns the text form, which Parse reads.
func (q Quantity) String() string {
	return with(q.Value(), q.unit, q.ref)
}

// Shown returns the text form with a computed number rounded to a number of significant digits, halves to even; one that was entered stays as it is.
func (q Quantity) Shown(digits int) string {
	if q.text != "" {
		return q.String()
	}
	return with(q.Rounded(digits), q.unit, q.ref)
}

// with joins a number to its unit and reference.
func with(number string, unit Unit, ref Reference) string {
	s := number
	if unit.Symbol() != "1" {
		s += " " + unit.Symbol()
	}
	if w := ref.String(); w != "" {
		s += " " + w
	}
	return s
}

// plain returns a number as a decimal, if it has one of at most 40 digits.
func plain(r *big.Rat) (string, bool) {
	n, exact := r.FloatPrec()
	if !exact || n > maxDigits {
		return "", false
	}
	s := r.FloatString(n)
	return s, len(strings.Trim(strings.Replace(s, ".", "", 1), "-")) <= maxDigits
}

// Rounded returns the number to a number of significant digits, halves to even, for people to read. Nothing is decided by it.
func (q Quantity) Rounded(digits int) string {
	r := q.rat()
	if r.Sign() == 0 {
		return "0"
	}
	// The power of ten of the first digit, from the lengths of numerator and denominator.
	abs := new(big.Rat).Abs(r)
	first := len(abs.Num().String()) - len(abs.Denom().String())
	if abs.Cmp(power(first)) < 0 {
		first--
	}
	s := round(r, digits-1-first, halfEven)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Fixed returns the number rounded to a number of decimals, halves to even (NIST SP 811 appendix B.7), for people to read. Nothing is decided by it.
func (q Quantity) Fixed(decimals int) string { return round(q.rat(), decimals, halfEven) }

// AtLeastRounded returns the number rounded up to a number of decimals: what a required minimum becomes when it is written shorter, so that whoever
// keeps to what is written keeps to the minimum.
func (q Quantity) AtLeastRounded(decimals int) string { return round(q.rat(), decimals, up) }

// AtMostRounded returns the number rounded down to a number of decimals: what an allowed maximum becomes when it is written shorter.
func (q Quantity) AtMostRounded(decimals int) string { return round(q.rat(), decimals, down) }

const (
	halfEven = iota
	up
	down
)

// power returns ten to the power of n.
func power(n int) *big.Rat {
	p := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(n, -n))), nil)
	if n < 0 {
		return new(big.Rat).SetFrac(big.NewInt(1), p)
	}
	return new(big.Rat).SetInt(p)
}

// round writes a number with a number of decimals; a negative one rounds before the point.
func round(r *big.Rat, decimals, way int) string {
	scaled := new(big.Rat).Mul(r, power(decimals))
	whole, rest := new(big.Int).DivMod(scaled.Num(), scaled.Denom(), new(big.Int)) // floor, as the denominator is positive
	raise := false
	switch way {
	case up:
		raise = rest.Sign() > 0
	case halfEven:
		c := rest.Lsh(rest, 1).Cmp(scaled.Denom())
		raise = c > 0 || c == 0 && whole.Bit(0) == 1
	}
	if raise {
		whole.Add(whole, big.NewInt(1))
	}
	return new(big.Rat).Mul(new(big.Rat).SetInt(whole), power(-decimals)).FloatString(max(decimals, 0))
}
