package bench

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"

	"strandline.example/strandline/internal/measure"
)

// TestProperties puts random tests to Judge and to the definitions of its decision rules in plain rationals: the order of readings and the units they are in change nothing; a
// guarded rule never passes what simple acceptance fails; what both rules say follows from distances to the limits alone.
func TestProperties(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(106, 2012))
	psi, bar, kPa := unit(t, "psi"), unit(t, "bar"), unit(t, "kPa")
	seen := map[string]int{}
	// whole is a number of hundredths of a psi.
	quantity := func(hundredths int64, ref measure.Reference) measure.Quantity {
		v, err := measure.Of(big.NewRat(hundredths, 100), psi, ref)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	rounds := 1500
	if testing.Short() {
		rounds = 600
	}
	for range rounds {
		low := 13000 + r.Int64N(400)
		high := low + r.Int64N(400)
		y := low - 100 + r.Int64N(high-low+200)
		u := r.Int64N(80)
		op := []Op{AtMost, LessThan, AtLeast, MoreThan, Between}[r.IntN(5)]
		rule := []Rule{Simple, Guarded, GuardedBothWays}[r.IntN(3)]
		k := Criterion{ID: "x", Of: "later - (later - earlier)", Op: op, Rule: rule}
		if op.low() {
			k.Low.Quantity = quantity(low, measure.Gauge)
		}
		if op.high() {
			k.High.Quantity = quantity(high, measure.Gauge)
		}
		spec := Spec{ID: "x", Title: "X", Criteria: []Criterion{k}, Readings: []Wanted{
			{Name: "earlier", Kind: Value, Unit: psi, Reference: measure.Gauge},
			{Name: "later", Kind: Value, Unit: bar, Reference: measure.Gauge, Stated: true},
		}}
		test := compiled(t, spec)
		first, second := quantity(y, measure.Gauge), quantity(14000, measure.Gauge)
		readings := []Reading{
			{Name: "earlier", Quantity: &first, Uncertain: &Uncertainty{Quantity: quantity(u, measure.Difference)}},
			{Name: "later", Quantity: &second},
		}
		j, problems := test.Judge(Input{Day: on, Readings: readings})
		if len(problems) > 0 {
			t.Fatal(problems)
		}
		want := decided(op, rule, y, low, high, u)
		if j.Verdict != want {
			t.Fatalf("%d %v %d..%d by %v with %d: %v, want %v: %s", y, op, low, high, rule, u, j.Verdict, want, j.Results[0].Sentence)
		}
		seen[fmt.Sprint(rule, want)]++
		// In another order and in other units.
		slices.Reverse(readings)
		for i := range readings {
			q, err := readings[i].Quantity.In([]measure.Unit{bar, kPa, psi}[r.IntN(3)])
			if err != nil {
				t.Fatal(err)
			}
			readings[i].Quantity = &q
		}
		again, problems := test.Judge(Input{Day: on, Readings: readings})
		if len(problems) > 0 || again.Verdict != j.Verdict || again.Results[0].Sentence != j.Results[0].Sentence {
			t.Fatalf("in other units: %v, want %v; %v", again, j, problems)
		}
	}
	for _, rule := range []Rule{Guarded, GuardedBothWays} {
		for _, v := range []Verdict{Pass, Fail, Inconclusive} {
			if seen[fmt.Sprint(rule, v)] < 20 {
				t.Errorf("%v came to %v only %d times", rule, v, seen[fmt.Sprint(rule, v)])
			}
		}
	}
}

// decided is what a rule says by its definition, in whole numbers.
func decided(op Op, rule Rule, y, low, high, u int64) Verdict {
	inside := map[Op]bool{AtMost: y <= high, LessThan: y < high, AtLeast: y >= low, MoreThan: y > low, Between: low <= y && y <= high}[op]
	if rule == Simple || u == 0 {
		if inside {
			return Pass
		}
		return Fail
	}
	accepted := map[Op]bool{AtMost: y <= high-u, LessThan: y < high-u, AtLeast: y >= low+u, MoreThan: y > low+u, Between: low+u <= y && y <= high-u}[op]
	rejected := map[Op]bool{AtMost: y >= high+u, LessThan: y >= high+u, AtLeast: y <= low-u, MoreThan: y <= low-u, Between: y >= high+u || y <= low-u}[op]
	switch {
	case accepted:
		return Pass
	case rule == Guarded && !inside, rule == GuardedBothWays && rejected:
		return Fail
	}
	return Inconclusive
}
