package promise_test

import (
	"testing"
	"time"
	_ "time/tzdata"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/promise"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// shown returns what clocks of a zone show at an instant, in a form that sorts.
func shown(t time.Time, z *time.Location) string { return t.In(z).Format("2006-01-02 15:04:05") }

// TestShiftKnown checks single transitions of the IANA time zone database (its files and announcements, from memory).
func TestShiftKnown(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		zone, from string
		days       int
		want       string // in UTC
	}{
		// Germany: from 02:00 to 03:00 on 29 March 2026, and from 03:00 to 02:00 on 25 October 2026.
		{"Europe/Berlin", "2026-03-28T09:00:00+01:00", 1, "2026-03-29T07:00:00Z"},
		{"Europe/Berlin", "2026-03-28T02:30:00+01:00", 1, "2026-03-29T01:00:00Z"}, // 03:00, the first time that is there
		{"Europe/Berlin", "2026-10-24T02:30:00+02:00", 1, "2026-10-25T00:30:00Z"}, // the first of two
		{"Europe/Berlin", "2026-10-26T02:30:00+01:00", -1, "2026-10-25T00:30:00Z"},
		{"Europe/Berlin", "2026-10-25T02:30:00+01:00", 0, "2026-10-25T01:30:00Z"}, // the second, as it was told
		// Eastern United States: 8 March and 1 November 2026.
		{"America/New_York", "2026-03-07T18:00:00-05:00", 1, "2026-03-08T22:00:00Z"},
		{"America/New_York", "2026-10-31T18:00:00-04:00", 1, "2026-11-01T23:00:00Z"},
		// Lord Howe Island moves by half an hour: at 02:00 of 4 October 2026 to 02:30, at 02:00 of 5 April 2026 back to 01:30.
		{"Australia/Lord_Howe", "2026-10-03T02:10:00+10:30", 1, "2026-10-03T15:30:00Z"},
		{"Australia/Lord_Howe", "2026-10-03T08:00:00+10:30", 1, "2026-10-03T21:00:00Z"},
		{"Australia/Lord_Howe", "2026-04-04T01:45:00+11:00", 1, "2026-04-04T14:45:00Z"},
		// Samoa had no 30 December 2011: after the 29th, ten hours behind UTC, came the 31st, fourteen ahead.
		{"Pacific/Apia", "2011-12-29T09:00:00-10:00", 1, "2011-12-30T10:00:00Z"}, // midnight of the 31st
		{"Pacific/Apia", "2011-12-29T09:00:00-10:00", 2, "2011-12-30T19:00:00Z"},
		{"Pacific/Apia", "2012-01-01T09:00:00+14:00", -3, "2011-12-29T19:00:00Z"},
		// Nepal is 5:45 ahead, always.
		{"Asia/Kathmandu", "2026-03-28T02:30:00+05:45", 1, "2026-03-28T20:45:00Z"},
		// The last days of leap years, beyond what package time has tables of.
		{"Europe/Berlin", "2040-12-30T09:00:00+01:00", 1, "2040-12-31T08:00:00Z"},
		{"Europe/Berlin", "2040-12-30T23:59:00+01:00", 1, "2040-12-31T22:59:00Z"},
		{"America/New_York", "2040-12-30T20:00:00-05:00", 2, "2041-01-02T01:00:00Z"},
		{"Australia/Lord_Howe", "2040-12-30T11:00:00+11:00", 2, "2041-01-01T00:00:00Z"},
		// Leap days are days.
		{"Europe/Berlin", "2028-02-28T09:00:00+01:00", 1, "2028-02-29T08:00:00Z"},
	} {
		from, err := time.Parse(time.RFC3339, c.from)
		if err != nil {
			t.Fatal(err)
		}
		if got := promise.Shift(from, c.days, zone(t, c.zone)).Format(time.RFC3339); got != c.want {
			t.Errorf("%s, %s and %d days: %s, want %s", c.zone, c.from, c.days, got, c.want)
		}
	}
}

// transitions returns when clocks of a zone were or will be changed.
func transitions(z *time.Location, from, to time.Time) (all []time.Time) {
	offset := func(t time.Time) int { _, o := t.In(z).Zone(); return o }
	for at := from; at.Before(to); at = at.Add(time.Hour) {
		if offset(at) == offset(at.Add(time.Hour)) {
			continue
		}
		change := at
		for offset(change) == offset(at) {
			change = change.Add(time.Minute)
		}
		all = append(all, change)
	}
	return all
}

