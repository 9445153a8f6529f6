package systemtest

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"
)

// deed is what a call did, or tried to do.
type deed uint8

const (
	allocating deed = iota + 1 // of pinned units only: no other takes their place
	ending                     // releasing or returning an allocation
	handing                    // handing a unit out
	pulling                    // recording a failed test or a damage, placing a hold
	lifting                    // recording a pass, lifting a hold
	fitting
	unfitting
)

// fate is what became of a call, as far as its caller knows.
type fate uint8

const (
	done    fate = iota + 1
	refused      // it had no effect and never will
	unknown      // it may have had its effect, or have it yet, at any time
)

// call is one line of a recorded history: a call and its repeats, which are the same call. Begin and end are numbers of one counter, so that a call that
// ended before another began has the smaller numbers.
type call struct {
	deed       deed
	begin, end int64
	fate       fate
	unit       string
	host       string    // fitting
	allocation string    // allocating, ending, handing
	from, to   time.Time // allocating: the window
	hold       string    // pulling and lifting: what is pulled for; a lifting lifts all of that name that occurred before it
	occurred   time.Time // pulling and lifting
	replica    int       // handing: that was asked first
	shut       bool      // handing: it was answered that the gate is shut
}

// String tells the call in one line.
func (c *call) String() string {
	words := [...]string{allocating: "allocating", ending: "ending", handing: "handing out", pulling: "pulling", lifting: "lifting", fitting: "fitting", unfitting: "unfitting"}
	out := fmt.Sprintf("[%d to %d: %s %s", c.begin, c.end, words[c.deed], c.unit)
	for _, s := range []string{c.host, c.allocation, c.hold} {
		if s != "" {
			out += " " + s
		}
	}
	if !c.occurred.IsZero() {
		out += " of " + c.occurred.Format(time.RFC3339)
	}
	return out + "]"
}

// over is the latest number at which the call may have had its effect.
func (c *call) over() int64 {
	if c.fate == unknown {
		return math.MaxInt64
	}
	return c.end
}

// cut is a time in which a source could not be reached by a replica: calls that began after its begin and ended before its end met nothing of it.
type cut struct {
	begin, end int64
	replica    int // of compliance
}

// checkGate returns what in a recorded history must not have happened, whatever order calls that ran at once took effect in. It knows nothing of how the
// service works.
func checkGate(all []*call, cuts []cut) (bad []string) {
	by := map[deed]map[string][]*call{}
	for _, c := range all {
		if c.fate == refused && !(c.deed == handing && c.shut) {
			continue
		}
		if by[c.deed] == nil {
			by[c.deed] = map[string][]*call{}
		}
		key := c.unit
		if c.deed == ending {
			key = c.allocation
		}
		by[c.deed][key] = append(by[c.deed][key], c)
	}
	partsOf := map[string][]string{} // host -> whatever was ever fitted to it
	for part, fits := range by[fitting] {
		for _, f := range fits {
			if !slices.Contains(partsOf[f.host], part) {
				partsOf[f.host] = append(partsOf[f.host], part)
			}
		}
	}
	for unit, outs := range by[handing] {
		var given []*call
		for _, h := range outs {
			if h.fate == done {
				given = append(given, h)
			}
		}
		for _, h := range given {
			if p := pulledFor(by, unit, h); p != nil {
				bad = append(bad, fmt.Sprintf("%s was handed out by %v although it was pulled by %v", unit, h, p))
			}
			for _, part := range partsOf[unit] {
				if !fittedFor(by, part, unit, h) {
					continue
				}
				if p := pulledFor(by, part, h); p != nil {
					bad = append(bad, fmt.Sprintf("%s was handed out by %v although its part was pulled by %v", unit, h, p))
				}
			}
			for _, c := range cuts {
				if h.replica == c.replica && c.begin < h.begin && h.end < c.end {
					bad = append(bad, fmt.Sprintf("%s was handed out by %v although a source was cut off by %v", unit, h, c))
				}
			}
		}
		for i, a := range given {
			for _, b := range given[:i] {
				if a.allocation != b.allocation && !endedBetween(by, a, b) && !endedBetween(by, b, a) {
					bad = append(bad, fmt.Sprintf("%s was out by %v and by %v at once", unit, b, a))
				}
			}
		}
	}
	for unit, promised := range by[allocating] {
		for i, a := range promised {
			for _, b := range promised[:i] {
				if a.fate != done || b.fate != done || !a.from.Before(b.to) || !b.from.Before(a.to) {
					continue
				}
				if !endedBetween(by, a, b) && !endedBetween(by, b, a) {
					bad = append(bad, fmt.Sprintf("%s was promised by %v and by %v at once", unit, b, a))
				}
			}
		}
	}
	return bad
}

