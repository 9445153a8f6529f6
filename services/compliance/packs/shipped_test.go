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
	out := map[string]due.Pack{}
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
		out[id] = pack
	}
	return out
}

// TestShippedPacksSayWhereTheyAreFrom: each pack gives way to local code and the maker's manual, and each rule names its document and
// either the edition that was read, that it was written from memory, or that it is common practice; what is from memory or practice is
// house policy.
func TestShippedPacksSayWhereTheyAreFrom(t *testing.T) {
	t.Parallel()
	for id, p := range shipped(t) {
		if !strings.Contains(strings.Join(p.Cautions, " "), "Local code and the maker's manual win") {
			t.Errorf("%s: no caution says that local code and the maker's manual win", id)
		}
		for _, r := range p.Rules {
			practice := strings.HasPrefix(r.Source.Document, "common practice, no source")
			if r.Source.Edition == "" && !r.Source.FromMemory && !practice {
				t.Errorf("%s/%s: neither an edition nor from memory nor practice: %+v", id, r.ID, r.Source)
			}
			if (r.Source.FromMemory || practice) && r.Authority != due.House {
				t.Errorf("%s/%s: from memory or practice, and yet not house policy", id, r.ID)
			}
		}
	}
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
