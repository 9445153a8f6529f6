package procedure

import (
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"unicode/utf8"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/yamlproto"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// small is a procedure without problems, of an invented valve. Tests spoil it.
const small = `revision: 1
title: Small
kinds: [cylinder-valve]
purpose: service
activities: [valve-service]
qualification: valve-service
cautions: [Local code and the maker's manual win over this procedure.]
parts:
  - {id: seal, title: Seal, policy: PART_POLICY_REPLACE}
tests:
  - activity: leak-test
    spec:
      id: leaks
      title: Leaks
      readings:
        - {name: drop, kind: READING_KIND_QUANTITY, unit: bar, reference: PRESSURE_REFERENCE_DIFFERENCE}
      criteria:
        - id: drop
          of: drop
          comparison: COMPARISON_AT_MOST
          high: 1 bar difference
          decisionRule: DECISION_RULE_SIMPLE
          source: {document: invented}
steps:
  - id: open
    do: Open it.
    removes: [{part: seal}]
    bounds:
      - id: turns
        title: turns
        measures: MEASURAND_ANGLE
        atLeast: 2 turns
        below: OUT_OF_BOUNDS_REFUSE
        source: {document: invented}
    critical: true
  - id: close
    do: Close it.
    fits: [{part: seal}]
    tests: [{test: leaks}]
`

func told(ps []yamlproto.Problem) string {
	var out strings.Builder
	for _, p := range ps {
		fmt.Fprintf(&out, "%d:%d %s\n", p.Line, p.Column, p)
	}
	return out.String()
}

// TestReadProblems: each problem is told once, with its place, field and remedy, and nothing else is told.
func TestReadProblems(t *testing.T) {
	t.Parallel()
	replace := func(pairs ...string) string {
		text := small
		for i := 0; i+1 < len(pairs); i += 2 {
			if !strings.Contains(text, pairs[i]) {
				t.Fatalf("the small procedure has no %q", pairs[i])
			}
			text = strings.Replace(text, pairs[i], pairs[i+1], 1)
		}
		return text
	}
	const bound = "        atLeast: 2 turns\n        below: OUT_OF_BOUNDS_REFUSE\n"
	for _, tt := range []struct {
		name, give string
		want       []string // each line:column field: and words of the text, in order
	}{
		{"nothing", "", []string{"1:1 the file is empty; want a procedure: revision, title, kinds"}},
		{"an unknown field", replace("title: Small", "titel: Small"), []string{"2:1 titel: there is no such field", "1:1 title: must be set"}},
		{"no revision", replace("revision: 1\n", ""), []string{"1:1 revision: must be"}},
		{"a name that is none", "name: procs/x\n" + small, []string{"1:7 name: want procedures/{procedure}, or orgs/{org}/procedures/{procedure}"}},

		// Cautions.
		{"no caution that the manual wins", replace("Local code and the maker's manual win over this procedure.", "Mind your fingers."), []string{"7:1 cautions: no caution says what wins: want Local code and the maker's manual win over this procedure."}},
		{"no caution at all", replace("cautions: [Local code and the maker's manual win over this procedure.]\n", ""), []string{"1:1 cautions: must be set"}},

		// References.
		{"an unknown part removed", replace("removes: [{part: seal}]", "removes: [{part: seat}]"), []string{
			`27:22 steps[0].removes[0].part: the procedure has no part of this id: state one of its parts (got "seat")`}},
		{"an unknown test", replace("tests: [{test: leaks}]", "tests: [{test: leak}]"), []string{`13:11 tests[0].spec.id: no step runs it`, `39:20 steps[1].tests[0].test: the procedure has no test of this id: state one of its tests (got "leak")`}},
		{"a test twice", replace("tests: [{test: leaks}]", "tests: [{test: leaks}, {test: leaks}]"), []string{"39:35 steps[1].tests[1].test: the step has this test already"}},
		{"a part twice", replace("removes: [{part: seal}]", "removes: [{part: seal}, {part: seal}]", "fits: [{part: seal}]", "fits: [{part: seal, count: 2}]"), []string{"27:36 steps[0].removes[1].part: the step has this part already: state it once, with its count"}},
		{"two parts of one id", replace("parts:\n", "parts:\n  - {id: seal, title: Other, policy: PART_POLICY_REFIT}\n"), []string{"10:10 parts[1].id: another part of the procedure has this id"}},
		{"two steps of one id", replace("id: close", "id: open"), []string{"36:9 steps[1].id: another step of the procedure has this id"}},
		{"two bounds of one id", replace("    critical: true\n", "      - {id: turns, title: t, measures: MEASURAND_ANGLE, atMost: 1 turn, above: OUT_OF_BOUNDS_FLAG, source: {document: d}}\n    critical: true\n"), []string{"35:14 steps[0].bounds[1].id: another bound of the step has this id"}},
		{"a kind that is not its", replace("    do: Close it.\n", "    do: Close it.\n    kinds: [bcd]\n"), []string{"38:13 steps[1].kinds[0]: the procedure is not for this kind"}},
		{"a station's other activity", replace("parts:\n", "stationActivities: [{activity: hydrostatic-test, source: {document: d}}]\nparts:\n"), []string{`8:32 station_activities[0].activity: the procedure performs no such activity`}},

		// Parts.
		{"a part that nobody touches", replace("parts:\n", "parts:\n  - {id: disc, title: Disc, policy: PART_POLICY_REPLACE}\n"), []string{"9:10 parts[0].id: no step removes or fits it"}},
		{"a part that need not be touched", replace("parts:\n", "parts:\n  - {id: disc, title: Disc, policy: PART_POLICY_IF_WORN}\n"), nil},
		{"removed and not fitted", replace("    fits: [{part: seal}]\n", ""), []string{`27:15 steps[0].removes[0]: what is removed is not fitted again: state where it is fitted (got "1 of seal")`}},
		{"fitted and not removed", replace("    removes: [{part: seal}]\n", ""), []string{`37:12 steps[1].fits[0]: that is more than was removed in the steps up to here: state where they are removed, or fewer (got "1 of seal")`}},
		{"more fitted than removed", replace("fits: [{part: seal}]", "fits: [{part: seal, count: 2}]"), []string{`38:12 steps[1].fits[0]: that is more than was removed`}},
		{"fewer fitted than removed", replace("removes: [{part: seal}]", "removes: [{part: seal, count: 3}]"), []string{`38:12 steps[1].fits[0]: what is removed is not fitted again: state where it is fitted (got "2 of seal")`}},
		{"fitted before it is removed", replace("    removes: [{part: seal}]", "    fits: [{part: seal}]", "    fits: [{part: seal}]\n    tests", "    removes: [{part: seal}]\n    tests"), []string{"27:12 steps[0].fits[0]: that is more than was removed", "38:15 steps[1].removes[0]: what is removed is not fitted again"}},
		{"removed in a case only", replace("    critical: true\n", "", "  - id: close", "    when: it leaks\n  - id: close", "    tests: [{test: leaks}]\n", "    tests: [{test: leaks}]\n    critical: true\n"), []string{"27:15 steps[0].removes[0]: what is removed is not fitted again", "38:12 steps[1].fits[0]: that is more than was removed"}},

		// Bounds.
		{"a unit that is none", replace("atLeast: 2 turns", "atLeast: 2 twists"), []string{`32:18 steps[0].bounds[0].at_least: "twists" is no unit that is known here`}},
		{"no space", replace("atLeast: 2 turns", "atLeast: 2turns"), []string{`32:18 steps[0].bounds[0].at_least: "2turns" has no space between number and unit; write 2 turns`}},
		{"another dimension", replace("atLeast: 2 turns", "atLeast: 2 mm"), []string{`32:18 steps[0].bounds[0].at_least: that is a quantity of length, and the bound measures angle: state it in a unit of that, such as turn (got "2 mm")`}},
		{"a pressure of what", replace("MEASURAND_ANGLE", "MEASURAND_PRESSURE", "atLeast: 2 turns", "atLeast: 2 bar"), []string{`32:18 steps[0].bounds[0].at_least: "2 bar" does not say what the pressure is measured from; add gauge, absolute or difference`}},
		{"in fields", replace("atLeast: 2 turns", "atLeast: {value: '2', unit: twists}"), []string{`32:9 steps[0].bounds[0].at_least: "twists" is no unit`}},
		{"no bound", replace(bound, ""), []string{"29:9 steps[0].bounds[0]: it has no bound: state at_least, at_most or both"}},
		{"nothing said of what is beyond", replace("        below: OUT_OF_BOUNDS_REFUSE\n", ""), []string{"29:9 steps[0].bounds[0].below: want what a quantity beyond at_least means: OUT_OF_BOUNDS_REFUSE or OUT_OF_BOUNDS_FLAG"}},
		{"nothing to be beyond", replace(bound, bound+"        above: OUT_OF_BOUNDS_FLAG\n"), []string{`34:16 steps[0].bounds[0].above: there is no at_most to be beyond: leave it out, or state at_most (got "OUT_OF_BOUNDS_FLAG")`}},
		{"the wrong way round", replace(bound, bound+"        atMost: 1 turn\n        above: OUT_OF_BOUNDS_FLAG\n"), []string{`34:17 steps[0].bounds[0].at_most: want no less than at_least, 2 turn`}},
		{"gauge and absolute", replace("MEASURAND_ANGLE", "MEASURAND_PRESSURE", bound, "        atLeast: 1 bar gauge\n        below: OUT_OF_BOUNDS_FLAG\n        atMost: 3 bar absolute\n        above: OUT_OF_BOUNDS_FLAG\n"), []string{`34:17 steps[0].bounds[0].at_most: `}},
		{"no source", replace("        source: {document: invented}\n    critical", "    critical"), []string{"29:9 steps[0].bounds[0].source: must be set"}},

		// Steps.
		{"nothing is critical", replace("    critical: true\n", ""), []string{"24:1 steps: no step for this kind is critical"}},
		{"nothing is critical for one of the kinds", replace("kinds: [cylinder-valve]", "kinds: [cylinder-valve, bcd]", "    critical: true\n", "", "    do: Close it.\n", "    do: Close it.\n  - {id: gauge, do: Look., kinds: [bcd], critical: true}\n  - id: after\n    do: Go on.\n"),
			[]string{`24:1 steps: no step for this kind is critical, so an order could be signed with nothing done: state critical for those without which the work is not done (got "cylinder-valve")`}},
		{"critical in a case", replace("    critical: true\n", "    critical: true\n    when: it leaks\n"), []string{`27:15 steps[0].removes[0]: what is removed is not fitted`, "36:11 steps[0].when: a critical step is done always", "39:12 steps[1].fits[0]: that is more"}},
		{"a step that cannot be read", replace("    critical: true\n", "    critical: yes\n"), []string{"35:15 steps[0].critical: want true or false"}},

		// Tests.
		{"a test that does not compile", replace("of: drop\n", "of: drop * drops\n"), []string{`19:22 tests[0].spec.criteria[0].of: there is no reading and no function called drops`}},
		{"a folded one", replace("of: drop\n", "of: >\n            drop\n            * drops\n"), []string{`19:15 tests[0].spec.criteria[0].of: line 1, column 8: there is no reading and no function called drops`}},
		{"a limit of another dimension", replace("high: 1 bar difference", "high: 1 mL"), []string{`21:17 tests[0].spec.criteria[0].high: it is volume`}},
		{"a limit that is none", replace("high: 1 bar difference", "high: 1 bar"), []string{`21:17 tests[0].spec.criteria[0].high: "1 bar" does not say what the pressure is measured from`}},
		{"a test of an id twice", replace("steps:\n", "  - {activity: leak-test, spec: {id: leaks, title: L, readings: [{name: a, kind: READING_KIND_YES_NO}], criteria: [{id: a, of: a, comparison: COMPARISON_HOLDS, source: {document: d}}]}}\nsteps:\n"),
			[]string{"24:38 tests[1].spec.id: another test of the procedure has this id"}},
		{"a test that nobody runs", replace("    tests: [{test: leaks}]\n", ""), []string{"13:11 tests[0].spec.id: no step runs it"}},

		// Revisions.
		{"the same revision again", small + "---\n" + small, []string{`41:11 revision: the file has revision 1 of small before it: state a higher number (got "1")`}},
		{"a lower one", strings.Replace(small, "revision: 1", "revision: 3", 1) + "---\n" + strings.Replace(small, "revision: 1", "revision: 2", 1), []string{`41:11 revision: the file has revision 3 of small before it`}},
		{"a higher one", small + "---\n" + strings.Replace(small, "revision: 1", "revision: 4", 1), nil},
		{"another procedure", small + "---\nname: procedures/other\n" + small, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			docs, ps := Read("small.yaml", []byte(tt.give))
			if (docs == nil) != (len(tt.want) > 0) {
				t.Errorf("%d procedures", len(docs))
			}
			got := told(ps)
			lines := strings.Split(strings.TrimSuffix(got, "\n"), "\n")
			want := tt.want
			if len(want) == 0 {
				want = []string{""}
			}
			slices.Sort(want)
			slices.Sort(lines)
			ok := len(lines) == len(want)
			for i := range lines {
				ok = ok && strings.HasPrefix(lines[i], want[i]) && (lines[i] == "") == (want[i] == "")
			}
			if !ok {
				t.Errorf("told\n%swant\n%s", got, strings.Join(tt.want, "\n"))
			}
		})
	}
}