// pulledFor returns what certainly held a unit while a hand-out was under way: it was acknowledged before that began, and nothing was even tried to lift it
// before that ended. A lifting counts by when it is said to have happened, whenever it was recorded.
func pulledFor(by map[deed]map[string][]*call, unit string, h *call) *call {
	for _, p := range by[pulling][unit] {
		if p.fate != done || p.end >= h.begin {
			continue
		}
		if !slices.ContainsFunc(by[lifting][unit], func(l *call) bool { return l.hold == p.hold && l.occurred.After(p.occurred) && l.begin < h.end }) {
			return p
		}
	}
	return nil
}

// fittedFor says whether a part was certainly fitted to a host while a hand-out was under way.
func fittedFor(by map[deed]map[string][]*call, part, host string, h *call) bool {
	return slices.ContainsFunc(by[fitting][part], func(f *call) bool {
		return f.fate == done && f.host == host && f.end < h.begin &&
			!slices.ContainsFunc(by[unfitting][part], func(u *call) bool { return u.begin < h.end && u.over() > f.begin })
	})
}

// endedBetween says whether a's allocation may have ended after a took effect and before b did.
func endedBetween(by map[deed]map[string][]*call, a, b *call) bool {
	if b.end < a.begin {
		return false
	}
	return slices.ContainsFunc(by[ending][a.allocation], func(e *call) bool { return e.begin < b.end && e.over() > a.begin })
}

