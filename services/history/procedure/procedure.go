package procedure

import (
	"slices"
	"strings"

	"strandline.example/strandline/internal/measure"
	"strandline.example/strandline/services/history/bench"
)

// Procedure is how one kind of work is done on one kind of gear, in one revision. It does not change.
type Procedure struct {
	ID            string
	Revision      int
	Title         string
	Kinds         []string
	Models        []string // empty: all of the kinds
	Purpose       string   // what an order of it is for
	Activities    []string // that a signed order has performed
	Qualification string   // the activity that whoever signs is qualified for
	Stations      []Station
	Cautions      []string
	Parts         []Part
	Tests         []Test
	Steps         []Step
}

// Station is an activity that only an approved station may perform.
type Station struct {
	Activity      string
	Jurisdictions []string // empty: everywhere
	Source        bench.Source
}

// Policy is what becomes of a part that is taken out.
type Policy uint8

// The policies.
const (
	Replace Policy = iota + 1 // discarded; a new one from a lot goes in
	IfWorn                    // goes back in, or is replaced by one from a lot
	Refit                     // the same one goes back in
)

// Part is a part that steps remove and fit.
type Part struct {
	ID, Title string
	Policy    Policy
}

// Count is so many of a part.
type Count struct {
	Part  string
	Count int
}

// Out is what a measured quantity beyond a bound means.
type Out uint8

// What it means. The zero Out is for a bound that is not there.
const (
	Refuse Out = iota + 1 // the order cannot be signed with it
	Flag                  // whoever signs is told
)

// Bound is a quantity that a step measures. A quantity at a bound is within it.
type Bound struct {
	ID, Title string
	Least     *measure.Quantity // nil for none
	Below     Out
	Most      *measure.Quantity // nil for none
	Above     Out
	Source    bench.Source
}

// Beyond is a bound that a measured quantity is beyond. The zero Beyond is none.
type Beyond struct {
	Out   Out
	Limit measure.Quantity
	Below bool // less than the least; otherwise more than the most
}

// String says it: `more than 1 mm`.
func (b Beyond) String() string {
	if b.Below {
		return "less than " + b.Limit.String()
	}
	return "more than " + b.Limit.String()
}

// Judge compares a measured quantity with the bounds, exactly, and returns the one that it is beyond. It fails on a quantity of another dimension
// or reference.
func (b *Bound) Judge(q measure.Quantity) (Beyond, error) {
	if b.Least != nil {
		if c, err := q.Cmp(*b.Least); err != nil || c < 0 {
			return Beyond{b.Below, *b.Least, true}, err
		}
	}
	if b.Most != nil {
		if c, err := q.Cmp(*b.Most); err != nil || c > 0 {
			return Beyond{b.Above, *b.Most, false}, err
		}
	}
	return Beyond{}, nil
}

// Refuses says whether a quantity beyond one of the bounds keeps the order from being signed.
func (b *Bound) Refuses() bool { return b.Below == Refuse || b.Above == Refuse }

// StepTest is a test that a step runs.
type StepTest struct {
	Test    string
	AsFound bool // it need not have passed for the order to be signed
}

// Step is one step.
type Step struct {
	ID, Do       string
	When         string   // in which case it is done; empty: always
	Kinds        []string // of equipment that it is for; empty: all of the procedure's
	Tools        []string
	Cautions     []string
	Inspect      []string
	Bounds       []Bound
	Removes      []Count
	Fits         []Count
	Tests        []StepTest
	Critical     bool
	SecondPerson bool
	Sources      []bench.Source
}

// For says whether the step is for a kind of equipment that its procedure is for.
func (s *Step) For(kind string) bool { return len(s.Kinds) == 0 || slices.Contains(s.Kinds, kind) }

// Bound returns a bound by its id; nil if there is none.
func (s *Step) Bound(id string) *Bound {
	if i := slices.IndexFunc(s.Bounds, func(b Bound) bool { return b.ID == id }); i >= 0 {
		return &s.Bounds[i]
	}
	return nil
}

// Test returns which of its tests has an id; nil if none.
func (s *Step) Test(id string) *StepTest {
	if i := slices.IndexFunc(s.Tests, func(t StepTest) bool { return t.Test == id }); i >= 0 {
		return &s.Tests[i]
	}
	return nil
}

// Step returns a step by its id; nil if there is none.
func (p *Procedure) Step(id string) *Step {
	if i := slices.IndexFunc(p.Steps, func(s Step) bool { return s.ID == id }); i >= 0 {
		return &p.Steps[i]
	}
	return nil
}

// Part returns a part by its id; nil if there is none.
func (p *Procedure) Part(id string) *Part {
	if i := slices.IndexFunc(p.Parts, func(q Part) bool { return q.ID == id }); i >= 0 {
		return &p.Parts[i]
	}
	return nil
}

// Test returns a test by its id; nil if there is none.
func (p *Procedure) Test(id string) *Test {
	if i := slices.IndexFunc(p.Tests, func(t Test) bool { return t.ID == id }); i >= 0 {
		return &p.Tests[i]
	}
	return nil
}

// Covers says whether the procedure is for a unit of a kind and model.
func (p *Procedure) Covers(kind, model string) bool {
	return slices.Contains(p.Kinds, kind) && (len(p.Models) == 0 || slices.Contains(p.Models, model))
}

// StationWork returns which of the activities only an approved station may perform in a jurisdiction. Where that is not known, empty, all of
// them count.
func (p *Procedure) StationWork(jurisdiction string) (out []Station) {
	for _, s := range p.Stations {
		if len(s.Jurisdictions) == 0 || jurisdiction == "" || slices.ContainsFunc(s.Jurisdictions, func(j string) bool {
			return jurisdiction == j || strings.HasPrefix(jurisdiction, j+"-")
		}) {
			out = append(out, s)
		}
	}
	return out
}
