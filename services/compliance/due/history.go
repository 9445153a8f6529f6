package due

import (
	"cmp"
	"time"

	"github.com/google/uuid"
)

// Increment is a use that says no more than how much it was: no meter reading, no estimate, no temperature. Histories are made of little
// else; one takes a quarter of an Entry's memory and holds no pointers.
type Increment struct {
	ID                 uuid.UUID
	Occurred, Recorded Instant
	Amount             Amount
}

// History is what happened to one unit.
type History struct {
	Unit       uuid.UUID
	Increments []Increment
	Entries    []Entry // the others; increments may be among them
}

// All calls fn with everything that happened.
func (in *Input) All(fn func(h *History)) {
	for i := range in.Histories {
		fn(&in.Histories[i])
	}
	if len(in.Entries) > 0 {
		fn(&History{Unit: in.Unit, Entries: in.Entries})
	}
}

// Instant is an instant of UTC: a time.Time without a zone, which holds no pointer and is compared at once.
type Instant struct {
	seconds int64 // since 1970
	nanos   int32
}

// InstantOf returns the instant of a time.
func InstantOf(t time.Time) Instant { return Instant{t.Unix(), int32(t.Nanosecond())} }

// InstantOfMicro returns the instant so many microseconds after the beginning of 1970.
func InstantOfMicro(us int64) Instant {
	s, rest := us/1_000_000, us%1_000_000
	if rest < 0 {
		s, rest = s-1, rest+1_000_000
	}
	return Instant{s, int32(rest) * 1000}
}

// Time returns the instant as a time of UTC.
func (i Instant) Time() time.Time { return time.Unix(i.seconds, int64(i.nanos)).UTC() }

// Before says whether the instant comes before another.
func (i Instant) Before(o Instant) bool {
	return i.seconds < o.seconds || i.seconds == o.seconds && i.nanos < o.nanos
}

// After says whether the instant comes after another.
func (i Instant) After(o Instant) bool { return o.Before(i) }

func (i Instant) compare(o Instant) int {
	if c := cmp.Compare(i.seconds, o.seconds); c != 0 {
		return c
	}
	return cmp.Compare(i.nanos, o.nanos)
}