// TestCheckGate has the checker accept what may have happened, and find each thing that must not.
func TestCheckGate(t *testing.T) {
	t.Parallel()
	at := func(minute int) time.Time { return now.Add(time.Duration(minute) * time.Minute) }
	fail := func(begin, end int64, f fate, unit string, minute int) *call {
		return &call{deed: pulling, begin: begin, end: end, fate: f, unit: unit, hold: "leak-test", occurred: at(minute)}
	}
	pass := func(begin, end int64, f fate, unit string, minute int) *call {
		return &call{deed: lifting, begin: begin, end: end, fate: f, unit: unit, hold: "leak-test", occurred: at(minute)}
	}
	out := func(begin, end int64, f fate, unit, allocation string) *call {
		return &call{deed: handing, begin: begin, end: end, fate: f, unit: unit, allocation: allocation}
	}
	ends := func(begin, end int64, f fate, allocation string) *call {
		return &call{deed: ending, begin: begin, end: end, fate: f, allocation: allocation}
	}
	fit := func(begin, end int64, f fate, part, host string) *call {
		return &call{deed: fitting, begin: begin, end: end, fate: f, unit: part, host: host}
	}
	unfit := func(begin, end int64, f fate, part string) *call {
		return &call{deed: unfitting, begin: begin, end: end, fate: f, unit: part}
	}
	promised := func(begin, end int64, unit, allocation string, from, to int) *call {
		return &call{deed: allocating, begin: begin, end: end, fate: done, unit: unit, allocation: allocation, from: at(from), to: at(to)}
	}
	for name, c := range map[string]struct {
		calls []*call
		cuts  []cut
		bad   int
	}{
		"a failed test, then the hand-out":              {[]*call{fail(1, 2, done, "u", 1), out(3, 4, done, "u", "a")}, nil, 1},
		"and it was refused":                            {[]*call{fail(1, 2, done, "u", 1), out(3, 4, refused, "u", "a")}, nil, 0},
		"both at once":                                  {[]*call{fail(1, 4, done, "u", 1), out(3, 5, done, "u", "a")}, nil, 0},
		"the test was not acknowledged":                 {[]*call{fail(1, 2, unknown, "u", 1), out(3, 4, done, "u", "a")}, nil, 0},
		"the test was refused":                          {[]*call{fail(1, 2, refused, "u", 1), out(3, 4, done, "u", "a")}, nil, 0},
		"of another unit":                               {[]*call{fail(1, 2, done, "v", 1), out(3, 4, done, "u", "a")}, nil, 0},
		"lifted before":                                 {[]*call{fail(1, 2, done, "u", 1), pass(3, 4, done, "u", 2), out(5, 6, done, "u", "a")}, nil, 0},
		"perhaps lifted before":                         {[]*call{fail(1, 2, done, "u", 1), pass(3, 4, unknown, "u", 2), out(5, 6, done, "u", "a")}, nil, 0},
		"lifted while it went on":                       {[]*call{fail(1, 2, done, "u", 1), out(3, 6, done, "u", "a"), pass(4, 5, done, "u", 2)}, nil, 0},
		"lifted afterwards":                             {[]*call{fail(1, 2, done, "u", 1), out(3, 4, done, "u", "a"), pass(5, 6, done, "u", 2)}, nil, 1},
		"the pass was refused":                          {[]*call{fail(1, 2, done, "u", 1), pass(3, 4, refused, "u", 2), out(5, 6, done, "u", "a")}, nil, 1},
		"the pass was earlier than the failure":         {[]*call{fail(1, 2, done, "u", 5), pass(3, 4, done, "u", 2), out(5, 6, done, "u", "a")}, nil, 1},
		"the pass was recorded first, and later":        {[]*call{pass(1, 2, done, "u", 9), fail(3, 4, done, "u", 5), out(5, 6, done, "u", "a")}, nil, 0},
		"a pass of something else":                      {[]*call{fail(1, 2, done, "u", 1), {deed: lifting, begin: 3, end: 4, fate: done, unit: "u", hold: "inspection", occurred: at(9)}, out(5, 6, done, "u", "a")}, nil, 1},
		"of two failures one is lifted":                 {[]*call{fail(1, 2, done, "u", 1), fail(1, 2, done, "u", 7), pass(3, 4, done, "u", 2), out(5, 6, done, "u", "a")}, nil, 1},
		"of a part":                                     {[]*call{fit(1, 2, done, "p", "u"), fail(3, 4, done, "p", 1), out(5, 6, done, "u", "a")}, nil, 1},
		"fitted after it had failed":                    {[]*call{fail(1, 2, done, "p", 1), fit(3, 4, done, "p", "u"), out(5, 6, done, "u", "a")}, nil, 1},
		"of a part that was taken off":                  {[]*call{fit(1, 2, done, "p", "u"), fail(3, 4, done, "p", 1), unfit(5, 6, done, "p"), out(7, 8, done, "u", "a")}, nil, 0},
		"of a part that may have been taken off":        {[]*call{fit(1, 2, done, "p", "u"), fail(3, 4, done, "p", 1), unfit(5, 6, unknown, "p"), out(7, 8, done, "u", "a")}, nil, 0},
		"of a part that was taken off and fitted again": {[]*call{fit(1, 2, done, "p", "u"), fail(3, 4, done, "p", 1), unfit(5, 6, done, "p"), fit(7, 8, done, "p", "u"), out(9, 10, done, "u", "a")}, nil, 1},
		"an old attempt to take it off may come late":   {[]*call{unfit(1, 2, unknown, "p"), fit(3, 4, done, "p", "u"), fail(5, 6, done, "p", 1), out(9, 10, done, "u", "a")}, nil, 0},
		"of a part of another":                          {[]*call{fit(1, 2, done, "p", "v"), fail(3, 4, done, "p", 1), out(5, 6, done, "u", "a")}, nil, 0},
		"of a part that was perhaps fitted":             {[]*call{fit(1, 2, unknown, "p", "u"), fail(3, 4, done, "p", 1), out(5, 6, done, "u", "a")}, nil, 0},
		"a part is fitted while it goes on":             {[]*call{fail(1, 2, done, "p", 1), out(3, 6, done, "u", "a"), fit(4, 5, done, "p", "u")}, nil, 0},

		"out twice":                        {[]*call{out(1, 2, done, "u", "a"), out(3, 4, done, "u", "b")}, nil, 1},
		"out twice at once":                {[]*call{out(1, 4, done, "u", "a"), out(2, 3, done, "u", "b")}, nil, 1},
		"the same again":                   {[]*call{out(1, 2, done, "u", "a"), out(3, 4, done, "u", "a")}, nil, 0},
		"back in between":                  {[]*call{out(1, 2, done, "u", "a"), ends(3, 4, done, "a"), out(5, 6, done, "u", "b")}, nil, 0},
		"perhaps back in between":          {[]*call{out(1, 2, done, "u", "a"), ends(3, 4, unknown, "a"), out(5, 6, done, "u", "b")}, nil, 0},
		"back too late":                    {[]*call{out(1, 2, done, "u", "a"), out(3, 4, done, "u", "b"), ends(5, 6, done, "a")}, nil, 1},
		"the other is back":                {[]*call{out(1, 2, done, "u", "a"), ends(3, 4, done, "b"), out(5, 6, done, "u", "b")}, nil, 1},
		"the return was refused":           {[]*call{out(1, 2, done, "u", "a"), ends(3, 4, refused, "a"), out(5, 6, done, "u", "b")}, nil, 1},
		"out for one, and perhaps another": {[]*call{out(1, 2, done, "u", "a"), out(3, 4, unknown, "u", "b")}, nil, 0},

		"promised twice":                   {[]*call{promised(1, 2, "u", "a", 0, 60), promised(3, 4, "u", "b", 30, 90)}, nil, 1},
		"one after the other":              {[]*call{promised(1, 2, "u", "a", 0, 60), promised(3, 4, "u", "b", 60, 90)}, nil, 0},
		"given up in between":              {[]*call{promised(1, 2, "u", "a", 0, 60), ends(3, 4, done, "a"), promised(5, 6, "u", "b", 30, 90)}, nil, 0},
		"the first was the second":         {[]*call{promised(1, 9, "u", "a", 0, 60), promised(3, 4, "u", "b", 30, 90), ends(5, 6, done, "b")}, nil, 0},
		"given up afterwards":              {[]*call{promised(1, 2, "u", "a", 0, 60), promised(3, 4, "u", "b", 30, 90), ends(5, 6, done, "a")}, nil, 1},
		"of two units":                     {[]*call{promised(1, 2, "u", "a", 0, 60), promised(3, 4, "v", "b", 30, 90)}, nil, 0},
		"cut off the whole time":           {[]*call{out(3, 4, done, "u", "a")}, []cut{{1, 9, 0}}, 1},
		"cut off, and it was told so":      {[]*call{{deed: handing, begin: 3, end: 4, fate: refused, unit: "u", allocation: "a", shut: true}}, []cut{{1, 9, 0}}, 0},
		"cut off only towards the end":     {[]*call{out(3, 6, done, "u", "a")}, []cut{{4, 9, 0}}, 0},
		"another replica was cut off":      {[]*call{out(3, 4, done, "u", "a")}, []cut{{1, 9, 1}}, 0},
		"cut off, and nobody knows for it": {[]*call{out(3, 4, unknown, "u", "a")}, []cut{{1, 9, 0}}, 0},
	} {
		if bad := checkGate(c.calls, c.cuts); len(bad) != c.bad {
			t.Errorf("%s: found %d, want %d: %v", name, len(bad), c.bad, bad)
		}
	}
}
