package due

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"strandline.example/strandline/internal/civil"
)

// covers says whether the scope is for a unit while it is at a stay. The predicate is asked last: it is the dearest.
func (s *Scope) covers(f *Facts, at *Stay) bool {
	if len(s.Kinds) > 0 && !slices.Contains(s.Kinds, f.Kind) {
		return false
	}
	if len(s.Makers) > 0 && !slices.Contains(s.Makers, f.Maker) {
		return false
	}
	if len(s.Jurisdictions) > 0 && !slices.ContainsFunc(s.Jurisdictions, func(j string) bool { return covers(j, at.Jurisdiction) }) {
		return false
	}
	for key, values := range s.Attributes {
		if v, ok := f.Attributes[key]; !ok || !slices.Contains(values, v) {
			return false
		}
	}
	if s.Where == nil {
		return true
	}
	stay := *at // a copy: the caller's need not outlive it on the heap for the scopes without a predicate
	return s.Where.Covers(f, &stay)
}

// covers says whether jurisdiction j is, or contains, the other: US covers US-CA, and does not cover USX.
func covers(j, other string) bool {
	return j == other || len(other) > len(j) && other[len(j)] == '-' && strings.HasPrefix(other, j)
}

// revision is a pack revision and the days it is in force.
type revision struct {
	pack  *Pack
	from  civil.Date
	until civil.Mark // exclusive; zero for open
}

// inForce says whether the revision is in force on a day.
func (r *revision) inForce(on civil.Date) bool {
	return on >= r.from && (r.until.IsZero() || on < r.until.First())
}

// revisions appends the revisions published by known (zero for all) that are ever in force, by pack and first day.
func revisions(out []revision, packs []Pack, known time.Time) []revision {
	for i := range packs {
		if p := &packs[i]; known.IsZero() || !p.Published.After(known) {
			out = append(out, revision{pack: p, from: p.Effective})
		}
	}
	slices.SortFunc(out, func(a, b revision) int {
		return cmp.Or(strings.Compare(a.pack.ID, b.pack.ID), cmp.Compare(a.from, b.from), cmp.Compare(a.pack.Revision, b.pack.Revision),
			a.pack.Published.Compare(b.pack.Published))
	})
	kept := out[:0]
	for i := range out {
		if i+1 < len(out) && out[i+1].pack.ID == out[i].pack.ID {
			if out[i+1].from == out[i].from {
				continue // a higher revision of the same day
			}
			out[i].until = civil.Day(out[i+1].from)
		}
		kept = append(kept, out[i])
	}
	return kept
}

// stayAt returns the stay at an instant: the last that began by then, or the first of all.
func stayAt(stays []Stay, at time.Time) *Stay {
	var first, best *Stay
	for i := range stays {
		s := &stays[i]
		if first == nil || s.From.Before(first.From) {
			first = s
		}
		if !s.From.After(at) && (best == nil || !s.From.Before(best.From)) {
			best = s
		}
	}
	if best == nil {
		best = first
	}
	return best
}

// dateAt returns the civil date of an instant at the stay of that instant.
func dateAt(stays []Stay, at time.Time) civil.Date { return civil.In(at, stayAt(stays, at).zone()) }

// zone returns the stay's zone, and UTC for none.
func (s *Stay) zone() *time.Location {
	if s == nil || s.Zone == nil {
		return time.UTC
	}
	return s.Zone
}
