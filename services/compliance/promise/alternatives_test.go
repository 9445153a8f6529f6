package promise_test

import (
	"slices"
	"testing"
	"time"

	"strandline.example/strandline/services/compliance/promise"
)

// TestNearby lists the windows about the night in which clocks in New York are put forward, on 8 March 2026 (IANA time zone database, from
// memory): each at the same time of day, the nearest first, none in the past.
func TestNearby(t *testing.T) {
	t.Parallel()
	z := zone(t, "America/New_York")
	at := func(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, z) }
	w := promise.Window{Start: at(7, 18), End: at(8, 17)}
	var days []int
	for _, m := range promise.Nearby(w, 3, z, at(6, 18)) {
		days = append(days, m.Days)
		if want := (promise.Window{Start: at(7+m.Days, 18), End: at(8+m.Days, 17)}); !m.Start.Equal(want.Start) || !m.End.Equal(want.End) {
			t.Errorf("%d days on: %v, want %v", m.Days, m.Window, want)
		}
	}
	if want := []int{-1, 1, 2, 3}; !slices.Equal(days, want) { // the day before begins just now, and what is before that has begun
		t.Errorf("days %v, want %v", days, want)
	}
	// From 02:10 to 02:40 is no time at all in that night.
	for _, m := range promise.Nearby(promise.Window{Start: at(7, 2).Add(10 * time.Minute), End: at(7, 2).Add(40 * time.Minute)}, 2, z, at(1, 0)) {
		if m.Days == 1 || m.Empty() {
			t.Errorf("a window in the gap: %v", m)
		}
	}
	if got := promise.Nearby(w, 14, z, at(1, 0)); len(got) != 6+14 { // on the 1st at 18:00 begins the sixth day before
		t.Errorf("%d windows within 14 days", len(got))
	}
}

func TestOtherSizes(t *testing.T) {
	t.Parallel()
	free := []*promise.Unit{unit(1, "bcd", "XL"), unit(2, "bcd", "L"), unit(3, "bcd", "M"), unit(4, "bcd", "XL"), unit(5, "bcd", ""), unit(6, "suit", "S")}
	if got, want := promise.OtherSizes(free, "bcd", "M"), []promise.SizeCount{{Size: "L", N: 1}, {Size: "XL", N: 2}}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
