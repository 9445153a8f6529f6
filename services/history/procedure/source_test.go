package procedure_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/services/history/procedure"
)

// TestSources: the text of each document of a file, read by itself, states the same, with the comments that stand in it.
func TestSources(t *testing.T) {
	t.Parallel()
	one := func(revision string) string {
		return "revision: " + revision + "\ntitle: |\n  Slate\n  --- not a mark\nkinds: [slate]\npurpose: a\nactivities: [a]\nqualification: a\ncautions: [Local code and the maker's manual win.]\nsteps: [{id: a, do: A., critical: true}]\n"
	}
	json := `{"revision": 4, "title": "Slate", "kinds": ["slate"], "purpose": "a", "activities": ["a"], "qualification": "a", "cautions": ["Local code and the maker's manual win."], "steps": [{"id": "a", "do": "A.", "critical": true}]}`
	for name, tt := range map[string]struct {
		file string
		want []string
	}{
		"one":             {"# a\n" + one("1"), []string{"# a\n" + one("1")}},
		"one with a mark": {"# a\n---\n# b\n" + one("1"), []string{"# a\n---\n# b\n" + one("1")}},
		"three":           {"---\n" + one("1") + "---\n# b\n\n" + one("2") + "\n\n--- # c\n" + one("3"), []string{"---\n" + one("1"), "# b\n\n" + one("2"), one("3")}},
		"ended":           {one("1") + "...\n---\n# b\n" + one("2") + "...\n", []string{one("1"), "# b\n" + one("2")}},
		"on the mark":     {one("1") + "--- " + json + "\n", []string{one("1"), "--- " + json + "\n"}},
		"other ends":      {strings.ReplaceAll(one("1")+"---\n"+one("2"), "\n", "\r\n"), []string{one("1"), one("2")}},
	} {
		docs, problems := procedure.ReadAs("slate", []byte(tt.file))
		if len(problems) > 0 || len(docs) != len(tt.want) {
			t.Errorf("%s: %d documents, %v", name, len(docs), problems)
			continue
		}
		for i, d := range docs {
			again, problems := procedure.ReadAs("slate", []byte(d.Source))
			if d.Source != tt.want[i] || len(again) != 1 || !proto.Equal(again[0].Message, d.Message) {
				t.Errorf("%s: document %d is\n%s\nwant\n%s\n%v", name, i, d.Source, tt.want[i], problems)
			}
		}
	}
}
