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
	return nextDay(day, zone).At(digestHour*time.Hour, zone)
}
