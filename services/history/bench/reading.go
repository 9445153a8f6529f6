package bench

import (
	"math/big"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/measure"
)

// Reading is what was read. It holds what its kind asks for and nothing else.
type Reading struct {
	Name       string
	Quantity   *measure.Quantity
	Series     []Sample
	Choice     string
	Yes        *bool
	Count      *int64
	Instrument string       // id of the instrument it was read with; empty for none
	Uncertain  *Uncertainty // if it is stated for this reading; otherwise it is the instrument's
}

// Sample is one reading of a series.
type Sample struct {
	At    measure.Quantity // time since the series began
	Value measure.Quantity
}

// Basis is what an uncertainty in percent is a percentage of.
type Basis uint8

// The bases.
const (
	Plain       Basis = iota // a quantity as it stands
	OfReading                // a fraction of what was read
	OfFullScale              // a fraction of the instrument's full scale
)

// Uncertainty is an expanded uncertainty: a difference in the dimension of the reading, or a fraction of something.
type Uncertainty struct {
	Quantity measure.Quantity
	Of       Basis
	Coverage *big.Rat // coverage factor k; nil for the usual 2
}

// Instrument is what readings are read with, and its calibration as of the day of the test.
type Instrument struct {
	ID             string
	Kind           string
	Calibrated     civil.Mark // day of its last good calibration
	CalibrationDue civil.Mark // last day on which that holds
	OutOfTolerance bool       // a later calibration found that it reads wrongly
	FullScale      *measure.Quantity
	Uncertain      *Uncertainty
}

// Input is what Judge judges.
type Input struct {
	Day         civil.Date // on which the test was done
	Readings    []Reading
	Instruments []Instrument
	Ambient     *measure.Quantity // absolute pressure around the bench; nil if not measured
}
