package civil_test

import (
	"testing"
	"time"

	"github.com/teambition/rrule-go"

	"strandline.example/strandline/internal/civil"
)

func parse(t *testing.T, s string) civil.Date {
	t.Helper()
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		t.Fatal(err)
	}
	return civil.New(d.Year(), d.Month(), d.Day())
}

// TestAddMonths holds AddMonths to the published behaviour of java.time: the API documentation of LocalDate.plusMonths and
// minusMonths (add to the month, then, if the day does not exist, take the last valid day of the month). The rows marked
// "documentation" are the examples printed there; the others follow from its three steps.
func TestAddMonths(t *testing.T) {
	for _, tt := range []struct {
		give   string
		months int
		want   string
	}{
		{"2007-03-31", 1, "2007-04-30"},  // documentation of plusMonths
		{"2007-03-31", -1, "2007-02-28"}, // documentation of minusMonths
		{"2024-01-31", 1, "2024-02-29"},
		{"2023-01-31", 1, "2023-02-28"},
		{"2024-01-30", 1, "2024-02-29"},
		{"2024-01-29", 1, "2024-02-29"},
		{"2024-01-28", 1, "2024-02-28"},
		{"2024-02-29", 12, "2025-02-28"},
		{"2024-02-29", 48, "2028-02-29"},
		{"2096-02-29", 48, "2100-02-28"}, // 2100 is no leap year
		{"1996-02-29", 48, "2000-02-29"}, // 2000 is one
		{"2026-08-31", 6, "2027-02-28"},
		{"2026-12-31", 2, "2027-02-28"},
		{"2026-11-30", 3, "2027-02-28"},
		{"2024-05-31", 1, "2024-06-30"},
		{"2026-01-15", 0, "2026-01-15"},
		{"2026-12-15", 1, "2027-01-15"},
		{"2026-01-15", -1, "2025-12-15"},
		{"2026-03-31", -13, "2025-02-28"},
		{"2021-03-31", 60, "2026-03-31"},
		{"2019-02-28", 60, "2024-02-28"}, // the same day, not the last: 28 February exists in 2024
	} {
		if got := parse(t, tt.give).AddMonths(tt.months).String(); got != tt.want {
			t.Errorf("%s + %d months = %s, want %s", tt.give, tt.months, got, tt.want)
		}
	}
}

// TestAddMonthsIsNotChained shows why a due date is counted from its anchor: one month at a time loses the day.
func TestAddMonthsIsNotChained(t *testing.T) {
	d := parse(t, "2024-01-31")
	if got := d.AddMonths(2).String(); got != "2024-03-31" {
		t.Errorf("31 January + 2 months = %s", got)
	}
	if got := d.AddMonths(1).AddMonths(1).String(); got != "2024-03-29" {
		t.Errorf("31 January + 1 month + 1 month = %s", got)
	}
}

// TestRecurrence compares AddMonths with RFC 5545, section 3.3.10, as rrule-go implements it: a monthly rule by the day of
// the month ignores the months that lack the day. On the months that have it both agree; on the others AddMonths takes
// the last day, which is what RFC 7529, section 4.1, calls SKIP=BACKWARD, and what the rule BYMONTHDAY=-1 names.
func TestRecurrence(t *testing.T) {
	const months = 12 * 40 // from 2090: over the 29 February that 2100 lacks
	for day := 28; day <= 31; day++ {
		start := time.Date(2090, 1, day, 0, 0, 0, 0, time.UTC)
		onDay := occurrences(t, rrule.ROption{Freq: rrule.MONTHLY, Bymonthday: []int{day}, Dtstart: start, Until: start.AddDate(41, 0, 0)})
		onLast := occurrences(t, rrule.ROption{Freq: rrule.MONTHLY, Bymonthday: []int{-1}, Dtstart: start, Until: start.AddDate(41, 0, 0)})
		same, clamped := 0, 0
		for n := range months {
			got := civil.New(2090, 1, day).AddMonths(n)
			switch {
			case onDay[got]:
				same++
			case onLast[got]:
				clamped++
				if y, m, d := got.Parts(); civil.DaysIn(y, m) >= day || d >= day {
					t.Errorf("day %d + %d months = %s, and that month has the day", day, n, got)
				}
			default:
				t.Errorf("day %d + %d months = %s, which neither rule names", day, n, got)
			}
		}
		if want := map[int]int{28: 0, 29: 31, 30: 40, 31: 40 * 5}[day]; clamped != want || same != months-want {
			t.Errorf("day %d: %d agree and %d clamp, want %d and %d", day, same, clamped, months-want, want)
		}
	}
}

