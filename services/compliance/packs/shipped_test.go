package packs

import (
	"math"
	"testing"

	"strandline.example/strandline/services/compliance/due"
)

// shipped returns every pack that is shipped, by id, in its last revision, and fails for one that is not what it should be.
func shipped(t *testing.T) map[string]due.Pack {
	t.Helper()
	out := map[string]due.Pack{}
	for _, d := range documents(t, Shipped) {
		out[d.ID] = d.Pack
	}
	return out
}

// documents returns every revision of every pack of a library. No two packs have the same title.
func documents(t *testing.T, l Library) (out []Document) {
	t.Helper()
	ids, err := l.IDs()
	if err != nil || len(ids) == 0 {
		t.Fatalf("no packs: %v", err)
	}
	titles := map[string]string{}
	for _, id := range ids {
		docs, _, err := l.Pack(id)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range docs {
			if err := publishable(d); err != nil || d.ID != id {
				t.Errorf("%s holds the pack %s: %v", id, d.ID, err)
			}
			if other, ok := titles[d.Message.GetTitle()]; ok && other != id {
				t.Errorf("%s has the title of %s: %q", id, other, d.Message.GetTitle())
			}
			titles[d.Message.GetTitle()] = id
		}
		out = append(out, docs...)
	}
	return out
}

// TestFilterWeights compares the table of the compressor's filter with Buck's equation for saturated vapour over water (A. L. Buck,
// J. Appl. Meteorol. 20, 1981, in the form of 1996): each step carries the water content at its warmest temperature, over that at
// 20 degrees, rounded up.
func TestFilterWeights(t *testing.T) {
	t.Parallel()
	water := func(celsius float64) float64 { // g/m3, up to a factor that falls out
		return 6.1121 * math.Exp((18.678-celsius/234.5)*celsius/(257.14+celsius)) / (celsius + 273.15)
	}
	var weights []due.Weight
	for _, r := range shipped(t)["house-practice"].Rules {
		if r.ID == "compressor-filter" {
			weights = r.Weights
		}
	}
	if len(weights) != 9 {
		t.Fatalf("%d steps, want 9", len(weights))
	}
	for i, w := range weights {
		warmest := float64(10 + 5*i)
		if i > 0 && float64(w.Celsius) != warmest-4 {
			t.Errorf("step %d begins at %d degrees, want %g", i, w.Celsius, warmest-4)
		}
		if want := int32(math.Ceil(100*water(warmest)/water(20) - 1e-9)); w.Percent != want {
			t.Errorf("up to %g degrees an hour counts as %d hundredths, want %d", warmest, w.Percent, want)
		}
	}
}
