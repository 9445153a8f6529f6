package doctest

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestParse(t *testing.T) {
	t.Parallel()
	page := "# Page\n## One\n```sh\nno\n```\n## Two\ntext\n```yaml\n# a.yaml\n## no heading\n| no | table |\n```\n| name | what |\n| --- | --- |\n| `a`, `b` | x \\| y |\n\n| other |\n| - |\n### Three\n```\nb\n```\n## Four\n| no |\n"
	got, ok := parse(page, "Two")
	want := Section{
		Fences: []Fence{{"yaml", "# a.yaml\n## no heading\n| no | table |\n", 9}, {"", "b\n", 21}},
		Tables: []Table{{{"name", "what"}, {"`a`, `b`", "x | y"}}, {{"other"}, {"-"}}},
	}
	if diff := cmp.Diff(want, got); !ok || diff != "" {
		t.Errorf("found %v (-want +got):\n%s", ok, diff)
	}
	if got.Fences[0].Name() != "a.yaml" || got.Fences[1].Name() != "" {
		t.Errorf("names %q, %q", got.Fences[0].Name(), got.Fences[1].Name())
	}
	if diff := cmp.Diff([]string{"a", "b"}, Code(got.Tables[0][1][0])); diff != "" {
		t.Error(diff)
	}
	if _, ok := parse(page, "Five"); ok {
		t.Error("a section is found that is not there")
	}
}