func occurrences(t *testing.T, o rrule.ROption) map[civil.Date]bool {
	t.Helper()
	r, err := rrule.NewRRule(o)
	if err != nil {
		t.Fatal(err)
	}
	out := map[civil.Date]bool{}
	for _, at := range r.All() {
		out[civil.In(at, time.UTC)] = true
	}
	return out
}

// TestEveryDay walks every day from 1900 to 2999 beside package time: numbering, parts, text, month ends and both ways of
// reading an instant.
func TestEveryDay(t *testing.T) {
	want := time.Date(1900, 1, 1, 12, 0, 0, 0, time.UTC)
	day := civil.New(1900, 1, 1)
	for ; want.Year() < 3000; want, day = want.AddDate(0, 0, 1), day.AddDays(1) {
		y, m, d := day.Parts()
		if y != want.Year() || m != want.Month() || d != want.Day() || civil.New(y, m, d) != day {
			t.Fatalf("day %d is %d-%d-%d, want %v", day, y, m, d, want)
		}
		if int64(day)*86400 != want.Unix()-43200 {
			t.Fatalf("%v is day %d", want, day)
		}
		if civil.In(want, time.UTC) != day || day.String() != want.Format(time.DateOnly) {
			t.Fatalf("%v is %v", want, day)
		}
		last := time.Date(want.Year(), want.Month()+1, 0, 0, 0, 0, 0, time.UTC).Day()
		if civil.DaysIn(y, m) != last || int(day.EndOfMonth()-day) != last-d || int(day-day.StartOfMonth()) != d-1 {
			t.Fatalf("%v: month of %d days, from %v to %v", day, civil.DaysIn(y, m), day.StartOfMonth(), day.EndOfMonth())
		}
	}
}

// TestCalendar checks facts of the Gregorian calendar that ISO 8601 uses.
func TestCalendar(t *testing.T) {
	// RFC 3339, appendix C: divisible by 4, and not by 100 unless by 400.
	for year, want := range map[int]int{1900: 28, 2000: 29, 2023: 28, 2024: 29, 2096: 29, 2100: 28, 2400: 29} {
		if got := civil.DaysIn(year, time.February); got != want {
			t.Errorf("February %d has %d days, want %d", year, got, want)
		}
	}
	// ISO 8601 ordinal dates count a common year to 365 and a leap year to 366.
	for year, want := range map[int]civil.Date{1900: 365, 2000: 366, 2023: 365, 2024: 366, 2100: 365} {
		if got := civil.New(year, 12, 31) - civil.New(year, 1, 1) + 1; got != want {
			t.Errorf("%d has %d days, want %d", year, got, want)
		}
	}
	// 400 years are 146,097 days, a whole number of weeks (the calendar's cycle; from memory).
	if got := civil.New(2400, 1, 1) - civil.New(2000, 1, 1); got != 146_097 || got%7 != 0 {
		t.Errorf("400 years are %d days", got)
	}
	// The modified Julian date counts from 17 November 1858; 1 January 1970 is 40,587 (from memory).
	if got := civil.New(1970, 1, 1) - civil.New(1858, 11, 17); got != 40_587 {
		t.Errorf("1970-01-01 is modified Julian date %d", got)
	}
	// Dates of four digits sort as text (ISO 8601 extended format).
	if a, b := civil.New(1999, 12, 31).String(), civil.New(2000, 1, 1).String(); a != "1999-12-31" || a >= b {
		t.Errorf("%s and %s", a, b)
	}
}

// TestStart holds Start to its contract on every day of ten years in zones that change at midnight, skip a day or have odd
// offsets: it is on the day, and the nanosecond before is not.
func TestStart(t *testing.T) {
	skipped := 0
	for _, name := range []string{
		"America/Santiago", "Asia/Beirut", "America/Asuncion", "America/Havana", "Africa/Cairo", "Asia/Amman", "Asia/Tehran", // midnight is skipped
		"Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Pacific/Chatham", "Asia/Kathmandu", "Pacific/Pago_Pago", "UTC",
	} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		for day := civil.New(2015, 1, 1); day < civil.New(2025, 1, 1); day++ {
			start := day.Start(zone)
			if civil.In(start, zone) != day || civil.In(start.Add(-1), zone) >= day {
				t.Fatalf("%s: %v starts at %v", name, day, start)
			}
			if start.In(zone).Hour() != 0 {
				skipped++
			}
		}
	}
	if skipped < 20 {
		t.Errorf("only %d days without a midnight were tried", skipped)
	}
}

