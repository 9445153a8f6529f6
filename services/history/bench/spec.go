package bench

import (
	"math/big"

	"strandline.example/strandline/internal/measure"
)

// Spec is what one test asks for and how it is judged.
type Spec struct {
	ID       string
	Title    string
	Readings []Wanted
	Derived  []Derived // each may use the readings and what is derived before it
	Criteria []Criterion
}

// Bounds of a Spec and of what is read for it.
const (
	MaxReadings = 100
	MaxDerived  = 60
	MaxCriteria = 60
	MaxSamples  = 1000   // of a series
	MaxLength   = 1000   // characters of an expression
	MaxTogether = 10_000 // characters of all expressions of a Spec
	maxGuarded  = 100    // samples of a series from which an uncertainty is worked out
)

// Kind is what a reading is.
type Kind uint8

// The kinds of readings.
const (
	Value  Kind = iota + 1 // one quantity
	Series                 // quantities with the times at which they were read
	Choice                 // one of several words
	YesNo
	Count // a whole number of things
)

// String returns the kind in words.
func (k Kind) String() string {
	switch k {
	case Value:
		return "a quantity"
	case Series:
		return "a series"
	case Choice:
		return "a choice"
	case YesNo:
		return "yes or no"
	case Count:
		return "a count"
	}
	return "nothing"
}

// Wanted is a reading that a test asks for.
type Wanted struct {
	Name       string // by which expressions call it: letters, digits and _, beginning with a small letter
	Title      string
	Kind       Kind
	Unit       measure.Unit      // of a quantity or series: what it measures; it may be read in any unit of that dimension
	Reference  measure.Reference // of a pressure
	Choices    []string
	Optional   bool
	Instrument string // kind of the instrument it must be read with; empty if it may be read without one
	// Stated marks what is taken as it stands, such as a mark on the unit or the end of a scale: it has no uncertainty.
	Stated bool
}

// Derived is a quantity computed from readings.
type Derived struct {
	Name       string
	Title      string
	Expression string
	Unit       measure.Unit // in which it is given
	Reference  measure.Reference
}

// Op is how a measured quantity is compared with its limits.
type Op uint8

// The comparisons. A limit that the source says must not be exceeded is AtMost.
const (
	AtMost   Op = iota + 1 // the limit itself passes
	LessThan               // the limit itself fails
	AtLeast                // the limit itself passes
	MoreThan               // the limit itself fails
	Between                // both limits themselves pass
	Holds                  // no limit: the expression says yes or no
)

// String returns the comparison in words.
func (o Op) String() string {
	switch o {
	case AtMost:
		return "at most"
	case LessThan:
		return "less than"
	case AtLeast:
		return "at least"
	case MoreThan:
		return "more than"
	case Between:
		return "between"
	case Holds:
		return "holds"
	}
	return "nothing"
}

func (o Op) low() bool  { return o == AtLeast || o == MoreThan || o == Between }
func (o Op) high() bool { return o == AtMost || o == LessThan || o == Between }

// Bound is a limit: a quantity, or an expression that yields one, for a limit that is marked on the unit or depends on another reading.
type Bound struct {
	Quantity   measure.Quantity
	Expression string // if not empty, instead of the quantity
}

// Rule is a decision rule: how the uncertainty of a measured quantity is accounted for (JCGM 106:2012, clause 8).
type Rule uint8

// The decision rules.
const (
	// Simple accepts what is within the limits as measured (simple acceptance, JCGM 106 clause 8.2).
	Simple Rule = iota + 1
	// Guarded accepts what is within the limits by at least the guard band (guarded acceptance, JCGM 106 clause 8.3.2). What is within the limits by less is
	// inconclusive, and what is outside them fails.
	Guarded
	// GuardedBothWays accepts as Guarded does, and fails only what is outside the limits by at least the guard band (guarded rejection, JCGM 106 clause
	// 8.3.3). What lies between is inconclusive.
	GuardedBothWays
)

// String returns the rule in words.
func (r Rule) String() string {
	switch r {
	case Simple:
		return "simple acceptance"
	case Guarded:
		return "guarded acceptance"
	case GuardedBothWays:
		return "guarded acceptance and rejection"
	}
	return "no decision rule"
}

// Source says where a limit is from.
type Source struct {
	Document, Section, Edition string
	FromMemory                 bool // the figure was not compared with the document
}

// Criterion is what must hold.
type Criterion struct {
	ID    string
	Title string
	When  string // expression that yields true or false: where false, the criterion does not apply. Empty applies always
	Of    string // what is judged: a name, or an expression; with Holds one that yields true or false
	Op    Op
	Low   Bound // of AtLeast, MoreThan and Between
	High  Bound // of AtMost, LessThan and Between
	Rule  Rule
	// GuardFactor times the expanded uncertainty is the guard band: 1 if nil. Not used by Simple.
	GuardFactor *big.Rat
	// Uncertainty is the expanded uncertainty of what is judged, as a difference in its dimension. Nil has it worked out from the instruments.
	Uncertainty *measure.Quantity
	Source      Source
	Says        string // the requirement in a sentence
}
