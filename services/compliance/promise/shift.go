package promise

import (
	"time"

	"strandline.example/strandline/internal/civil"
)

// Shift returns the instant some civil days later, or earlier for less than none, at the same time of day in a zone. Where clocks were put
// forward over that time, or the zone left the whole day out, it is the first instant after the gap; where they were put back and the time
// comes twice, it is the first of the two. No days at all are the instant itself.
//
// Windows that meet still do. A later instant does not come out before an earlier one, unless clocks are put back between the two.
func Shift(t time.Time, days int, zone *time.Location) time.Time {
	if days == 0 {
		return t.UTC()
	}
	local := t.In(zone)
	hour, minute, second := local.Clock()
	clock := time.Duration(hour*3600+minute*60+second)*time.Second + time.Duration(local.Nanosecond())
	return civil.In(t, zone).AddDays(days).At(clock, zone)
}

// Shift returns the window some civil days later, from and to the same times of day in a zone. It is empty where both fall into one gap of
// the clocks.
func (w Window) Shift(days int, zone *time.Location) Window {
	return Window{Shift(w.Start, days, zone), Shift(w.End, days, zone)}
}

// Empty says whether the window holds no instant.
func (w Window) Empty() bool { return !w.Start.Before(w.End) }

// Days returns the first and the last civil day of a zone that the window touches. It must not be empty.
func (w Window) Days(zone *time.Location) (first, last civil.Date) {
	return civil.In(w.Start, zone), civil.In(w.End.Add(-1), zone)
}