// TestReadNames: the id is the name's, or the file's.
func TestReadNames(t *testing.T) {
	t.Parallel()
	text := "name: procedures/one\n" + small + "---\nname: orgs/reef/procedures/two\n" + small + "---\n" + small
	docs, ps := Read("shelf/three.yml", []byte(text))
	if len(ps) > 0 || len(docs) != 3 {
		t.Fatalf("%d procedures, problems:\n%s", len(docs), told(ps))
	}
	for i, want := range []Document{{ID: "one"}, {ID: "two", Org: "reef"}, {ID: "three"}} {
		if d := docs[i]; d.ID != want.ID || d.Org != want.Org || d.Message.GetName() != "" || d.Procedure.ID != want.ID {
			t.Errorf("procedure %d is %s of %q", i, d.ID, d.Org)
		}
	}
	for _, name := range []string{"standard input", "My work.yaml", ""} {
		if _, ps := Read(name, []byte(small)); len(ps) != 1 || ps[0].Field != "name" || !strings.Contains(ps[0].Text, "state name: procedures/{procedure}") {
			t.Errorf("%q: problems\n%s", name, told(ps))
		}
	}
}

// TestReadJSON: a procedure as programs write it is the one that people wrote.
func TestReadJSON(t *testing.T) {
	t.Parallel()
	for _, d := range shipped(t) {
		raw, err := protojson.Marshal(d.Message)
		if err != nil {
			t.Fatal(err)
		}
		again, ps := ReadAs(d.ID, raw)
		if len(ps) > 0 || len(again) != 1 || !proto.Equal(again[0].Message, d.Message) {
			t.Errorf("%s as JSON: problems\n%s", d.ID, told(ps))
		}
	}
}

