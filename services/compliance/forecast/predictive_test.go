package forecast

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// TestPublished compares with worked examples of the gamma-Poisson model. The data and posteriors are those of textbooks (a prior
// Gamma(10, 2) with the counts 6, 2, 2, 1; and the survey of births with a prior Gamma(2, 1), from memory); the chances were computed
// from the negative binomial's definition apart from this code. No published table of its predictive chances was found.
func TestPublished(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		p    Predictive
		of   float64
		want []float64 // chances of exactly 0, 1, 2 …
		tail float64   // and of more; 0 if not given
	}{
		{"Gamma(10, 2), 6 2 2 1", Predictive{10 + 11, 2 + 4}, 1, []float64{0.039275, 0.117825, 0.185154, 0.202788, 0.173818, 0.124156}, 0.156984},
		{"111 people, 217 births", Predictive{2 + 217, 1 + 111}, 1, []float64{0.1427, 0.2767, 0.2693}, 0},
		{"44 people, 66 births", Predictive{2 + 66, 1 + 44}, 1, []float64{0.2243, 0.3316, 0.2487}, 0},
	} {
		digits := 5e-5
		if c.tail > 0 {
			digits = 5e-7
			if got := c.p.AtLeast(float64(len(c.want)), c.of); math.Abs(got-c.tail) > digits {
				t.Errorf("%s: %d or more: %.7f, want %.6f", c.name, len(c.want), got, c.tail)
			}
			if m, v := c.p.Mean(1), c.p.Variance(1); math.Abs(m-3.5) > 1e-9 || math.Abs(v-4.0833) > 5e-5 {
				t.Errorf("%s: mean %v and variance %v, want 3.5 and 4.0833", c.name, m, v)
			}
		}
		for n, want := range c.want {
			n := float64(n)
			if got := c.p.AtLeast(n, c.of) - c.p.AtLeast(n+1, c.of); math.Abs(got-want) > digits {
				t.Errorf("%s: %v: %.7f, want %v", c.name, n, got, want)
			}
			if got := math.Exp(c.p.logDensity(n, c.of)); math.Abs(got-want) > digits {
				t.Errorf("%s: density at %v: %.7f, want %v", c.name, n, got, want)
			}
		}
	}

	// A fleet's unit: prior Gamma(2, 1) a week, 26 dives in 10 weeks, 20 dives left.
	p := Predictive{28, 11}
	if got := p.AtLeast(20, 8); math.Abs(got-0.5309) > 5e-5 {
		t.Errorf("20 or more in 8 weeks: %.6f, want 0.5309", got)
	}
	if m, v := p.Mean(8), p.Variance(8); math.Abs(m-20.36) > 5e-3 || math.Abs(v-35.17) > 5e-3 {
		t.Errorf("mean %v and variance %v, want 20.36 and 35.17", m, v)
	}
	for chance, want := range map[float64]float64{0.9: 28, 0.95: 31} {
		n := 0.0
		for 1-p.AtLeast(n+1, 8) < chance {
			n++
		}
		if n != want {
			t.Errorf("the %v quantile of 8 weeks is %v, want %v", chance, n, want)
		}
	}
	for week, want := range map[float64]float64{5: 0.0675, 6: 0.1862} {
		if got := p.AtLeast(20, week); math.Abs(got-want) > 5e-5 {
			t.Errorf("20 or more in %v weeks: %.6f, want %v", week, got, want)
		}
	}
}

// TestAgainstLibrary compares with gonum's distributions in three ways: as a Poisson count whose rate is gamma distributed (integrated over
// the rate), as the F distribution that the waiting time follows, and as a binomial tail.
func TestAgainstLibrary(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(7, 7))
	for range sample(2_000) {
		p := Predictive{Shape: math.Exp(rng.Float64()*6 - 0.5), Rate: math.Exp(rng.Float64()*8 - 4)}
		n, of := float64(1+rng.IntN(120)), math.Exp(rng.Float64()*8-4)
		got := p.AtLeast(n, of)
		// Waiting for n events takes Rate·n/Shape·F(2n, 2·Shape).
		if want := (distuv.F{D1: 2 * n, D2: 2 * p.Shape}).CDF(of / p.Rate * p.Shape / n); math.Abs(got-want) > 1e-9 {
			t.Fatalf("%+v, %v in %v: %v, the F distribution has %v", p, n, of, got, want)
		}
		g := distuv.Gamma{Alpha: p.Shape, Beta: p.Rate}
		want := quad.Fixed(func(u float64) float64 {
			lambda := g.Quantile(u) * of
			return 1 - distuv.Poisson{Lambda: lambda}.CDF(n-1)
		}, 0, 1, 200, nil, 0)
		if math.Abs(got-want) > 2e-3 {
			t.Fatalf("%+v, %v in %v: %v, the mixture of Poisson counts has %v", p, n, of, got, want)
		}
		p.Shape = math.Ceil(p.Shape)
		// At least n events before the Shape-th of another kind: of n+Shape-1 trials at least n are events.
		b := distuv.Binomial{N: n + p.Shape - 1, P: of / (of + p.Rate)}
		if got, want := p.AtLeast(n, of), 1-b.CDF(n-1); math.Abs(got-want) > 1e-9 {
			t.Fatalf("%+v, %v in %v: %v, the binomial has %v", p, n, of, got, want)
		}
	}
}

// TestAgainstRationals adds up the negative binomial's chances in exact rational numbers (math/big).
func TestAgainstRationals(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ shape, rate, of, n int64 }{{28, 11, 8, 20}, {1, 1, 1, 1}, {3, 7, 2, 5}, {100, 30, 10, 60}, {2, 365, 30, 3}, {250, 90, 365, 900}} {
		x := big.NewRat(c.of, c.of+c.rate)
		term := big.NewRat(1, 1)
		for range c.shape {
			term.Mul(term, big.NewRat(c.rate, c.of+c.rate))
		}
		left := big.NewRat(1, 1)
		for n := int64(0); n < c.n; n++ {
			left.Sub(left, term)
			term.Mul(term, x).Mul(term, big.NewRat(c.shape+n, n+1))
		}
		want, _ := left.Float64()
		if got := (Predictive{float64(c.shape), float64(c.rate)}).AtLeast(float64(c.n), float64(c.of)); math.Abs(got-want) > 1e-12 {
			t.Errorf("%+v: %v, want %v", c, got, want)
		}
	}
}

// TestExtremes asks at the ends: no panic, no chance outside 0 to 1, and more exposure never makes it less likely.
func TestExtremes(t *testing.T) {
	t.Parallel()
	values := []float64{0, 1e-300, 1e-9, 0.3, 1, 7, 1e3, 1e6, 1e9, 1e300, math.Inf(1), math.NaN(), -1}
	for _, shape := range values {
		for _, rate := range values {
			for _, n := range values {
				last := 0.0
				for _, of := range values {
					got := (Predictive{shape, rate}).AtLeast(n, of)
					if math.IsNaN(got) || got < 0 || got > 1 {
						t.Fatalf("Gamma(%v, %v), %v in %v: %v", shape, rate, n, of, got)
					}
					if of >= 0 && shape <= 1e6 && n <= 1e6 {
						if got < last-1e-9 {
							t.Fatalf("Gamma(%v, %v), %v in %v: %v after %v", shape, rate, n, of, got, last)
						}
						last = got
					}
				}
			}
		}
	}
}
