package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"buf.build/go/protoyaml"
	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/doctest"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/compliance/compliancerpc"
	"strandline.example/strandline/services/compliance/packs"
	"strandline.example/strandline/services/compliance/predicate"
	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/bench/wire"
)

// The section of DEVELOPERS.md for authors of rules is run here: its files, its commands and its tables. Its cases run in
// internal/systemtest.
const developers, addingRules = "../../DEVELOPERS.md", "Adding a rule pack"

// file returns the text of a file that the section writes out.
func fileOf(t *testing.T, s doctest.Section, name string) string {
	t.Helper()
	i := slices.IndexFunc(s.Fences, func(f doctest.Fence) bool { return f.Lang == "yaml" && f.Name() == name })
	if i < 0 {
		t.Fatalf("the section has no %s", name)
	}
	return s.Fences[i].Text
}

// TestDevelopersCommands: in a folder with the section's files its commands succeed one after the other, and print what stands below them.
func TestDevelopersCommands(t *testing.T) {
	r := newRig(t)
	ran, compared := runSection(t, r, doctest.Read(t, developers, addingRules))
	for _, c := range []string{"rules check", "rules try", "rules publish", "evaluate question.yaml"} {
		if !ran[c] {
			t.Errorf("the section does not run %q", c)
		}
	}
	if compared < 3 {
		t.Errorf("%d answers were compared", compared)
	}
	wants(t, r.run(exitOK, "rules", "list").stdout, "\nlagoon ")
}

