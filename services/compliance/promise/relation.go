package promise

// Relation is how one window lies to another: one of the thirteen relations of J. F. Allen, "Maintaining Knowledge about Temporal Intervals",
// Communications of the ACM 26(11), November 1983, pages 832 to 843. Of any two windows exactly one of them holds.
type Relation uint8

// The relations of a window to another. For half-open windows only the first four leave no instant to both.
const (
	Before       Relation = iota // it ends before the other starts
	After                        // it starts after the other ends
	Meets                        // it ends when the other starts
	MetBy                        // it starts when the other ends
	Overlaps                     // it starts first, and ends within
	OverlappedBy                 // it starts within, and ends last
	Starts                       // both start together, and it ends first
	StartedBy                    // both start together, and it ends last
	During                       // it starts later and ends sooner
	Contains                     // it starts sooner and ends later
	Finishes                     // both end together, and it starts last
	FinishedBy                   // both end together, and it starts first
	Equals                       // both start and end together
)

// Relate says how a lies to b. Both must end after they start.
func Relate(a, b Window) Relation {
	switch a.End.Compare(b.Start) {
	case -1:
		return Before
	case 0:
		return Meets
	}
	switch a.Start.Compare(b.End) {
	case 1:
		return After
	case 0:
		return MetBy
	}
	start, end := a.Start.Compare(b.Start), a.End.Compare(b.End)
	return overlapping[start+1][end+1]
}

// overlapping are the relations of windows with an instant in common, by whether the one starts before, with or after the other, and ends so.
var overlapping = [3][3]Relation{
	{Overlaps, FinishedBy, Contains},
	{Starts, Equals, StartedBy},
	{During, Finishes, OverlappedBy},
}

// Inverse returns how b lies to a where a lies so to b.
func (r Relation) Inverse() Relation {
	if r == Equals {
		return Equals
	}
	return r ^ 1
}

// Disjoint says whether windows that lie so have no instant in common.
func (r Relation) Disjoint() bool { return r <= MetBy }

// String returns the relation's name in words.
func (r Relation) String() string {
	return [...]string{
		"before", "after", "meets", "met by", "overlaps", "overlapped by", "starts", "started by", "during", "contains", "finishes", "finished by", "equals",
	}[r]
}
