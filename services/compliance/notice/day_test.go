package notice_test

import (
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/notice"
)

// TestDigestTime looks for 06:00 on the clock on the wall by walking the minutes of the next day, as package time has them, in zones
// whose clocks change at midnight, by half an hour, over the date line, and not at all.
func TestDigestTime(t *testing.T) {
	t.Parallel()
	odd := 0
	for _, name := range []string{
		"America/New_York", "Europe/London", "Australia/Lord_Howe", "Pacific/Apia", "America/Santiago", "Asia/Beirut", "Asia/Kathmandu", "Antarctica/Casey",
		"Pacific/Kwajalein", "Asia/Tehran", "UTC",
	} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		for on := civil.New(1993, 1, 1); on < civil.New(2025, 1, 1); on++ {
			next := civil.In((on + 1).Start(zone), zone)
			_, begin := (on).Start(zone).Zone()
			_, end := (next + 1).Start(zone).Zone()
			if begin == end && int(on)%97 != 0 { // every day on which something changes, and some others
				continue
			}
			want := next.Start(zone)
			for civil.In(want, zone) < next || civil.In(want, zone) == next && want.In(zone).Hour() < 6 {
				want = want.Add(time.Minute)
			}
			got := notice.DigestTime(on, zone)
			if !got.Equal(want) {
				t.Fatalf("%s, %v: %v, want %v", name, on, got.In(zone), want.In(zone))
			}
			if begin != end {
				odd++
			}
		}
	}
	if odd < 300 {
		t.Errorf("only %d days on which clocks change were tried", odd)
	}
}

// TestDigestTimeKnown checks days on which clocks changed (IANA time zone database, from memory): New York went forward on 8 March and
// back on 1 November 2026, at 02:00; London at 01:00 UTC on 29 March; Lord Howe by half an hour at 02:00 on 5 April 2026 (back) and
// 4 October 2026 (forward); Samoa had no 30 December 2011.
func TestDigestTimeKnown(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ zone, day, want string }{
		{"America/New_York", "2026-03-06", "2026-03-07T11:00:00Z"},
		{"Europe/London", "2028-12-29", "2028-12-30T06:00:00Z"}, // the last days of a leap year, where package time ends a period of the clocks too soon
		{"Europe/London", "2028-12-30", "2028-12-31T06:00:00Z"},
		{"America/New_York", "2028-12-30", "2028-12-31T11:00:00Z"},
		{"America/New_York", "2040-12-30", "2040-12-31T11:00:00Z"},
		{"America/New_York", "2026-03-07", "2026-03-08T10:00:00Z"},
		{"America/New_York", "2026-10-31", "2026-11-01T11:00:00Z"},
		{"Europe/London", "2026-03-28", "2026-03-29T05:00:00Z"},
		{"Europe/London", "2026-10-24", "2026-10-25T06:00:00Z"},
		{"Australia/Lord_Howe", "2026-04-03", "2026-04-03T19:00:00Z"},
		{"Australia/Lord_Howe", "2026-04-04", "2026-04-04T19:30:00Z"},
		{"Australia/Lord_Howe", "2026-10-03", "2026-10-03T19:00:00Z"},
		{"Pacific/Apia", "2011-12-28", "2011-12-29T16:00:00Z"},
		{"Pacific/Apia", "2011-12-29", "2011-12-30T16:00:00Z"},
	} {
		zone, err := time.LoadLocation(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := notice.DigestTime(day(t, tt.day), zone).UTC().Format(time.RFC3339); got != tt.want {
			t.Errorf("%s: the digest of %s is due at %s, want %s", tt.zone, tt.day, got, tt.want)
		}
	}
}
