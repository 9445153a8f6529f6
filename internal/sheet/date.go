package sheet

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"strandline.example/strandline/internal/civil"
)

// DateOrder says how to read 03/09/2026.
type DateOrder int

// The orders. Unknown refuses what both could be.
const (
	OrderUnknown DateOrder = iota
	DayMonthYear
	MonthDayYear
)

// ParseDateOrder reads dmy or mdy.
func ParseDateOrder(text string) (DateOrder, bool) {
	switch strings.ToLower(text) {
	case "":
		return OrderUnknown, true
	case "dmy":
		return DayMonthYear, true
	case "mdy":
		return MonthDayYear, true
	}
	return OrderUnknown, false
}

// Fault is what is wrong with a cell, and what to do.
type Fault struct{ Text, Remedy string }

// Error returns both.
func (f *Fault) Error() string { return f.Text + "; " + f.Remedy }

func fault(remedy, format string, args ...any) *Fault {
	return &Fault{Text: fmt.Sprintf(format, args...), Remedy: remedy}
}

const writeDate = "write it as 2026-03-09 (or 2026-03 for a month alone)"

// ParseMark reads a date or a month: 2026-03-09, 2026/03/09, 09.03.2026, 9 Mar 2026, 2026-03, 03.2026, 03/2026, Mar 2026. With
// slashes or hyphens and the year last it must say which is the day: by order, or because only one reading exists.
func ParseMark(text string, order DateOrder) (civil.Mark, *Fault) {
	fields := strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ',' || r == '.' || r == '/' || r == '-' })
	if len(fields) < 2 || len(fields) > 3 || len(text) > 40 || !edges(text) {
		if n, err := strconv.Atoi(text); err == nil && n > 20000 && n < 80000 {
			return civil.Mark{}, fault("format the column as a date, or "+writeDate, "this is a spreadsheet's day number, not a date")
		}
		return civil.Mark{}, fault(writeDate, "this is not a date")
	}
	var nums [3]int
	name := -1 // the field that is a month's name
	for i, f := range fields {
		if m := monthName(f); m > 0 && name < 0 {
			nums[i], name = m, i
			continue
		}
		n, err := strconv.Atoi(f)
		if err != nil || len(f) > 4 || n < 0 || f[0] == '+' {
			return civil.Mark{}, fault(writeDate, "this is not a date")
		}
		nums[i] = n
	}
	last := len(fields) - 1
	switch {
	case len(fields[0]) == 4 && name != 0:
		// The year first: ISO 8601 and its like.
		if last == 1 {
			return mark(nums[0], nums[1], 0)
		}
		if nums[2] == 0 {
			return civil.Mark{}, fault(writeDate, "day 0 does not exist")
		}
		return mark(nums[0], nums[1], nums[2])
	case len(fields[last]) != 4 || name == last:
		if len(fields[last]) <= 2 && name != last {
			return civil.Mark{}, fault(writeDate, "the year has two digits, which can be two years")
		}
		return civil.Mark{}, fault(writeDate, "this is not a date")
	case last == 1:
		return mark(nums[1], nums[0], 0)
	case nums[0] == 0 || nums[1] == 0:
		return civil.Mark{}, fault(writeDate, "day or month 0 does not exist")
	case name == 1:
		return mark(nums[2], nums[1], nums[0])
	case name == 0:
		return mark(nums[2], nums[0], nums[1])
	}
	day, month, year := nums[0], nums[1], nums[2]
	if strings.Contains(text, ".") {
		return mark(year, month, day) // written with dots, the day is first
	}
	switch {
	case order == DayMonthYear:
	case order == MonthDayYear:
		day, month = month, day
	case day == month, day > 12 && day <= 31:
	case month > 12 && month <= 31:
		day, month = month, day
	case day <= 12 && month <= 12:
		return civil.Mark{}, fault(
			fmt.Sprintf("write it as %04d-%02d-%02d or %04d-%02d-%02d, or pass --date-order dmy or mdy if the whole file is written one way", year, month, day, year, day, month),
			"this can be %d %s or %d %s", day, time.Month(month), month, time.Month(day))
	}
	return mark(year, month, day)
}

