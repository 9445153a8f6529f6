package due_test

import (
	"math/big"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// weighed returns a usage as the rule counts it. Running time counts by the step of the table for the temperature of the air drawn in,
// and by the heaviest step where that is not known or below the first; a part of a nanosecond counts as a whole one.
func (k *wRule) weighed(t *told) [3]int64 {
	n := t.counts
	if len(k.weights) == 0 {
		return n
	}
	heaviest, percent := 0, 0
	for i, step := range k.weights {
		heaviest = max(heaviest, step[1])
		if t.celsius != noCelsius && t.celsius >= step[0] && (i == len(k.weights)-1 || t.celsius < k.weights[i+1][0]) {
			percent = step[1]
		}
	}
	if percent == 0 {
		percent = heaviest
	}
	whole, rest := n[1]*int64(percent)/100, n[1]*int64(percent)%100
	if rest > 0 {
		whole++
	}
	n[1] = whole
	return n
}

// TestOracleWeights compares histories in which running time is weighed by temperature.
func TestOracleWeights(t *testing.T) {
	compare(t, 2_000, weights, func(c *due.Clock, s *due.Standing, _ *world) string {
		switch {
		case len(c.Rule.Weights) == 0 || c.Used.Hours == 0:
			return ""
		case c.Limit.Hours > 0 && c.Used.Hours >= c.Limit.Hours:
			return "weighed over the limit"
		}
		return "weighed"
	}, "weighed", "weighed over the limit")
}

// TestWeightsAreExact compares single uses of any length, the longest too, with arithmetic in big integers.
func TestWeightsAreExact(t *testing.T) {
	r := rand.New(rand.NewPCG(20261126, 1))
	for range sample(20_000) {
		percent := int32(1 + r.IntN(10_000))
		ran := time.Duration(1 + r.Int64N(1<<(1+r.IntN(62))))
		rule := due.Rule{ID: "r", Activity: "filter-change", Limit: due.Amount{Hours: time.Hour}, Weights: []due.Weight{{Celsius: 10, Percent: percent}}, Blocks: due.Fill}
		h := newHistory(t, rule)
		h.in.Entries = []due.Entry{{ID: uuid.New(), Unit: unitID(1), Kind: due.UsageEntry, Amount: due.Amount{Hours: ran}, Celsius: 20, HasCelsius: true, Occurred: begin}}
		want := new(big.Int).Mul(big.NewInt(int64(ran)), big.NewInt(int64(percent)))
		want.Add(want, big.NewInt(99)).Div(want, big.NewInt(100))
		if !want.IsInt64() {
			want.SetInt64(1<<63 - 1) // the longest there is
		}
		if got := h.derive().Clocks[0].Used.Hours; int64(got) != want.Int64() {
			t.Fatalf("%d %% of %d ns: %d, want %v", percent, ran, got, want)
		}
	}
}