// TestShiftAtTransitions goes over every transition of six zones in the time zone database from 2005 to 2045 and shifts instants around it to
// and from it: clocks show the same time of day, so many days on; where they never show it, it is the first instant at which they show a later one.
// The zones: two with plain summer time, one that moves by half an hour, one that moves for Ramadan, one that left a day out, and
// one that has no summer time.
func TestShiftAtTransitions(t *testing.T) {
	t.Parallel()
	for name, least := range map[string]int{
		"Europe/Berlin": 79, "America/New_York": 79, "Australia/Lord_Howe": 79, "Africa/Casablanca": 70, "Pacific/Apia": 20, "Asia/Kathmandu": 0,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			z := zone(t, name)
			changes := transitions(z, time.Date(2005, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2045, 1, 1, 0, 0, 0, 0, time.UTC))
			if len(changes) < least {
				t.Fatalf("only %d transitions", len(changes))
			}
			if len(changes) == 0 {
				changes = []time.Time{time.Date(2026, 3, 28, 20, 15, 0, 0, time.UTC)}
			}
			gaps, twice := 0, 0
			for _, change := range changes {
				for minutes := -200; minutes <= 200; minutes += 10 {
					for _, days := range []int{-14, -2, -1, 1, 2, 7} {
						from := change.Add(time.Duration(minutes)*time.Minute - time.Duration(days)*24*time.Hour)
						got := promise.Shift(from, days, z)
						_, month, day := from.In(z).Date()
						hour, minute, _ := from.In(z).Clock()
						wanted := time.Date(from.In(z).Year(), month, day+days, hour, minute, 0, 0, time.UTC).Format("2006-01-02 15:04:05")
						switch text := shown(got, z); {
						case text == wanted:
							// The first of the instants that show it.
							for _, earlier := range []time.Duration{30 * time.Minute, time.Hour, 2 * time.Hour, 24 * time.Hour} {
								if shown(got.Add(-earlier), z) == wanted {
									t.Errorf("%s and %d days: %s is the second at which clocks show %s", from, days, got, wanted)
								}
							}
							for _, later := range []time.Duration{30 * time.Minute, time.Hour} {
								if shown(got.Add(later), z) == wanted {
									twice++
								}
							}
						case text > wanted && shown(got.Add(-time.Nanosecond), z) < wanted:
							gaps++ // clocks skip the time just then
						default:
							t.Errorf("%s and %d days: clocks show %s, want %s", from, days, text, wanted)
						}
						// Whoever has the unit until then, and whoever has it from then on, never both or neither.
						before, after := promise.Window{Start: from.Add(-26 * time.Hour), End: from}, promise.Window{Start: from, End: from.Add(50 * time.Hour)}
						before, after = before.Shift(days, z), after.Shift(days, z)
						if before.Empty() || after.Empty() || promise.Relate(before, after) != promise.Meets || before.Overlaps(after) {
							t.Errorf("%s and %d days: %v and %v no longer meet", from, days, before, after)
						}
					}
				}
			}
			if least > 0 && (gaps == 0 || twice == 0) {
				t.Errorf("%d times were skipped and %d came twice: the transitions were not met", gaps, twice)
			}
		})
	}
}

// TestShiftBookings books a unit day after day over a transition, from nine to nine: the days meet, though one has 23 hours and one 25.
func TestShiftBookings(t *testing.T) {
	t.Parallel()
	z := zone(t, "Europe/Berlin")
	for _, c := range []struct {
		first time.Time
		long  time.Duration // the second of three days
	}{
		{time.Date(2026, 3, 27, 8, 0, 0, 0, time.UTC), 23 * time.Hour},
		{time.Date(2026, 10, 23, 7, 0, 0, 0, time.UTC), 25 * time.Hour},
	} {
		w := promise.Window{Start: c.first, End: c.first.Add(24 * time.Hour)}
		for day := range 3 {
			next := promise.Window{Start: c.first, End: c.first.Add(24 * time.Hour)}.Shift(day+1, z)
			if promise.Relate(w, next) != promise.Meets || w.Overlaps(next) {
				t.Errorf("day %d: %v and %v", day, w, next)
			}
			if long := next.End.Sub(next.Start); (day == 0) != (long == c.long) || day != 0 && long != 24*time.Hour {
				t.Errorf("day %d lasts %s", day+1, long)
			}
			w = next
		}
	}
}

// TestDays checks which days a window touches: its end is not in it.
func TestDays(t *testing.T) {
	t.Parallel()
	z := zone(t, "Pacific/Apia")
	midnight := civil.New(2026, 7, 18).Start(z)
	for _, c := range []struct {
		from, to    time.Duration
		first, last int
	}{
		{0, 24 * time.Hour, 18, 18},
		{0, 24*time.Hour + 1, 18, 19},
		{-1, 1, 17, 18},
		{23 * time.Hour, 24 * time.Hour, 18, 18},
	} {
		first, last := promise.Window{Start: midnight.Add(c.from), End: midnight.Add(c.to)}.Days(z)
		if first != civil.New(2026, 7, c.first) || last != civil.New(2026, 7, c.last) {
			t.Errorf("%s to %s: %s to %s", c.from, c.to, first, last)
		}
	}
}