// TestStartKnown checks single transitions of the IANA time zone database (release notes and zone files, from memory): the
// clocks in Chile went from 24:00 on Saturday, 7 September 2024 to 01:00; those in Lebanon from 00:00 to 01:00 on 31 March
// 2024; Samoa had no 30 December 2011 at all; those in Jordan went back from 01:00 to 00:00 on 30 October 2015.
func TestStartKnown(t *testing.T) {
	for _, tt := range []struct{ zone, day, want string }{
		{"America/Santiago", "2024-09-08", "2024-09-08T04:00:00Z"},
		{"America/Santiago", "2024-09-07", "2024-09-07T04:00:00Z"},
		{"Asia/Beirut", "2024-03-31", "2024-03-30T22:00:00Z"},
		{"Asia/Beirut", "2024-04-01", "2024-03-31T21:00:00Z"},
		{"Europe/Lisbon", "2024-03-31", "2024-03-31T00:00:00Z"},
		{"Europe/Lisbon", "2024-04-01", "2024-03-31T23:00:00Z"},
		{"Pacific/Apia", "2011-12-31", "2011-12-30T10:00:00Z"},
		{"Asia/Amman", "2015-10-30", "2015-10-29T21:00:00Z"},
		{"Pacific/Apia", "2011-12-29", "2011-12-29T10:00:00Z"},
	} {
		zone, err := time.LoadLocation(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := parse(t, tt.day).Start(zone).UTC().Format(time.RFC3339); got != tt.want {
			t.Errorf("%s: %s starts at %s, want %s", tt.zone, tt.day, got, tt.want)
		}
	}
}

func TestMark(t *testing.T) {
	for _, tt := range []struct {
		y, m, d           int
		text, first, last string
	}{
		{2024, 2, 0, "2024-02", "2024-02-01", "2024-02-29"},
		{2100, 2, 0, "2100-02", "2100-02-01", "2100-02-28"},
		{2024, 2, 29, "2024-02-29", "2024-02-29", "2024-02-29"},
		{1900, 1, 1, "1900-01-01", "1900-01-01", "1900-01-01"},
		{2999, 12, 0, "2999-12", "2999-12-01", "2999-12-31"},
	} {
		m, err := civil.MarkOf(tt.y, tt.m, tt.d)
		if err != nil {
			t.Fatal(err)
		}
		y, mo, d := m.Parts()
		if m.String() != tt.text || m.First().String() != tt.first || m.Last().String() != tt.last || y != tt.y || mo != tt.m || d != tt.d || m.IsMonth() != (tt.d == 0) || m.IsZero() {
			t.Errorf("%d-%d-%d: %s, %s to %s", tt.y, tt.m, tt.d, m, m.First(), m.Last())
		}
	}
	for _, bad := range [][3]int{{2023, 2, 29}, {2100, 2, 29}, {2024, 4, 31}, {2024, 13, 1}, {2024, 0, 1}, {0, 1, 1}, {1899, 12, 31}, {3000, 1, 1}, {2024, 1, 32}, {2024, 1, -1}, {2024, 0, 0}} {
		if m, err := civil.MarkOf(bad[0], bad[1], bad[2]); err == nil {
			t.Errorf("%v is %v", bad, m)
		}
	}
	var none civil.Mark
	if !none.IsZero() || none.String() != "" || none.IsMonth() {
		t.Errorf("the zero mark is %q", none)
	}
}

// FuzzAddMonths holds AddMonths to what it promises, for any date and number of months.
func FuzzAddMonths(f *testing.F) {
	f.Add(int32(19753), int16(1))
	f.Fuzz(func(t *testing.T, days int32, months int16) {
		d := civil.Date(days % 400_000)
		got := d.AddMonths(int(months))
		y, m, day := d.Parts()
		gy, gm, gday := got.Parts()
		if (gy*12+int(gm))-(y*12+int(m)) != int(months) {
			t.Fatalf("%v + %d months = %v", d, months, got)
		}
		if gday != day && (gday > day || gday != civil.DaysIn(gy, gm)) {
			t.Fatalf("%v + %d months = %v", d, months, got)
		}
	})
}
