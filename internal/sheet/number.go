package sheet

import (
	"math/big"
	"strconv"
	"strings"
	"time"
)

// ParseWhole reads a whole number from least to most. What a spreadsheet makes of it (12.0, 12,0) is read; thousands
// separators are refused, as 1.234 and 1,234 mean different numbers in different places.
func ParseWhole(text string, least, most int64) (int64, *Fault) {
	digits, fraction, f := splitNumber(text)
	if f != nil {
		return 0, f
	}
	if strings.Trim(fraction, "0") != "" {
		return 0, fault("write a whole number such as 12", "this is not a whole number")
	}
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil {
		return 0, fault(rangeRemedy(least, most), "this number is too large")
	}
	if n < least || n > most {
		if n < 0 && least >= 0 {
			return 0, fault(rangeRemedy(least, most), "this number is negative")
		}
		return 0, fault(rangeRemedy(least, most), "this number is out of range")
	}
	return n, nil
}

func rangeRemedy(least, most int64) string {
	return "write a whole number from " + strconv.FormatInt(least, 10) + " to " + strconv.FormatInt(most, 10)
}

// ParseHours reads a running time in hours, exactly: 12, 12.5, 12,5 or 12:30 (hours and minutes).
func ParseHours(text string, most time.Duration) (time.Duration, *Fault) {
	remedy := "write hours such as 12.5 or 12:30"
	if h, m, ok := strings.Cut(text, ":"); ok {
		hours, err1 := strconv.ParseInt(h, 10, 64)
		minutes, err2 := strconv.ParseInt(m, 10, 64)
		if err1 != nil || err2 != nil || hours < 0 || hours > 1_000_000 || len(m) != 2 || minutes > 59 || minutes < 0 {
			return 0, fault(remedy, "this is not a running time")
		}
		return hoursWithin(time.Duration(hours)*time.Hour+time.Duration(minutes)*time.Minute, most)
	}
	digits, fraction, f := splitNumber(text)
	if f != nil {
		return 0, f
	}
	if len(digits) > 9 || len(fraction) > 6 {
		return 0, fault(remedy, "this is not a running time: at most 6 decimals")
	}
	r, ok := new(big.Rat).SetString(digits + "." + fraction + "0")
	if !ok {
		return 0, fault(remedy, "this is not a number")
	}
	if r.Sign() < 0 || strings.HasPrefix(digits, "-") {
		return 0, fault(remedy, "this number is negative")
	}
	r.Mul(r, new(big.Rat).SetInt64(int64(time.Hour)))
	if !r.IsInt() || !r.Num().IsInt64() {
		return 0, fault(remedy, "this is not a running time")
	}
	return hoursWithin(time.Duration(r.Num().Int64()), most)
}

func hoursWithin(d, most time.Duration) (time.Duration, *Fault) {
	if d > most {
		return 0, fault("write at most "+strconv.FormatInt(int64(most/time.Hour), 10)+" hours", "this running time is out of range")
	}
	return d, nil
}

// splitNumber splits a decimal number with point or comma.
func splitNumber(text string) (digits, fraction string, f *Fault) {
	bad := fault("write digits alone, such as 12 or 12.5", "this is not a number")
	s := strings.TrimPrefix(text, "+")
	body := strings.TrimPrefix(s, "-")
	sign := s[:len(s)-len(body)]
	at := strings.IndexAny(body, ".,")
	whole := body
	if at >= 0 {
		whole, fraction = body[:at], body[at+1:]
		if fraction == "" {
			return "", "", bad
		}
	}
	if whole == "" || !allDigits(whole) {
		return "", "", bad
	}
	if !allDigits(fraction) {
		if strings.ContainsAny(fraction, ".,") {
			return "", "", fault("leave thousands separators out: 1234 or 1234.5", "this number has several points or commas")
		}
		return "", "", bad
	}
	if len(fraction) == 3 && len(whole) <= 3 && strings.Trim(whole, "0") != "" {
		return "", "", fault("leave thousands separators out, and write decimals with one, two or more than three digits: 1234 or 1.2340",
			"this can be %s%s%s or %s%s.%s", sign, whole, fraction, sign, whole, fraction)
	}
	if len(whole) > 18 {
		return "", "", fault("write a smaller number", "this number is too large")
	}
	return sign + whole, fraction, nil
}

func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}
