package notice

import (
	"time"

	"strandline.example/strandline/internal/civil"
)

// digestHour is when a digest is made, on the clock on the shop's wall.
const digestHour = 6

// nextDay returns the day after another where the clocks are those of a zone: a day that a zone left out is no day.
func nextDay(day civil.Date, zone *time.Location) civil.Date {
	return civil.In((day + 1).Start(zone), zone)
}

// DigestTime returns the first instant at which the clock on the wall shows 06:00 or later on the day after another.
func DigestTime(day civil.Date, zone *time.Location) time.Time {
	next := nextDay(day, zone)
	shows := func(t time.Time) bool {
		on := civil.In(t, zone)
		return on > next || on == next && t.In(zone).Hour() >= digestHour
	}
	// Between midnight and 06:00 clocks may change, and by any whole number of seconds. Up to a change they run evenly.
	for at := next.Start(zone); ; {
		if shows(at) {
			return at.UTC()
		}
		y, m, d := next.Parts()
		local := at.In(zone)
		_, offset := local.Zone()
		reached := time.Date(y, m, d, digestHour, 0, 0, 0, time.UTC).Add(-time.Duration(offset) * time.Second)
		_, change := local.ZoneBounds()
		if change.IsZero() || reached.Before(change) {
			return reached
		}
		at = change
	}
}