// runSection writes the files of a section into a folder, runs its commands there one after the other, and compares what they print with what stands below them. It
// returns which commands ran, by their first two words, and how many answers were compared.
func runSection(t *testing.T, r *rig, s doctest.Section) (ran map[string]bool, compared int) {
	t.Helper()
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	ran = map[string]bool{}
	var printed string
	for i, f := range s.Fences {
		switch f.Lang {
		case "yaml":
			if name := f.Name(); !strings.HasSuffix(name, ".yaml") {
				t.Errorf("line %d: a file without its name as the first line", f.Line)
			} else if !strings.Contains(name, "/") {
				if err := os.WriteFile(name, []byte(f.Text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		case "sh":
			printed = ""
			for line := range strings.Lines(f.Text) {
				args := strings.Fields(line)
				if args[0] == "go" {
					goCommand(t, root, args)
					continue
				}
				if args[0] != "strandline" {
					t.Fatalf("line %d: %q is no command of Strandline", f.Line, line)
				}
				o := command(t, r.env("COLUMNS=120"), args[1:]...)
				if o.code != exitOK {
					t.Fatalf("line %d: %sexit code %d\n%s%s", f.Line, line, o.code, o.stdout, o.err)
				}
				printed = o.stdout
				ran[strings.Join(args[1:min(3, len(args))], " ")] = true
			}
		case "text":
			if i == 0 || s.Fences[i-1].Lang != "sh" {
				t.Errorf("line %d: what is printed stands below no command", f.Line)
				continue
			}
			if diff := cmp.Diff(f.Text, printed); diff != "" {
				t.Errorf("line %d (-page +printed):\n%s", f.Line, diff)
			}
			compared++
		default:
			t.Errorf("line %d: a block of %q that no test runs", f.Line, f.Lang)
		}
	}
	return ran, compared
}

// goCommand checks that `go test` with a package and perhaps -run finds tests there.
func goCommand(t *testing.T, root string, args []string) {
	t.Helper()
	if len(args) < 3 || args[1] != "test" {
		t.Errorf("%v is not go test", args)
		return
	}
	want := "Test"
	if len(args) == 5 && args[3] == "-run" {
		want = args[4]
	}
	files, _ := filepath.Glob(filepath.Join(root, args[2], "*_test.go"))
	for _, f := range files {
		raw, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if regexp.MustCompile(`func Test\w*` + strings.TrimPrefix(want, "Test")).Match(raw) {
			return
		}
	}
	t.Errorf("%v runs no test", args)
}

// TestDevelopersShipped: the section's pack, put beside the shipped ones, is listed, shown, checked, tried on a question and published as they
// are, by the same code.
func TestDevelopersShipped(t *testing.T) {
	t.Parallel()
	s := doctest.Read(t, developers, addingRules)
	shelf := packs.Library{FS: withFile(t, packs.Shipped, "lagoon.yaml", fileOf(t, s, "lagoon.yaml"))}
	question := write(t, "question.yaml", fileOf(t, s, "question.yaml"))
	r := newRig(t)
	do := func(args ...string) string {
		t.Helper()
		var out, talk bytes.Buffer
		a := newApp(strings.NewReader(""), &out, &talk, r.env("COLUMNS=200"))
		a.shipped = shelf
		if code := a.run(t.Context(), args); code != exitOK {
			t.Fatalf("%v: exit code %d: %s", args, code, talk.String())
		}
		return out.String()
	}
	wants(t, do("rules", "list", "--shipped"), "\nlagoon ", "\nus-cylinders ")
	wants(t, do("rules", "show", "lagoon", "--shipped"), "House rules of the shop at the lagoon")
	wants(t, do("evaluate", question, "--shipped", "lagoon"), "the last day of use is 2026-10-14")
	wants(t, do("rules", "try", "--shipped", "lagoon"), "lagoon, tried")
	wants(t, do("rules", "publish", "--shipped", "lagoon,us-cylinders"), "lagoon: revision 1", "us-cylinders: revision 1")
	wants(t, r.run(exitOK, "rules", "list").stdout, "\nlagoon ", "\nus-cylinders ")
}

// TestDevelopersFields: the table names every field that a pack may state, and no other.
func TestDevelopersFields(t *testing.T) {
	t.Parallel()
	s := doctest.Read(t, developers, addingRules)
	if len(s.Tables) != 2 {
		t.Fatalf("%d tables", len(s.Tables))
	}
	known := map[string]bool{}
	walk((&compliancepb.RulePack{}).ProtoReflect().Descriptor(), "", known)
	walk((&compliancepb.Rule{}).ProtoReflect().Descriptor(), "", known)
	fieldsIn(t, s.Tables[0], []string{"id", "title"}, known)
}

// fieldsIn checks that a table names every field that a file may state, in the first of its columns, and no other; some stand in the sentence above it.
func fieldsIn(t *testing.T, table doctest.Table, above []string, known map[string]bool) {
	t.Helper()
	if len(table) < 10 {
		t.Fatalf("%d rows", len(table))
	}
	named := map[string]bool{}
	for _, f := range above {
		named[f] = true
	}
	for _, row := range table[1:] {
		for _, f := range doctest.Code(row[0]) {
			if named[f] {
				t.Errorf("%s is there twice", f)
			}
			named[f] = true
		}
	}
	for f := range known {
		leaf := !slices.ContainsFunc(keys(known), func(o string) bool { return strings.HasPrefix(o, f+".") })
		group := slices.ContainsFunc(keys(named), func(o string) bool { return strings.HasPrefix(f, o+".") })
		if leaf && !named[f] && !group {
			t.Errorf("the table has no %s", f)
		}
	}
	for f := range named {
		if !known[f] {
			t.Errorf("the table has %s, which is no field", f)
		}
	}
}

// walk notes the fields of a message that people state, as files write them.
func walk(m protoreflect.MessageDescriptor, at string, known map[string]bool) {
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		behavior, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
		if slices.Contains(behavior, annotations.FieldBehavior_OUTPUT_ONLY) || slices.Contains(behavior, annotations.FieldBehavior_IDENTIFIER) {
			continue
		}
		known[at+f.JSONName()] = true
		if f.Message() != nil && !f.IsMap() && f.Message().FullName() != "strandline.compliance.v1.Rule" && f.Message().ParentFile().Package() == m.ParentFile().Package() {
			walk(f.Message(), at+f.JSONName()+".", known)
		}
	}
}

func keys(m map[string]bool) (out []string) {
	for k := range m {
		out = append(out, k)
	}
	return out
}

// TestDevelopersPredicates: the table has what a predicate may name, all of it and nothing else, and each example covers the unit of the
// section's question, while its opposite does not.
func TestDevelopersPredicates(t *testing.T) {
	t.Parallel()
	s := doctest.Read(t, developers, addingRules)
	var named []string
	for _, row := range s.Tables[1][1:] {
		name, example := doctest.Code(row[0]), doctest.Code(row[len(row)-1])
		if len(row) != 3 || len(name) != 1 || len(example) != 1 {
			t.Fatalf("row %q", row)
		}
		named = append(named, name[0])
		word, _, _ := strings.Cut(name[0], "(")
		if !regexp.MustCompile(`\b` + word + `\b`).MatchString(example[0]) {
			t.Errorf("the example of %s does without it: %s", word, example[0])
		}
		for _, tt := range []struct {
			where string
			want  bool
		}{{example[0], true}, {"!(" + example[0] + ")", false}} {
			if got := covers(t, fileOf(t, s, "question.yaml"), tt.where); got != tt.want {
				t.Errorf("%s: covers %v, want %v", tt.where, got, tt.want)
			}
		}
	}
	if diff := cmp.Diff(predicate.Names(), named); diff != "" {
		t.Errorf("names in the table (-package +page):\n%s", diff)
	}
}

// covers says whether a rule with a predicate runs on the unit of a question.
func covers(t *testing.T, question, where string) bool {
	t.Helper()
	req := &compliancepb.EvaluateRequest{}
	if err := protoyaml.Unmarshal([]byte(question), req); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("title: A\neffectiveDate: {year: 2020, month: 1, day: 1}\nrules: [{id: a, title: A, activity: a, authority: AUTHORITY_HOUSE, source: {document: invented}, scope: {where: %q}, limit: {months: 1}, blocks: [USE_FILL]}]\n", where)
	docs, problems := packs.Read("a.yaml", []byte(text))
	if len(problems) > 0 {
		t.Fatalf("%s: %v", where, problems)
	}
	req.RulePacks = []*compliancepb.RulePack{docs[0].Message}
	r, err := compliancerpc.Evaluate(req)
	if err != nil {
		t.Fatal(err)
	}
	return len(r.GetClocks()) > 0
}

// The section of DEVELOPERS.md for authors of tests: its file is judged as it says, its table has every function there is, and each example holds of what
// the file's readings are.
func TestDevelopersTests(t *testing.T) {
	s := doctest.Read(t, developers, "Writing a test")
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	file := fileOf(t, s, "lock-up.yaml")
	if err := os.WriteFile("lock-up.yaml", []byte(file), 0o644); err != nil {
		t.Fatal(err)
	}
	compared := 0
	for i, f := range s.Fences {
		switch {
		case f.Lang == "sh" && strings.HasPrefix(f.Text, "go "):
			goCommand(t, root, strings.Fields(f.Text))
		case f.Lang == "sh":
			o := command(t, []string{"COLUMNS=120"}, strings.Fields(f.Text)[1:]...)
			if diff := cmp.Diff(s.Fences[i+1].Text, o.stdout); diff != "" || o.code != exitOK {
				t.Errorf("line %d: exit code %d, %s\n(-page +printed):\n%s", f.Line, o.code, o.err, diff)
			}
			compared++
		}
	}
	if compared != 1 {
		t.Errorf("%d answers were compared", compared)
	}
	var named []string
	for _, row := range s.Tables[0][1:] {
		name, example := doctest.Code(row[0]), doctest.Code(row[len(row)-1])
		if len(row) != 3 || len(name) != 1 || len(example) != 1 {
			t.Fatalf("row %q", row)
		}
		named = append(named, name[0])
		word, _, _ := strings.Cut(strings.TrimPrefix(name[0], "series."), "(")
		if !regexp.MustCompile(`\b` + word + `\(`).MatchString(example[0]) {
			t.Errorf("the example of %s does without it: %s", word, example[0])
		}
		for _, tt := range []struct {
			of   string
			want historypb.Verdict
		}{{example[0], historypb.Verdict_VERDICT_PASS}, {"!(" + example[0] + ")", historypb.Verdict_VERDICT_FAIL}} {
			tests, problems := wire.Read([]byte(file))
			if len(problems) > 0 {
				t.Fatal(problems)
			}
			req := tests[0].Message
			req.Spec.Criteria = []*historypb.Criterion{{Id: "example", Of: tt.of, Comparison: historypb.Comparison_COMPARISON_HOLDS, Source: &historypb.Citation{Document: "invented"}}}
			if got, err := wire.Judge(req); err != nil || got.GetJudgement().GetVerdict() != tt.want {
				t.Errorf("%s: %v, %v, want %v", tt.of, got, err, tt.want)
			}
		}
	}
	if diff := cmp.Diff(bench.Functions(), named); diff != "" {
		t.Errorf("functions in the table (-package +page):\n%s", diff)
	}
}