// edges says whether text begins and ends with a letter or digit.
func edges(text string) bool {
	ok := func(b byte) bool { return b >= '0' && b <= '9' || b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z' }
	return text != "" && ok(text[0]) && ok(text[len(text)-1])
}

func mark(y, m, d int) (civil.Mark, *Fault) {
	switch {
	case y < 1900 || y > 2999:
		return civil.Mark{}, fault(writeDate, "the year is 1900 to 2999")
	case m < 1 || m > 12:
		return civil.Mark{}, fault(writeDate, "there is no month %d", m)
	case d > civil.DaysIn(y, time.Month(m)):
		return civil.Mark{}, fault(writeDate, "%s %d has %d days", time.Month(m), y, civil.DaysIn(y, time.Month(m)))
	}
	k, err := civil.MarkOf(y, m, d)
	if err != nil {
		return k, fault(writeDate, "%s", err.Error())
	}
	return k, nil
}

func monthName(s string) int {
	if len(s) < 3 {
		return 0
	}
	s = strings.ToLower(s)
	for m := time.January; m <= time.December; m++ {
		full := strings.ToLower(m.String())
		if s == full || s == full[:3] || (m == time.September && s == "sept") {
			return int(m)
		}
	}
	return 0
}

// ParseTime reads a time of day: 14:30, 14:30:15, 2:30 pm.
func ParseTime(text string) (hour, minute, second int, f *Fault) {
	bad := fault("write it as 14:30", "this is not a time of day")
	s := strings.ToLower(strings.ReplaceAll(text, " ", ""))
	half := ""
	for _, h := range []string{"am", "pm", "a.m.", "p.m."} {
		if rest, ok := strings.CutSuffix(s, h); ok {
			s, half = rest, h[:1]
			break
		}
	}
	parts := strings.Split(s, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return 0, 0, 0, bad
	}
	var n [3]int
	for i, p := range parts {
		v, err := strconv.Atoi(p)
		if err != nil || len(p) > 2 || p == "" || p[0] == '+' || p[0] == '-' || (i > 0 && len(p) != 2) {
			return 0, 0, 0, bad
		}
		n[i] = v
	}
	if half != "" {
		if n[0] < 1 || n[0] > 12 {
			return 0, 0, 0, bad
		}
		n[0] %= 12
		if half == "p" {
			n[0] += 12
		}
	}
	if n[0] > 23 || n[1] > 59 || n[2] > 59 {
		return 0, 0, 0, fault("write it from 00:00 to 23:59", "this time of day does not exist")
	}
	return n[0], n[1], n[2], nil
}

// Local returns the instant at which clocks in loc show a day and time. Where they show it twice (put back in autumn) it is
// the first of the two; where they never do (put forward in spring) exists is false.
func Local(d civil.Date, hour, minute, second int, loc *time.Location) (t time.Time, exists bool) {
	y, m, day := d.Parts()
	wall := time.Date(y, m, day, hour, minute, second, 0, time.UTC)
	found := false
	var first time.Time
	for _, near := range []time.Duration{-26 * time.Hour, 0, 26 * time.Hour} {
		_, offset := wall.Add(near).In(loc).Zone()
		c := wall.Add(-time.Duration(offset) * time.Second)
		in := c.In(loc)
		iy, im, id := in.Date()
		if iy != y || im != m || id != day || in.Hour() != hour || in.Minute() != minute || in.Second() != second {
			continue
		}
		if !found || c.Before(first) {
			first, found = c, true
		}
	}
	return first.UTC(), found
}

// ParseInstant reads an instant from a date cell and a time cell: both, or both in the date cell (2026-03-09 14:30,
// 2026-03-09T14:30:00Z), or a date alone, which is noon. Times are local in loc unless they carry an offset.
func ParseInstant(dateText, timeText string, order DateOrder, loc *time.Location) (t time.Time, inTime bool, f *Fault) {
	if t, err := time.Parse(time.RFC3339Nano, strings.ToUpper(dateText)); err == nil {
		if timeText != "" {
			return t, true, fault("leave the time cell empty", "the date cell has a time already")
		}
		if t.Year() < 1900 || t.Year() > 2999 {
			return t, false, fault(writeDate, "the year is 1900 to 2999")
		}
		return t.UTC().Truncate(time.Microsecond), false, nil
	}
	day := dateText
	if i := strings.IndexByte(dateText, ':'); i > 0 {
		// A time stands behind the date: split at the blank or T before it.
		j := strings.LastIndexAny(dateText[:i], " Tt")
		if j <= 0 {
			return t, false, fault(writeDate+", the time in a cell of its own as 14:30", "this is not a date with a time")
		}
		if timeText != "" {
			return t, true, fault("leave the time cell empty", "the date cell has a time already")
		}
		day, timeText = strings.TrimRight(dateText[:j], " ,"), dateText[j+1:]
	} else {
		inTime = timeText != ""
	}
	m, f := ParseMark(day, order)
	if f != nil {
		return t, false, f
	}
	if m.IsMonth() {
		return t, false, fault("write it as 2026-03-09", "a day is needed here, not a month")
	}
	hour, minute, second := 12, 0, 0
	if timeText != "" {
		if hour, minute, second, f = ParseTime(timeText); f != nil {
			return t, inTime, f
		}
	}
	t, exists := Local(m.First(), hour, minute, second, loc)
	if !exists {
		return t, inTime, fault("write a time that clocks there showed", "%s %02d:%02d does not exist in %s: clocks were put forward over it", m, hour, minute, loc)
	}
	return t, inTime, nil
}
