package due

import (
	"bytes"
	"slices"
	"time"

	"github.com/google/uuid"
)

// maxDepth bounds how many hosts are followed upwards, so that a cycle in the fittings (which registry refuses) cannot hold
// a derivation up.
const maxDepth = 32

// forever is later than any instant of a ledger.
var forever = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

// HostAt returns the unit that part is fitted to at an instant. Should fittings of one part overlap, which registry refuses,
// the one that began last holds.
func HostAt(fittings []Fitting, part uuid.UUID, at time.Time) (host uuid.UUID, ok bool) {
	var best *Fitting
	for i := range fittings {
		f := &fittings[i]
		if f.Part == part && f.contains(at) && (best == nil || compareFittings(f, best) > 0) {
			best = f
		}
	}
	if best == nil {
		return uuid.UUID{}, false
	}
	return best.Host, true
}

// PartsAt returns everything that is fitted to host at an instant, and to its parts, and so on: those nearest first, and
// the equally near by id. The host itself is never among them.
func PartsAt(fittings []Fitting, host uuid.UUID, at time.Time) []uuid.UUID {
	var parts []uuid.UUID
	level := []uuid.UUID{host}
	for len(level) > 0 {
		var next []uuid.UUID
		for i := range fittings {
			f := &fittings[i]
			if f.Part != host && f.contains(at) && slices.Contains(level, f.Host) && !slices.Contains(parts, f.Part) && !slices.Contains(next, f.Part) {
				next = append(next, f.Part)
			}
		}
		slices.SortFunc(next, compareIDs)
		parts = append(parts, next...)
		level = next
	}
	return parts
}

func (f *Fitting) contains(at time.Time) bool {
	return !at.Before(f.From) && (f.To.IsZero() || at.Before(f.To))
}

// compareFittings orders fittings by part, start and host.
func compareFittings(a, b *Fitting) int {
	if c := compareIDs(a.Part, b.Part); c != 0 {
		return c
	}
	if c := a.From.Compare(b.From); c != 0 {
		return c
	}
	return compareIDs(a.Host, b.Host)
}

func compareIDs(a, b uuid.UUID) int { return bytes.Compare(a[:], b[:]) }

// fittingIndex answers HostAt by binary search: fittings in the order of compareFittings.
type fittingIndex []Fitting

// hostAt returns the host of a part at an instant, and until when that is the answer: exclusive, and no later than the next fitting
// of the part begins. The answer is the same from the instant on until then.
func (x fittingIndex) hostAt(part uuid.UUID, at time.Time) (host uuid.UUID, ok bool, until time.Time) {
	lo, hi := 0, len(x)
	for lo < hi { // the first fitting of a later part, or of this part from a later instant
		mid := int(uint(lo+hi) >> 1)
		c := compareIDs(x[mid].Part, part)
		if c > 0 || c == 0 && x[mid].From.After(at) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	until = forever
	if lo < len(x) && x[lo].Part == part {
		until = x[lo].From
	}
	for i := lo - 1; i >= 0 && x[i].Part == part; i-- {
		if x[i].To.IsZero() {
			return x[i].Host, true, until
		}
		if at.Before(x[i].To) {
			return x[i].Host, true, earlier(until, x[i].To)
		}
	}
	return uuid.UUID{}, false, until
}

// within says whether part is fitted to host at an instant, directly or through other units, and until when that is the answer.
func (x fittingIndex) within(part, host uuid.UUID, at time.Time) (in bool, until time.Time) {
	until = forever
	for range maxDepth {
		h, ok, to := x.hostAt(part, at)
		until = earlier(until, to)
		if !ok {
			return false, until
		}
		if h == host {
			return true, until
		}
		part = h
	}
	return false, until
}

// residence is an answer of within for the unit and one host.
type residence struct {
	host        uuid.UUID
	in          bool
	from, until Instant // until is exclusive
}

// fitted says whether the unit was fitted to a host at an instant, directly or through other units. Uses come mostly in order, so
// that most answers are the one before.
func (e *engine) fitted(host uuid.UUID, at Instant) bool {
	if r := &e.residence; r.host != host || at.Before(r.from) || !at.Before(r.until) {
		in, until := e.fittings.within(e.in.Unit, host, at.Time())
		*r = residence{host: host, in: in, from: at, until: InstantOf(until)}
	}
	return e.residence.in
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
