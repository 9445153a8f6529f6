package systemtest

import (
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"

	"strandline.example/strandline/internal/doctest"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/packs"
)

// TestPublishedPage: the pack and the cases of DEVELOPERS.md, each put where the page says, are found as the shipped ones are. The cases hold,
// and the rules that have none are named.
func TestPublishedPage(t *testing.T) {
	t.Parallel()
	s := doctest.Read(t, "../../DEVELOPERS.md", "Adding a rule pack")
	shelf := fstest.MapFS{}
	ids, err := packs.Shipped.IDs()
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range ids {
		raw, err := fs.ReadFile(packs.Shipped, id+".yaml")
		if err != nil {
			t.Fatal(err)
		}
		shelf[id+".yaml"] = &fstest.MapFile{Data: raw}
	}
	var cases *publishedFile
	for _, f := range s.Fences {
		switch f.Name() {
		case "lagoon.yaml":
			shelf[f.Name()] = &fstest.MapFile{Data: []byte(f.Text)}
		case "testdata/published/lagoon.yaml":
			cases = readPublished(t, f.Name(), []byte(f.Text))
		}
	}
	if shelf["lagoon.yaml"] == nil || cases == nil || len(cases.Cases) < 4 {
		t.Fatal("the page has no pack, or no cases")
	}
	library := packs.Library{FS: shelf}
	client := compliancepb.NewComplianceServiceClient(Start(t).Public(t, "auditor", "reader"))
	met := sides{}
	for i := range cases.Cases {
		c := &cases.Cases[i]
		t.Run(c.Name, func(t *testing.T) {
			req := c.request(t, cases, library)
			resp, err := client.Evaluate(t.Context(), req)
			if err != nil {
				t.Fatal(err)
			}
			c.check(t, resp.GetStanding())
			met.add(c, req, resp.GetStanding())
		})
	}
	told := map[string]string{}
	for _, fault := range met.faults(t, library, []*publishedFile{cases}) {
		for _, rule := range []string{"bcd-inspection", "stage-overhaul", "cylinder-look"} {
			if strings.Contains(fault, "lagoon/"+rule+" ") {
				told[rule] = fault
			}
		}
	}
	if told["bcd-inspection"] != "" {
		t.Error(told["bcd-inspection"])
	}
	for rule, wants := range map[string][]string{
		"stage-overhaul": {ownLimit, hardLimit, storageLimit, "function-test" + tooLate, "60 dives in 90 days" + notYet}, "cylinder-look": {ownLimit, evidenceLimit, lapsed},
	} {
		for _, want := range wants {
			if !strings.Contains(told[rule], want) {
				t.Errorf("of %s it is not told that a case for %s is missing: %q", rule, want, told[rule])
			}
		}
	}
}
