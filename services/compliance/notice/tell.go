package notice

import (
	"bytes"
	"cmp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// Settling is how long after a unit was first seen nothing is told of it.
const Settling = time.Hour

const dueSoon = due.DueSoon

// Key names a rule on a unit.
type Key struct {
	Unit uuid.UUID
	Pack string
	Rule string
}

// Compare orders keys.
func (k Key) Compare(o Key) int {
	return cmp.Or(bytes.Compare(k.Unit[:], o.Unit[:]), strings.Compare(k.Pack, o.Pack), strings.Compare(k.Rule, o.Rule))
}

// Place is where a unit is.
type Place struct {
	Shop string
	Zone *time.Location
}

// Row is a rule on a unit: where it stood when last looked at, and what time will make of it. In the zero Row nothing runs.
type Row struct {
	Place
	Standing
	Plan []Step // in order; all after what Standing is of
}

// Next returns when the row's next step takes effect; zero if there is none.
func (r *Row) Next() time.Time {
	if len(r.Plan) == 0 {
		return time.Time{}
	}
	return r.Plan[0].On.Start(r.Zone).UTC()
}

// Rule is a rule's clocks on a unit, one for each revision.
type Rule struct {
	Pack, Rule string
	Clocks     []due.Clock
}

// News is what is known of a unit since something became known of it.
type News struct {
	At           time.Time // when it became known
	Place        Place
	Commissioned civil.Mark
	Rules        []Rule // that run on it; none on a unit that is retired or condemned
}

// Batch is what Tell works on. Rows hold every row whose next step takes effect by Until, and every row of the units in News. Shops
// hold every shop for which something is to be done by Until.
type Batch struct {
	Told   time.Time // everything up to here was told before
	Until  time.Time // tell everything up to here
	Number int64     // of the last notice
	Rows   map[Key]Row
	News   map[uuid.UUID]News // by unit; each At is not after Until
	Seen   map[uuid.UUID]time.Time
	Shops  map[string]*Shop // changed in place
}

// Change is one notice.
type Change struct {
	Number int64
	Key
	Place
	From, To Standing
	At       time.Time  // when it took effect
	On       civil.Date // the day of that at the shop
}

// Result is what Tell comes to.
type Result struct {
	Changes []Change
	Digests []Digest
	Rows    map[Key]Row       // as they are after Until; those in which nothing runs or will run are zero
	Counts  map[string]Counts // by shop: what to add to its standing counts
	Number  int64             // of the last notice
}

// event is something that takes effect at an instant: a shop's day ends, its digest is due, or a row changes.
type event struct {
	at    time.Time
	order int // among those of one instant: shops first
	shop  string
	key   Key
	from  Row
	to    Row
	quiet bool
}

// Tell plays a batch and returns what is to be told and kept. What became known before Told, in a transaction that ended late, counts
// from Told on: notices are numbered in the order in which they take effect.
func Tell(b *Batch) Result {
	res := Result{Rows: make(map[Key]Row, len(b.Rows)), Counts: map[string]Counts{}, Number: b.Number}
	var events []event
	for key, row := range b.Rows {
		until := b.Until
		if n, ok := b.News[key.Unit]; ok {
			until = later(n.At, b.Told)
		}
		events, row = b.walk(events, key, row, until)
		res.Rows[key] = row
	}
	for unit, n := range b.News {
		events = b.hear(events, unit, n, res.Rows)
	}
	for _, s := range b.Shops {
		// A day is at least some hours long, so this ends.
		for at := *s; !at.Next().After(b.Until); at.pass() {
			events = append(events, event{at: later(at.Next(), b.Told), shop: s.ID})
		}
	}
	slices.SortStableFunc(events, func(x, y event) int {
		return cmp.Or(x.at.Compare(y.at), cmp.Compare(x.order, y.order), strings.Compare(x.shop, y.shop), x.key.Compare(y.key))
	})
	for i := range events {
		if e := &events[i]; e.shop != "" {
			res.shop(b.Shops[e.shop])
		} else {
			res.change(b, e)
		}
	}
	return res
}

// walk adds the steps of a row that take effect up to an instant, and returns the row after them.
func (b *Batch) walk(events []event, key Key, row Row, until time.Time) ([]event, Row) {
	for next := row.Next(); !next.IsZero() && !next.After(until); next = row.Next() {
		to := Row{Place: row.Place, Standing: row.Plan[0].Standing, Plan: row.Plan[1:]}
		events = b.add(events, next, key, row, to)
		row = to
	}
	return events, row
}

// hear adds what became known of a unit, and what time makes of it since.
func (b *Batch) hear(events []event, unit uuid.UUID, n News, rows map[Key]Row) []event {
	at := later(n.At, b.Told)
	on := civil.In(at, n.Place.Zone)
	stopped := map[Key]Row{}
	for key, row := range rows {
		if key.Unit == unit {
			stopped[key] = row
		}
	}
	for i := range n.Rules {
		r := &n.Rules[i]
		key := Key{unit, r.Pack, r.Rule}
		to := Row{Place: n.Place}
		to.Standing, to.Plan = Course(r.Clocks, n.Commissioned, on)
		events = b.add(events, at, key, stopped[key], to)
		events, rows[key] = b.walk(events, key, to, b.Until)
		delete(stopped, key)
	}
	for key, row := range stopped {
		to := Row{Place: n.Place}
		events = b.add(events, at, key, row, to)
		rows[key] = Row{}
	}
	return events
}

func (b *Batch) add(events []event, at time.Time, key Key, from, to Row) []event {
	seen, ok := b.Seen[key.Unit]
	return append(events, event{at: at, order: 1, key: key, from: from, to: to, quiet: !ok || at.Before(seen.Add(Settling))})
}

// pass takes a shop past what is next, as far as the order of its events goes.
func (s *Shop) pass() {
	if s.Closed {
		s.Day, s.Closed = nextDay(s.Day, s.Zone), false
	} else {
		s.Closed = true
	}
}

// shop closes the shop's day, or tells the one that was closed.
func (r *Result) shop(s *Shop) {
	if s.Closed {
		r.Digests = append(r.Digests, Digest{Shop: s.ID, Day: s.Day, At: DigestTime(s.Day, s.Zone), After: s.Upto, Upto: r.Number, Counts: s.AtClose})
		s.Upto = r.Number
	} else {
		s.AtClose = s.Standing
	}
	s.pass()
}

// change tells a change of a row, unless there is nothing to tell, and counts it.
func (r *Result) change(b *Batch, e *event) {
	count := func(row Row, n int64) {
		if !row.Runs() {
			return
		}
		c := r.Counts[row.Shop]
		c.add(row.Standing, n)
		r.Counts[row.Shop] = c
		if s := b.Shops[row.Shop]; s != nil {
			s.Standing.add(row.Standing, n)
		}
	}
	count(e.from, -1)
	count(e.to, 1)
	if e.quiet || e.from.same(e.to.Standing) {
		return
	}
	r.Number++
	r.Changes = append(r.Changes, Change{Number: r.Number, Key: e.key, Place: e.to.Place, From: e.from.Standing, To: e.to.Standing, At: e.at, On: civil.In(e.at, e.to.Zone)})
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
