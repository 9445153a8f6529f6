package due

// littleLate is over how many others one that comes late is put in its place.
const littleLate = 16

// order puts what happened in order. It comes in runs, one history after another, each of which is in order already as a rule: then
// runs are merged, which takes one comparison each.
type order[E any] struct {
	compare func(a, b *E) int
	all     []E
	starts  []int // of the runs, each ascending
	spare   []E
}

func (o *order[E]) reset() { o.all, o.starts = o.all[:0], o.starts[:0] }

// next begins a run.
func (o *order[E]) next() {
	if n := len(o.starts); n == 0 || o.starts[n-1] < len(o.all) {
		o.starts = append(o.starts, len(o.all))
	}
}

// add adds one to the present run: at its end, or a little before that, as what is logged late. One from long before begins a run.
func (o *order[E]) add(ev E) {
	n := len(o.all)
	o.all = append(o.all, ev)
	first := max(o.starts[len(o.starts)-1], n-littleLate)
	at := n
	for at > first && o.compare(&o.all[at-1], &o.all[n]) > 0 {
		at--
	}
	switch {
	case at == n:
	case at == first && first > o.starts[len(o.starts)-1] && o.compare(&o.all[at-1], &o.all[n]) > 0:
		o.starts = append(o.starts, n)
	default:
		copy(o.all[at+1:], o.all[at:n])
		o.all[at] = ev
	}
}

// sorted returns all in order. They are good until the next reset.
func (o *order[E]) sorted() []E {
	for len(o.starts) > 1 { // two by two
		o.spare = o.spare[:0]
		kept := 0
		for i := 0; i < len(o.starts); i += 2 {
			a := o.all[o.starts[i]:o.end(i)]
			var b []E
			if i+1 < len(o.starts) {
				b = o.all[o.starts[i+1]:o.end(i+1)]
			}
			o.starts[kept] = len(o.spare) // of runs that have been read
			kept++
			o.merge(a, b)
		}
		o.starts = o.starts[:kept]
		o.all, o.spare = o.spare, o.all
	}
	return o.all
}

// end returns where a run ends.
func (o *order[E]) end(run int) int {
	if run+1 < len(o.starts) {
		return o.starts[run+1]
	}
	return len(o.all)
}

// merge appends two runs to the spare as one.
func (o *order[E]) merge(a, b []E) {
	for len(a) > 0 && len(b) > 0 {
		if o.compare(&a[0], &b[0]) <= 0 {
			o.spare, a = append(o.spare, a[0]), a[1:]
		} else {
			o.spare, b = append(o.spare, b[0]), b[1:]
		}
	}
	o.spare = append(append(o.spare, a...), b...)
}

// forget drops every reference.
func (o *order[E]) forget() {
	clear(o.all[:cap(o.all)])
	clear(o.spare[:cap(o.spare)])
}

func compareEvents(a, b *event) int {
	if c := a.at.Compare(b.at); c != 0 {
		return c
	}
	return compareIDs(a.id, b.id)
}

func compareUses(a, b *use) int {
	if c := a.at.compare(b.at); c != 0 {
		return c
	}
	return compareIDs(a.entry, b.entry)
}