// TestOf: a message that did not come from a file is held against the same; a place inside a text is told in words.
func TestOf(t *testing.T) {
	t.Parallel()
	docs, _ := Read("small.yaml", []byte(small))
	m := docs[0].Message
	if p, vs := Of("small", "procedure.", m); len(vs) > 0 || p.ID != "small" || p.Test("leaks").Bench == nil || len(p.Steps) != 2 {
		t.Errorf("%+v, %+v", p, vs)
	}
	m.Tests[0].Spec.Criteria[0].Of = "drop * drops"
	m.Steps[0].Bounds[0].AtLeast.Unit = "twists"
	_, vs := Of("small", "procedure.", m)
	if len(vs) != 2 || vs[0].Field != "procedure.tests[0].spec.criteria[0].of" || !strings.HasPrefix(vs[0].Description, "line 1, column 8: ") ||
		vs[1].Field != "procedure.steps[0].bounds[0].at_least" || vs[1].Reason != "PROCEDURE_INVALID" {
		t.Errorf("violations %+v", vs)
	}
}

// TestExamples: every pattern of a field of a procedure has an example, and matches it.
func TestExamples(t *testing.T) {
	t.Parallel()
	seen, walked := map[string]bool{}, map[protoreflect.FullName]bool{}
	var walk func(m protoreflect.MessageDescriptor)
	walk = func(m protoreflect.MessageDescriptor) {
		if walked[m.FullName()] {
			return
		}
		walked[m.FullName()] = true
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
			for _, r := range []*validate.FieldRules{rules, rules.GetRepeated().GetItems()} {
				if p := r.GetString().GetPattern(); p != "" {
					seen[p] = true
				}
			}
			if f.Message() != nil {
				walk(f.Message())
			}
		}
	}
	walk((&historypb.Procedure{}).ProtoReflect().Descriptor())
	for pattern := range seen {
		if shape.Examples[pattern] == "" {
			t.Errorf("no example matches %s", pattern)
		}
		for _, e := range strings.Split(shape.Examples[pattern], " or ") {
			if !regexp.MustCompile(pattern).MatchString(e) {
				t.Errorf("%q does not match %s", e, pattern)
			}
		}
	}
	if len(seen) != len(shape.Examples) {
		t.Errorf("%d patterns and %d examples", len(seen), len(shape.Examples))
	}
}

