package main

import (
	"errors"
	"testing"
	"time"
	_ "time/tzdata"
)

// TestParseInstant: RFC 3339 (section 5.8 has the first two texts and their instants), and days and times in a shop's zone.
// The days of the changes to and from summer time are those of the IANA time zone database.
func TestParseInstant(t *testing.T) {
	zone := func(name string) *time.Location {
		loc, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		return loc
	}
	lisbon, cairo := zone("Europe/Lisbon"), zone("Africa/Cairo")
	tests := []struct {
		give string
		loc  *time.Location
		e    edge
		want string
	}{
		{"1985-04-12T23:20:50.52Z", lisbon, dayStart, "1985-04-12T23:20:50.52Z"},
		{"1996-12-19T16:39:57-08:00", nil, dayStart, "1996-12-20T00:39:57Z"},
		{"2026-06-05", lisbon, dayStart, "2026-06-04T23:00:00Z"},
		{"2026-06-05", lisbon, dayEnd, "2026-06-05T22:59:59Z"},
		{"2026-06-05", nil, dayStart, "2026-06-05T12:00:00Z"},
		{"2026-06-05 09:30", lisbon, dayStart, "2026-06-05T08:30:00Z"},
		{"2026-06-05T09:30:15", lisbon, dayStart, "2026-06-05T08:30:15Z"},
		{"2024-02-29", lisbon, dayEnd, "2024-02-29T23:59:59Z"},
		// Clocks are put forward at midnight, so the day begins at one.
		{"2024-04-26", cairo, dayStart, "2024-04-25T22:00:00Z"},
	}
	for _, tt := range tests {
		got, err := parseInstant(tt.give, tt.loc, tt.e)
		if err != nil || got.Format(time.RFC3339Nano) != tt.want {
			t.Errorf("%s in %v: got %v, error %v; want %s", tt.give, tt.loc, got, err, tt.want)
		}
	}
	for _, give := range []string{"", "today", "2026-02-30", "2026-6-5", "05.06.2026", "2026-06-05 25:00", "2026-03-29 01:30"} {
		if got, err := parseInstant(give, lisbon, dayStart); err == nil {
			t.Errorf("%q is taken as %v", give, got)
		}
	}
	if _, err := parseInstant("2026-06-05 09:30", nil, dayStart); !errors.Is(err, errZone) {
		t.Errorf("a time of day without a zone: error %v, want %v", err, errZone)
	}
}

func TestParseMark(t *testing.T) {
	for _, give := range []string{"2026-06-05", "2026-06", "2024-02-29"} {
		got, err := parseMark("marked", give)
		if err != nil || showDate(got) != give {
			t.Errorf("%s: got %v, error %v", give, got, err)
		}
	}
	for _, give := range []string{"2026", "2026-13", "2026-00", "2023-02-29", "2026-06-00", "26-06", "2026-6-5", "2026-06-05x", "June"} {
		if got, err := parseMark("marked", give); err == nil {
			t.Errorf("%q is taken as %v", give, got)
		}
	}
}
