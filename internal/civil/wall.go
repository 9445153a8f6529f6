package civil

import "time"

// At returns the first instant at which clocks in loc show a time of the day or a later one, the time being given as what has passed since
// midnight on a clock that is never changed. Where clocks are put forward over it, or the zone leaves the whole day out, that is the
// first instant after the gap; where they are put back and it comes twice, the first of the two.
func (d Date) At(clock time.Duration, loc *time.Location) time.Time {
	wall := time.Unix(int64(d)*24*60*60, 0).UTC().Add(clock) // what clocks show, as if it were UTC
	at := wall.Add(-farthest)                                // there they still show less
	for {
		_, offset := at.In(loc).Zone()
		starts, ends := at.In(loc).ZoneBounds()
		if !ends.IsZero() && !ends.After(at) {
			ends = at.Add(time.Hour) // beyond its tables package time ends the last period of a leap year a day too soon
		}
		t := wall.Add(-time.Duration(offset) * time.Second)
		switch {
		case !starts.IsZero() && t.Before(starts):
			return starts.UTC()
		case ends.IsZero() || t.Before(ends):
			return t
		}
		at = ends
	}
}

// farthest is further than clocks anywhere are, or were, ahead of UTC.
const farthest = 36 * time.Hour