// TestLibrary: what is in the folder is what there is, by the names of the files.
func TestLibrary(t *testing.T) {
	t.Parallel()
	l := Library{fstest.MapFS{"b.yaml": {Data: []byte(small)}, "a.yaml": {Data: []byte(small)}, "bad.yaml": {Data: []byte("title: [")}, "of.go": {}, "sub/c.yaml": {}}}
	ids, err := l.IDs()
	if err != nil || !slices.Equal(ids, []string{"a", "b", "bad"}) {
		t.Errorf("ids %v, %v", ids, err)
	}
	if docs, raw, err := l.Procedure("b"); err != nil || len(docs) != 1 || docs[0].ID != "b" || string(raw) != small {
		t.Errorf("%d documents, %v", len(docs), err)
	}
	if _, _, err := l.Procedure("c"); !errs.Is(err, "NOT_FOUND") || !strings.Contains(err.Error(), "a, b, bad") {
		t.Errorf("a procedure that is not there: %v", err)
	}
	if _, _, err := l.Procedure("bad"); !errs.Is(err, "INTERNAL") || !strings.Contains(err.Error(), "bad.yaml:1:1: ") {
		t.Errorf("a procedure that cannot be read: %v", err)
	}
}

// FuzzRead: whatever a file holds, it is read or refused; every problem has a place in the file and says something, and what is read passes all that the API
// asks for and reads again.
func FuzzRead(f *testing.F) {
	ids, err := Shipped.IDs()
	if err != nil || len(ids) == 0 {
		f.Fatal(err)
	}
	for _, id := range ids {
		raw, err := fs.ReadFile(Shipped, id+".yaml")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	f.Add([]byte(small))
	f.Add([]byte(small + "---\n" + small))
	f.Add([]byte(strings.ReplaceAll(small, "2 turns", "-1e9 turns")))
	f.Add([]byte(strings.ReplaceAll(small, "of: drop", "of: ((((drop))))")))
	f.Fuzz(func(t *testing.T, raw []byte) {
		if len(raw) > 1<<16 {
			return
		}
		docs, ps := Read("fuzz.yaml", raw)
		if (len(docs) == 0) == (len(ps) == 0) {
			t.Fatalf("%d procedures and %d problems", len(docs), len(ps))
		}
		source := yamlproto.Lines(raw)
		for _, p := range ps {
			if p.Line < 1 || p.Column < 1 || p.Text == "" || p.Line > len(source) || p.Column > utf8.RuneCountInString(source[p.Line-1])+1 {
				t.Errorf("problem %+v; the file has %d lines", p, len(source))
			}
		}
		for _, d := range docs {
			if err := rpc.Validate(d.Message); err != nil {
				t.Errorf("read and refused: %v", err)
			}
			if _, vs := Of(d.ID, "", d.Message); len(vs) > 0 {
				t.Errorf("read and refused: %+v", vs)
			}
		}
	})
}
