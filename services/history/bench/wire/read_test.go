package wire

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// examples are the files with which the command line is tested.
func examples(t testing.TB) map[string][]byte {
	t.Helper()
	paths, err := filepath.Glob("../../../../cmd/strandline/testdata/judge/*.yaml")
	if err != nil || len(paths) < 4 {
		t.Fatalf("%v, %v", paths, err)
	}
	out := map[string][]byte{}
	for _, p := range paths {
		raw, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		out[filepath.Base(p)] = raw
	}
	return out
}

// TestReadAsJudged: a file comes to what the RPC answers for the messages it states.
func TestReadAsJudged(t *testing.T) {
	t.Parallel()
	judged := 0
	for name, raw := range examples(t) {
		tests, problems := Read(raw)
		if bad := strings.HasPrefix(name, "bad"); bad != (len(problems) > 0) {
			t.Errorf("%s: %v", name, problems)
		}
		for _, x := range tests {
			judged++
			got, err := Judge(x.Message)
			if err != nil || !proto.Equal(got, x.Response) {
				t.Errorf("%s: %v, %v, want %v", name, got, err, x.Response)
			}
		}
	}
	if judged < 3 {
		t.Errorf("only %d tests were judged", judged)
	}
}

// TestLong: a file of more than there may be is refused, and soon.
func TestLong(t *testing.T) {
	t.Parallel()
	base := string(examples(t)["hydrostatic.yaml"])
	for name, raw := range map[string]string{
		"readings": strings.Replace(base, "testDate:", "  # \ntestDate:", 1) + strings.Repeat("  - {id: E, kind: x, fullScale: 1 mL}\n", 5000),
		"depth":    strings.Repeat("[", 100_000),
	} {
		if _, problems := Read([]byte(raw)); len(problems) == 0 || len(problems) > 500 {
			t.Errorf("%s: %d problems", name, len(problems))
		}
	}
}

// FuzzRead: whatever a file holds, it is judged or every problem has its place.
func FuzzRead(f *testing.F) {
	for _, raw := range examples(f) {
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		tests, problems := Read(raw)
		if (len(tests) == 0) != (len(problems) > 0) && len(problems) > 0 {
			t.Errorf("%d tests and %v", len(tests), problems)
		}
		lines := strings.Count(strings.NewReplacer("\r\n", "\n", "\r", "\n", "\u0085", "\n", "\u2028", "\n", "\u2029", "\n").Replace(string(raw)), "\n") + 1
		for _, p := range problems {
			if p.Line < 1 || p.Column < 1 || p.Line > lines+1 || p.Text == "" {
				t.Errorf("%+v of %d lines", p, lines)
			}
		}
		for _, x := range tests {
			if v := x.Response.GetJudgement().GetVerdict(); v == historypb.Verdict_VERDICT_UNSPECIFIED || v == historypb.Verdict_VERDICT_NOT_APPLICABLE {
				t.Errorf("the verdict is %v", v)
			}
		}
	})
}
