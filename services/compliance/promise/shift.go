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
	_, offset := local.Zone()
	wall := time.Duration(offset)*time.Second + time.Duration(days)*24*time.Hour
	return firstAt(t.Add(wall).UTC(), zone)
}

// firstAt returns the first instant at which clocks of a zone show a time or a later one. The time shown is given as if it were UTC.
func firstAt(wall time.Time, zone *time.Location) time.Time {
	at := wall.Add(-farthest) // no zone is so far ahead: there clocks still show less
	for {
		period := at.In(zone)
		_, offset := period.Zone()
		starts, ends := period.ZoneBounds()
		if !ends.IsZero() && !ends.After(at) {
			ends = at.Add(time.Hour) // beyond its tables package time ends a leap year's last period a day too soon
		}
		t := wall.Add(-time.Duration(offset) * time.Second)
		switch {
		case !starts.IsZero() && t.Before(starts):
			return starts.UTC()
		case ends.IsZero() || t.Before(ends):
			return t.UTC()
		}
		at = ends
	}
}

// farthest is further than clocks of any zone are ahead of UTC.
const farthest = 36 * time.Hour

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
