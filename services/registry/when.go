package registry

import (
	"regexp"
	"strings"
	"time"
	_ "time/tzdata" // zones must mean the same on a machine without a zone database

	"strandline.example/strandline/internal/civil"
)

// Skew is how far an instant may lie in the future: clocks of benches and tills run ahead.
const Skew = 5 * time.Minute

// earliest is the first instant that a record may carry. Nothing in a fleet is older.
var earliest = time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)

var zonePattern = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_+-]*(/[A-Za-z0-9_+-]+)*$`)

// Zone returns the location of an IANA time zone. Names that only a machine's own files give a meaning to (Local,
// localtime, posix/..., right/...) are unknown.
func Zone(name string) (*time.Location, bool) {
	switch {
	case !zonePattern.MatchString(name), name == "Local", name == "localtime", name == "posixrules", name == "Factory",
		strings.HasPrefix(name, "posix/"), strings.HasPrefix(name, "right/"):
		return nil, false
	}
	loc, err := time.LoadLocation(name)
	return loc, err == nil
}

// zones remembers the locations of shops during one use case.
type zones map[string]*time.Location

// of returns the zone of a shop; a shop whose zone this build does not know counts in UTC.
func (z zones) of(s Shop) *time.Location {
	loc, ok := z[s.TimeZone]
	if !ok {
		if loc, ok = Zone(s.TimeZone); !ok {
			loc = time.UTC
		}
		z[s.TimeZone] = loc
	}
	return loc
}

// instant checks an instant of a request.
func instant(field string, t, now time.Time) Problems {
	switch {
	case t.After(now.Add(Skew)):
		return Problems{future(field, t.Format(time.RFC3339Nano))}
	case t.Before(earliest):
		return Problems{invalid(field, t.Format(time.RFC3339Nano), "lies before 1900")}
	}
	return nil
}

// Span is the time from an instant (included) to another (excluded). A zero From is open to the past, a zero To to the
// future.
type Span struct{ From, To time.Time }

// Has says whether t is in the span.
func (s Span) Has(t time.Time) bool {
	return !t.Before(s.From) && (s.To.IsZero() || t.Before(s.To))
}

// And returns what two spans have in common; ok is false if that is nothing.
func (s Span) And(o Span) (common Span, ok bool) {
	common = s
	if o.From.After(common.From) {
		common.From = o.From
	}
	if common.To.IsZero() || !o.To.IsZero() && o.To.Before(common.To) {
		common.To = o.To
	}
	return common, common.To.IsZero() || common.From.Before(common.To)
}

func today(now time.Time, loc *time.Location) civil.Date { return civil.In(now.Add(Skew), loc) }
