package forecast

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Predictive is what is known of a rate of events: it is gamma distributed with this shape and rate. The number of events
// that an exposure brings is then negative binomial, and the exposure that a number of events takes is beta prime: both
// say the same of "n events within an exposure", and this type says that.
type Predictive struct {
	Shape float64 // events
	Rate  float64 // exposure
}

// AtLeast returns the chance of n or more events within an exposure. Between whole numbers, which have no meaning as counts, it
// goes steadily from one to the next, as the incomplete beta function does.
func (p Predictive) AtLeast(n, exposure float64) float64 {
	switch {
	case n <= 0:
		return 1
	case !(exposure > 0) || !(p.Shape > 0) || math.IsInf(n, 1):
		return 0
	case !(p.Rate > 0) || math.IsInf(exposure, 1):
		return 1
	}
	x := exposure / (exposure + p.Rate)
	if !(x > 0) {
		return 0
	}
	c := mathext.RegIncBeta(n, p.Shape, x)
	if math.IsNaN(c) {
		return 0
	}
	return min(1, max(0, c))
}

// Mean returns the mean number of events within an exposure.
func (p Predictive) Mean(exposure float64) float64 { return p.Shape / p.Rate * exposure }

// Variance returns the variance of the number of events within an exposure.
func (p Predictive) Variance(exposure float64) float64 {
	q := exposure / p.Rate
	return p.Shape * q * (1 + q)
}

// blur returns the rate with the same mean, known less well: the square of its coefficient of variation is larger by v.
func (p Predictive) blur(v float64) Predictive {
	by := 1 + p.Shape*v
	return Predictive{p.Shape / by, p.Rate / by}
}

// logDensity returns the logarithm of the chance of n events within an exposure, for n that need not be whole.
func (p Predictive) logDensity(n, exposure float64) float64 {
	lg := func(x float64) float64 { v, _ := math.Lgamma(x); return v }
	sum := exposure + p.Rate
	out := lg(n+p.Shape) - lg(n+1) - lg(p.Shape) + p.Shape*math.Log(p.Rate/sum)
	if n > 0 {
		out += n * math.Log(exposure/sum)
	}
	return out
}
