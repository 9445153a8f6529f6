package compliance

import (
	"slices"
	"time"

	"strandline.example/strandline/services/compliance/chainview"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// ReadyDays returns the days of a view on which a set, which was made for its beginning, may be handed out all day long. Where something is known to
// happen later, it must be so as of the beginning and as of then: nothing is told ready on what will be overtaken.
func ReadyDays(set *Set, c *chainview.Calendar) (days chainview.Days) {
	all := []*Set{set}
	if set.Latest != nil {
		all = append(all, set.Latest)
	}
	var instants []time.Time
	for _, s := range all {
		instants = append(instants, edgesOf(s, c.Starts[0])...)
	}
	instants = append(instants, c.Starts...)
	slices.SortFunc(instants, time.Time.Compare)
	days = c.All()
	for i, at := range instants {
		if i > 0 && at.Equal(instants[i-1]) || !at.Before(c.Starts[c.Len()]) {
			continue
		}
		for _, s := range all {
			if st := due.Stand(s.Self, s.Parts, at); !st.MayHandOut {
				days = days.Less(c.Touched(at, at.Add(time.Microsecond)))
			}
		}
	}
	return days
}

// Certain says whether the stretch of a unit tells every day from an instant on.
func Certain(u *promise.Unit, at time.Time) bool { return !u.More && !u.Since.After(at) }
