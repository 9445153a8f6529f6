package sheet

import (
	"testing"
	"time"
	_ "time/tzdata"

	"strandline.example/strandline/internal/civil"
)

func TestParseMark(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		give  string
		order DateOrder
		want  string // "" for refused
	}{
		{give: "2026-03-09", want: "2026-03-09"}, // ISO 8601, calendar date, extended format
		{give: "2026-03", want: "2026-03"},       // ISO 8601, reduced precision
		{give: "2026/03/09", want: "2026-03-09"},
		{give: "2026-3-9", want: "2026-03-09"},
		{give: "09.03.2026", want: "2026-03-09"},
		{give: "9.3.2026", want: "2026-03-09"},
		{give: "03.2026", want: "2026-03"},
		{give: "03/2026", want: "2026-03"},
		{give: "9 Mar 2026", want: "2026-03-09"},
		{give: "09-Mar-2026", want: "2026-03-09"},
		{give: "March 9, 2026", want: "2026-03-09"},
		{give: "Sept 2026", want: "2026-09"},
		{give: "03/09/2026"},
		{give: "03-09-2026"},
		{give: "03/09/2026", order: DayMonthYear, want: "2026-09-03"},
		{give: "03/09/2026", order: MonthDayYear, want: "2026-03-09"},
		{give: "25/03/2026", want: "2026-03-25"},
		{give: "03/25/2026", want: "2026-03-25"},
		{give: "25/03/2026", order: MonthDayYear},
		{give: "04/04/2026", want: "2026-04-04"},
		{give: "29.02.2024", want: "2024-02-29"},
		{give: "29.02.2026"},
		{give: "31.04.2026"},
		{give: "2026-02-30"},
		{give: "2026-00-10"},
		{give: "2026-01-00"},
		{give: "0 Mar 2026"},
		{give: "09.03.26"},
		{give: "9-Mar-26"},
		{give: "46090"},
		{give: "20260309"},
		{give: "soon"},
		{give: "-2026-03-09"},
		{give: "2026-03-"},
		{give: "1.2.3.4"},
		{give: "+2.3.2026"},
		{give: ""},
	} {
		m, f := ParseMark(c.give, c.order)
		switch {
		case f != nil && c.want != "":
			t.Errorf("ParseMark(%q, %v): %v, want %s", c.give, c.order, f, c.want)
		case f == nil && m.String() != c.want:
			t.Errorf("ParseMark(%q, %v) = %s, want %q", c.give, c.order, m, c.want)
		case f != nil && (f.Text == "" || f.Remedy == ""):
			t.Errorf("ParseMark(%q, %v): %+v says too little", c.give, c.order, f)
		}
	}
}

func TestParseTime(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		give string
		want string
	}{
		{"14:30", "14:30:00"}, {"9:05", "09:05:00"}, {"00:00", "00:00:00"}, {"23:59:59", "23:59:59"}, {"2:30 pm", "14:30:00"}, {"12:00 AM", "00:00:00"}, {"12:15 p.m.", "12:15:00"},
		{"24:00", ""}, {"14.30", ""}, {"1430", ""}, {"14:3", ""}, {"14:60", ""}, {"13:00 pm", ""}, {"-1:30", ""}, {"noon", ""}, {"", ""}, {"1:2:3:4", ""},
	} {
		h, m, s, f := ParseTime(c.give)
		got := ""
		if f == nil {
			got = time.Date(0, 1, 1, h, m, s, 0, time.UTC).Format(time.TimeOnly)
		}
		if got != c.want {
			t.Errorf("ParseTime(%q) = %q (%v), want %q", c.give, got, f, c.want)
		}
	}
}

// The transitions are those of the IANA time zone database: New York 2026-03-08 02:00 (EST to EDT) and 2026-11-01 02:00 (EDT
// to EST); London 2026-03-29 01:00 UTC and 2026-10-25 01:00 UTC; Lord Howe shifts by half an hour, 2026-04-05.
func TestLocal(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		zone string
		give string
		want string // "" where it does not exist
	}{
		{"America/New_York", "2026-03-08 01:59", "2026-03-08T06:59:00Z"},
		{"America/New_York", "2026-03-08 02:30", ""},
		{"America/New_York", "2026-03-08 03:00", "2026-03-08T07:00:00Z"},
		{"America/New_York", "2026-11-01 01:30", "2026-11-01T05:30:00Z"}, // shown twice: the first
		{"America/New_York", "2026-11-01 02:00", "2026-11-01T07:00:00Z"},
		{"Europe/London", "2026-03-29 01:30", ""},
		{"Europe/London", "2026-10-25 01:30", "2026-10-25T00:30:00Z"},
		{"Australia/Brisbane", "2026-10-04 02:30", "2026-10-03T16:30:00Z"}, // no daylight saving
		{"Australia/Lord_Howe", "2026-04-05 01:45", "2026-04-04T14:45:00Z"},
		{"Pacific/Apia", "2011-12-30 12:00", ""}, // the whole day was skipped
		{"UTC", "2026-02-28 23:59", "2026-02-28T23:59:00Z"},
	} {
		loc, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		w, err := time.Parse("2006-01-02 15:04", c.give)
		if err != nil {
			t.Fatal(err)
		}
		got, ok := Local(civil.New(w.Date()), w.Hour(), w.Minute(), 0, loc)
		text := ""
		if ok {
			text = got.Format(time.RFC3339)
		}
		if text != c.want {
			t.Errorf("Local(%s in %s) = %q, want %q", c.give, c.zone, text, c.want)
		}
	}
}

func TestParseInstant(t *testing.T) {
	t.Parallel()
	loc, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		date, clock string
		want        string
		inTime      bool
	}{
		{date: "2026-03-09", want: "2026-03-09T16:00:00Z"}, // no time: noon
		{date: "2026-01-09", clock: "14:30", want: "2026-01-09T19:30:00Z", inTime: true},
		{date: "2026-01-09 14:30", want: "2026-01-09T19:30:00Z"},
		{date: "09.01.2026 14:30", want: "2026-01-09T19:30:00Z"},
		{date: "2026-01-09T14:30", want: "2026-01-09T19:30:00Z"},
		{date: "2026-01-09T14:30:00Z", want: "2026-01-09T14:30:00Z"}, // RFC 3339
		{date: "2026-01-09T14:30:00+02:00", want: "2026-01-09T12:30:00Z"},
		{date: "2026-01-09 14:30", clock: "14:30", inTime: true},
		{date: "2026-01-09", clock: "25:00", inTime: true},
		{date: "2026-01"},
		{date: "2026-03-08", clock: "02:30", inTime: true},
		{date: "yesterday"},
		{date: "14:30"},
	} {
		got, inTime, f := ParseInstant(c.date, c.clock, OrderUnknown, loc)
		text := ""
		if f == nil {
			text = got.Format(time.RFC3339)
		}
		if text != c.want || inTime != c.inTime {
			t.Errorf("ParseInstant(%q, %q) = %q, %v (%v), want %q, %v", c.date, c.clock, text, inTime, f, c.want, c.inTime)
		}
	}
}
