package due

import "slices"

// fewRuns is how many ascending runs are merged rather than sorted.
const fewRuns = 8

// littleLate is over how many events one that comes late is put in its place.
const littleLate = 16

// order puts events in order. They come in runs, one slice of entries after another, each of which is in order already as a rule: then
// runs are merged, which takes one comparison an event.
type order struct {
	events []event
	starts []int // of the runs, each ascending
	spare  []event
}

func (o *order) reset() { o.events, o.starts = o.events[:0], o.starts[:0] }

// next begins a run.
func (o *order) next() {
	if n := len(o.starts); n == 0 || o.starts[n-1] < len(o.events) {
		o.starts = append(o.starts, len(o.events))
	}
}

// add adds an event to the present run: at its end, or a little before that, as what is logged late. One from long before begins a run.
func (o *order) add(ev event) {
	n := len(o.events)
	o.events = append(o.events, ev)
	first := max(o.starts[len(o.starts)-1], n-littleLate)
	at := n
	for at > first && compareEvents(&o.events[at-1], &ev) > 0 {
		at--
	}
	switch {
	case at == n:
	case at == first && first > o.starts[len(o.starts)-1] && compareEvents(&o.events[at-1], &ev) > 0:
		o.starts = append(o.starts, n)
	default:
		copy(o.events[at+1:], o.events[at:n])
		o.events[at] = ev
	}
}

// sorted returns all events in order: by instant, those of one instant by id. They are good until the next reset.
func (o *order) sorted() []event {
	if len(o.starts) > fewRuns {
		slices.SortFunc(o.events, func(a, b event) int { return compareEvents(&a, &b) })
		return o.events
	}
	for len(o.starts) > 1 { // two by two
		o.spare = o.spare[:0]
		kept := 0
		for i := 0; i < len(o.starts); i += 2 {
			a := o.events[o.starts[i]:o.end(i)]
			var b []event
			if i+1 < len(o.starts) {
				b = o.events[o.starts[i+1]:o.end(i+1)]
			}
			o.starts[kept] = len(o.spare) // of runs that have been read
			kept++
			o.merge(a, b)
		}
		o.starts = o.starts[:kept]
		o.events, o.spare = o.spare, o.events
	}
	return o.events
}

// end returns where a run ends.
func (o *order) end(run int) int {
	if run+1 < len(o.starts) {
		return o.starts[run+1]
	}
	return len(o.events)
}

// merge appends two runs to the spare as one.
func (o *order) merge(a, b []event) {
	for len(a) > 0 && len(b) > 0 {
		if compareEvents(&a[0], &b[0]) <= 0 {
			o.spare, a = append(o.spare, a[0]), a[1:]
		} else {
			o.spare, b = append(o.spare, b[0]), b[1:]
		}
	}
	o.spare = append(append(o.spare, a...), b...)
}

// forget drops every reference into the entries.
func (o *order) forget() {
	clear(o.events[:cap(o.events)])
	clear(o.spare[:cap(o.spare)])
}

func compareEvents(a, b *event) int {
	if c := a.at.Compare(b.at); c != 0 {
		return c
	}
	return compareIDs(a.id, b.id)
}
