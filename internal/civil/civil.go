// Package civil does arithmetic on calendar dates without clocks or time zones.
//
// Adding months clamps to the last day of the month reached (31 January + 1 month = 28 or 29 February), as java.time
// does. Go's time.AddDate overflows into the next month instead, which would be later than the true due date. A date that
// is several months after an anchor is always counted from the anchor, never chained.
package civil

import (
	"fmt"
	"time"
)

// Date is a calendar day of the proleptic Gregorian calendar, as days since 1970-01-01. The zero Date is that day; use
// Mark where a date may be absent.
type Date int32

// New returns the date of year, month and day. The day must exist.
func New(year int, month time.Month, day int) Date {
	return Date(daysFromCivil(year, int(month), day))
}

// In returns the date at instant t in zone loc.
func In(t time.Time, loc *time.Location) Date {
	y, m, d := t.In(loc).Date()
	return New(y, m, d)
}

// Parts returns year, month and day.
func (d Date) Parts() (year int, month time.Month, day int) {
	y, m, dd := civilFromDays(int(d))
	return y, time.Month(m), dd
}

// Start returns the first instant of the day in loc. Where a zone skips midnight it is the first instant that exists; where
// clocks are put back over midnight it is the earlier of the two.
func (d Date) Start(loc *time.Location) time.Time {
	y, m, day := d.Parts()
	t := time.Date(y, m, day, 0, 0, 0, 0, loc)
	if In(t, loc) == d {
		if change, _ := t.ZoneBounds(); !change.IsZero() {
			_, now := t.Zone()
			_, before := change.Add(-1).Zone()
			if earlier := t.Add(time.Duration(now-before) * time.Second); earlier.Before(change) && In(earlier, loc) == d {
				return earlier
			}
		}
		return t
	}
	// Midnight does not exist on this day: find the transition between the day before and noon.
	lo, hi := time.Date(y, m, day, 0, 0, 0, 0, time.UTC).Add(-26*time.Hour), time.Date(y, m, day, 12, 0, 0, 0, loc)
	for hi.Sub(lo) > time.Second {
		mid := lo.Add(hi.Sub(lo) / 2)
		if In(mid, loc) >= d {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi.Truncate(time.Second)
}

// AddDays returns the date n days later.
func (d Date) AddDays(n int) Date { return d + Date(n) }

// AddMonths returns the same day n months later, clamped to the month's last day.
func (d Date) AddMonths(n int) Date {
	y, m, day := civilFromDays(int(d))
	y, m = shift(y, m, n)
	return Date(daysFromCivil(y, m, min(day, DaysIn(y, time.Month(m)))))
}

// EndOfMonth returns the last day of d's month.
func (d Date) EndOfMonth() Date {
	y, m, _ := civilFromDays(int(d))
	return Date(daysFromCivil(y, m, DaysIn(y, time.Month(m))))
}

// StartOfMonth returns the first day of d's month.
func (d Date) StartOfMonth() Date {
	y, m, _ := civilFromDays(int(d))
	return Date(daysFromCivil(y, m, 1))
}

// String returns the date as YYYY-MM-DD (ISO 8601).
func (d Date) String() string {
	y, m, day := d.Parts()
	return fmt.Sprintf("%04d-%02d-%02d", y, int(m), day)
}

// DaysIn returns the number of days of a month.
func DaysIn(year int, month time.Month) int {
	switch month {
	case time.April, time.June, time.September, time.November:
		return 30
	case time.February:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	}
	return 31
}

// Mark is a date as marked on a unit: a day, a month, or nothing. The zero Mark is nothing.
type Mark struct {
	first Date // the day, or the first day of the month
	kind  uint8
}

const (
	markNone uint8 = iota
	markDay
	markMonth
)

// Day returns the mark of a day.
func Day(d Date) Mark { return Mark{d, markDay} }

// Month returns the mark of a month.
func Month(year int, month time.Month) Mark { return Mark{New(year, month, 1), markMonth} }

// MarkOf returns the mark of a google.type.Date: day 0 is a month. It fails on dates that do not exist.
func MarkOf(year, month, day int) (Mark, error) {
	if year < 1900 || year > 2999 || month < 1 || month > 12 {
		return Mark{}, fmt.Errorf("%04d-%02d-%02d is not a date: the year is 1900 to 2999 and the month 1 to 12", year, month, day)
	}
	if day == 0 {
		return Month(year, time.Month(month)), nil
	}
	if day < 1 || day > DaysIn(year, time.Month(month)) {
		return Mark{}, fmt.Errorf("%04d-%02d-%02d is not a date: that month has %d days (0 marks the month alone)", year, month, day, DaysIn(year, time.Month(month)))
	}
	return Day(New(year, time.Month(month), day)), nil
}

// IsZero says whether the mark is nothing.
func (m Mark) IsZero() bool { return m.kind == markNone }

// IsMonth says whether the mark is a month without a day.
func (m Mark) IsMonth() bool { return m.kind == markMonth }

// First returns the day, or the first day of the month.
func (m Mark) First() Date { return m.first }

// Last returns the day, or the last day of the month.
func (m Mark) Last() Date {
	if m.kind == markMonth {
		return m.first.EndOfMonth()
	}
	return m.first
}

// Parts returns year, month and day, with day 0 for a month.
func (m Mark) Parts() (year, month, day int) {
	if m.kind == markNone {
		return 0, 0, 0
	}
	y, mo, d := m.first.Parts()
	if m.kind == markMonth {
		d = 0
	}
	return y, int(mo), d
}

// String returns YYYY-MM-DD, YYYY-MM or "".
func (m Mark) String() string {
	switch m.kind {
	case markDay:
		return m.first.String()
	case markMonth:
		return m.first.String()[:7]
	}
	return ""
}

func shift(y, m, n int) (int, int) {
	total := y*12 + (m - 1) + n
	y = total / 12
	m = total % 12
	if m < 0 {
		m += 12
		y--
	}
	return y, m + 1
}

// daysFromCivil and civilFromDays count days in the proleptic Gregorian calendar by eras of 400 years.
func daysFromCivil(y, m, d int) int {
	if m <= 2 {
		y--
	}
	era := y / 400
	if y < 0 {
		era = (y - 399) / 400
	}
	yoe := y - era*400
	mp := (m + 9) % 12
	doy := (153*mp+2)/5 + d - 1
	doe := yoe*365 + yoe/4 - yoe/100 + doy
	return era*146097 + doe - 719468
}

func civilFromDays(z int) (y, m, d int) {
	z += 719468
	era := z / 146097
	if z < 0 {
		era = (z - 146096) / 146097
	}
	doe := z - era*146097
	yoe := (doe - doe/1460 + doe/36524 - doe/146096) / 365
	doy := doe - (365*yoe + yoe/4 - yoe/100)
	mp := (5*doy + 2) / 153
	d = doy - (153*mp+2)/5 + 1
	m = mp + 3
	if m > 12 {
		m -= 12
	}
	y = yoe + era*400
	if m <= 2 {
		y++
	}
	return y, m, d
}
