package packs

import (
	"io/fs"
	"math"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"buf.build/go/protoyaml"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// shipped returns every pack that is shipped, by id, and fails for one that is not what it should be.
func shipped(t *testing.T) map[string]due.Pack {
	t.Helper()
	names, err := fs.Glob(Files, "*.yaml")
	if err != nil || len(names) == 0 {
		t.Fatalf("no packs: %v", err)
	}
	out, titles := map[string]due.Pack{}, map[string]string{}
	for _, name := range names {
		raw, err := Files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		p := &compliancepb.RulePack{}
		if err := (protoyaml.UnmarshalOptions{Path: name}).Unmarshal(raw, p); err != nil {
			t.Fatal(err)
		}
		if err := protovalidate.Validate(p); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		id := strings.TrimSuffix(name, ".yaml")
		pack, vs := Of(id, "rule_pack", p)
		if len(vs) > 0 {
			t.Errorf("%s: %+v", name, vs)
		}
		if other, ok := titles[p.GetTitle()]; ok {
			t.Errorf("%s has the title of %s: %q", name, other, p.GetTitle())
		}
		out[id], titles[p.GetTitle()] = pack, name
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
