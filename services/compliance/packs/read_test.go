package packs

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"buf.build/go/protoyaml"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/yamlproto"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// small is a pack without problems. Tests spoil it.
const small = `title: Small
effectiveDate: {year: 2026, month: 2, day: 1}
rules:
  - id: inspect
    title: Inspection
    activity: inspection
    authority: AUTHORITY_HOUSE
    source: {document: House manual}
    scope: {kinds: [bcd]}
    limit: {months: 12}
    lead: {days: 30}
    blocks: [USE_HAND_OUT]
`

func told(ps []yamlproto.Problem) string {
	var out strings.Builder
	for _, p := range ps {
		fmt.Fprintf(&out, "%d:%d %s\n", p.Line, p.Column, p)
	}
	return out.String()
}

// TestReadProblems: each problem is told once, with its place, field and remedy.
func TestReadProblems(t *testing.T) {
	t.Parallel()
	replace := func(old, new string) string {
		if !strings.Contains(small, old) {
			t.Fatalf("the small pack has no %q", old)
		}
		return strings.Replace(small, old, new, 1)
	}
	for _, tt := range []struct {
		name, give string
		want       []string // each line:column field: and words of the text, in order; nothing else is told
	}{
		{"nothing", "", []string{"1:1 the file is empty"}},
		{"only comments", "# a\n---\n# b\n", []string{"1:1 the file is empty"}},
		{"a word", "hello", []string{`1:1 want fields, each with its value, of name, title`}},
		{"no YAML", replace("title: Small", "title: [Small"), []string{"1:1 this is no YAML: did not find expected ',' or ']'"}},
		{"a bad indent", replace("    activity:", "   activity:"), []string{"3:1 this is no YAML: did not find expected"}},
		{"a tab", replace("    activity:", "\tactivity:"), []string{"5:1 this is no YAML: found a tab character that violates indentation"}},
		{"Latin-1", "title: caf\xe9\n", []string{`1:11 the file is not UTF-8: save it as UTF-8 (got "0xe9")`}},
		{"a control character", "title: a\n# \x01\n", []string{`2:3 the file holds a control character: leave it out (got "U+0001")`}},
		{"unknown fields", replace("    limit:", "    limits: x\n    limit:") + "colour: red\n",
			[]string{`10:5 rules[0].limits: there is no such field: write limit (got "limits")`, "14:1 colour: there is no such field; want one of name, title, effectiveDate"}},
		{"unknown in flow", replace("{months: 12}", "{months: 12, weeks: 3}"), []string{"10:25 rules[0].limit.weeks: there is no such field; want one of months, dives"}},
		{"both spellings", replace("effectiveDate:", "effective_date: {year: 2026, month: 1, day: 1}\neffectiveDate:"), []string{"3:1 effective_date: it is stated already, on line 2"}},
		{"twice", replace("    limit:", "    title: Again\n    limit:"), []string{"10:5 rules[0].title: it is stated already, on line 5"}},
		{"a list for a value", replace("title: Small", "title: [a]"), []string{"1:8 title: want one value"}},
		{"a value for a list", replace("[USE_HAND_OUT]", "USE_HAND_OUT"), []string{"12:13 rules[0].blocks: want a list, for example [USE_HAND_OUT]"}},
		{"a value for fields", replace("{months: 12}", "12"), []string{`10:12 rules[0].limit: want fields, each with its value, of months, dives, runningTime, fills, monthStamped (got "12")`}},
		{"a date in one", replace("{year: 2026, month: 2, day: 1}", "2026-02-01"), []string{"2:16 effective_date: want a date in its parts: {year: 2026, month: 3, day: 1}"}},
		{"no number", replace("months: 12", "months: twelve"), []string{`10:21 rules[0].limit.months: want a whole number, for example 12 (got "twelve")`}},
		{"a fraction", replace("months: 12", "months: 1.5"), []string{"10:21 rules[0].limit.months: want a whole number"}},
		{"octal", replace("months: 12", "months: 012"), []string{"10:21 rules[0].limit.months: want a whole number"}},
		{"too large", replace("months: 12", "months: 3000000000"), []string{"10:21 rules[0].limit.months: the number is too large"}},
		{"yes", replace("{document: House manual}", "{document: House manual, fromMemory: yes}"), []string{"8:50 rules[0].source.from_memory: want true or false"}},
		{"an unknown word", replace("AUTHORITY_HOUSE", "HOUSE"), []string{"7:16 rules[0].authority: want one of AUTHORITY_LAW, AUTHORITY_STANDARD, AUTHORITY_MAKER, AUTHORITY_HOUSE"}},
		{"no duration", replace("{months: 12}", "{months: 12, runningTime: 100}"), []string{"10:38 rules[0].limit.running_time: want a duration such as 100h or 3600s"}},
		{"a null text", replace("title: Small", "title: null"), []string{"1:8 title: that is no text"}},
		{"an alias", replace("title: Inspection", "title: &x Inspection") + "cautions: [*x]\n", []string{"13:12 cautions[0]: aliases are not read here: write out what *x"}},
		{"an alias of nothing", replace("kinds: [bcd]", "kinds: [*gone]"), []string{"9:21 this is no YAML: unknown anchor 'gone'"}},
		{"a tag", replace("title: Small", "title: !!str Small"), []string{"1:8 title: tags and merged mappings are not read here"}},
		{"a merge", replace("title: Small", "<<: {title: Small}"), []string{"1:1 <<: there is no such field", "1:1 title: must be set"}},

		{"missing", "rules: []\n", []string{"1:1 effective_date: must be set", "1:1 title: must be set"}},
		{"missing in a rule", replace("    authority: AUTHORITY_HOUSE\n", ""), []string{"4:5 rules[0].authority: must be set: want one of AUTHORITY_LAW"}},
		{"an id that is none", replace("id: inspect", "id: In spect"), []string{"4:9 rules[0].id: want a text such as valve-service, that matches"}},
		{"out of range", replace("months: 12", "months: 1201"), []string{`10:21 rules[0].limit.months: must be greater than or equal to 0 and less than or equal to 1200 (got "1201")`}},
		{"an item that is none", replace("[bcd]", "[bcd, Regulator]"), []string{`9:26 rules[0].scope.kinds[1]: want a text such as first-stage, that matches`}},
		{"repeated", replace("[USE_HAND_OUT]", "[USE_FILL, USE_FILL]"), []string{"12:5 rules[0].blocks: "}},
		{"a key that is none", replace("kinds: [bcd]", "attributes: {Line: a}"), []string{`9:26 rules[0].scope.attributes["Line"]: want a text such as alloy, that matches`}},
		{"a key twice", replace("kinds: [bcd]", "attributes: {line: a, line: b}"), []string{"9:35 rules[0].scope.attributes[line]: the key is stated already"}},
		{"too many", replace("kinds: [bcd]", "kinds: ["+strings.Repeat("bcd, ", 41)+"]"), []string{"9:20 rules[0].scope.kinds: want at most 40 of them, and there are 41"}},

		{"a contradiction", replace("{months: 12}", "{dives: 50}"), []string{`11:18 rules[0].lead.days: there is no limit in months for it to lead: leave it out, or state the limit (got "30")`}},
		{"no limit", replace("{months: 12}", "{}"), []string{"10:5 rules[0].limit: want at least one of months, dives, running_time and fills", "11:18 rules[0].lead.days: "}},
		{"no such day", replace("month: 2, day: 1}", "month: 2, day: 30}"), []string{"2:1 effective_date: "}},
		{"a rule twice", small + "  - {id: inspect, title: Again, activity: a, authority: AUTHORITY_HOUSE, source: {document: d}, limit: {months: 1}, blocks: [USE_FILL]}\n",
			[]string{`13:10 rules[1].id: another rule of the pack has this id: state one of its own (got "inspect")`}},
		{"law from memory", replace("AUTHORITY_HOUSE\n    source: {document: House manual}", "AUTHORITY_LAW\n    source: {document: Act, fromMemory: true}"),
			[]string{"7:16 rules[0].authority: a figure from memory is never shown as law"}},
		{"a name that is none", "name: packs/us\n" + small, []string{"1:7 name: want rulePacks/{pack}, or orgs/{org}/rulePacks/{pack}"}},
		{"an id too long", "name: rulePacks/-us\n" + small, []string{"1:7 name: "}},

		{"predicate, plain", replace("kinds: [bcd]", "where: kind == 3"), []string{`9:25 rules[0].scope.where: found no matching overload for '==' applied to '(string, int)': want values of kinds that go together; texts and dates stand in quotes (got "kind == 3")`}},
		{"predicate, in single quotes", replace("{kinds: [bcd]}", "\n      where: 'attr(''a'') == kin'"), []string{`10:30 rules[0].scope.where: undeclared reference to 'kin'`}},
		{"predicate, in double quotes", replace("kinds: [bcd]", `where: "attr(\"\u0061\") == kin"`), []string{`9:41 rules[0].scope.where: undeclared reference to 'kin'`}},
		{"predicate, in a block", replace("{kinds: [bcd]}", "\n      where: |\n        kind == \"bcd\" &&\n          size == 3"), []string{`12:16 rules[0].scope.where: found no matching overload`}},
		{"predicate, folded", replace("{kinds: [bcd]}", "\n      where: >\n        kind ==\n        3"), []string{`10:14 rules[0].scope.where: line 1, column 6: found no matching overload`}},
		{"predicate, continued", replace("{kinds: [bcd]}", "\n      where: kind ==\n        3"), []string{`10:14 rules[0].scope.where: line 1, column 6: found no matching overload`}},
		{"predicate in a rule that is broken", replace("kinds: [bcd]}", "where: kind == 3}\n    benchMinutes: long"), []string{`9:25 rules[0].scope.where: `, "10:19 rules[0].bench_minutes: want a whole number"}},

		{"several packs", small + "---\n" + replace("months: 12", "months: x") + "---\n" + replace("title: Small", "titel: Small"),
			[]string{"23:21 rules[0].limit.months: want a whole number", "27:1 titel: there is no such field", "27:1 title: must be set"}},
		{"broken after a pack", replace("months: 12", "months: x") + "---\n[", []string{"10:21 rules[0].limit.months: ", "14:1 this is no YAML"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			docs, ps := Read("small.yaml", []byte(tt.give))
			if docs != nil {
				t.Errorf("a file with problems gives packs")
			}
			lines := strings.Split(strings.TrimSuffix(told(ps), "\n"), "\n")
			ok := len(lines) == len(tt.want)
			for i := range lines {
				ok = ok && strings.HasPrefix(lines[i], tt.want[i])
			}
			if !ok {
				t.Errorf("told\n%swant\n%s", told(ps), strings.Join(tt.want, "\n"))
			}
		})
	}
}

// TestReadEverything: all that a rule can state is read, in either spelling and as JSON, as protoyaml reads it.
func TestReadEverything(t *testing.T) {
	t.Parallel()
	want := example(t)
	asJSON, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	snake, err := protojson.MarshalOptions{UseProtoNames: true, Multiline: true}.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	for name, raw := range map[string][]byte{"yaml": []byte(everything), "json": asJSON, "snake_case": snake, "bom": []byte("\ufeff" + everything), "windows": []byte(strings.ReplaceAll(everything, "\n", "\r\n"))} {
		docs, ps := Read("dir.d/house.yaml", raw)
		if len(ps) > 0 || len(docs) != 1 || docs[0].ID != "house" || !proto.Equal(docs[0].Message, want) || len(docs[0].Pack.Rules) != 2 {
			t.Errorf("%s: %d packs, problems:\n%s", name, len(docs), told(ps))
		}
	}
}

// TestReadNames: the id is the name's, or the file's.
func TestReadNames(t *testing.T) {
	t.Parallel()
	text := "name: rulePacks/one\n" + small + "---\nname: orgs/reef/rulePacks/two\n" + small + "...\n---\n" + small + "---\n"
	docs, ps := Read("packs/three.yml", []byte(text))
	if len(ps) > 0 || len(docs) != 3 {
		t.Fatalf("%d packs, problems:\n%s", len(docs), told(ps))
	}
	for i, want := range []Document{{ID: "one", Line: 1}, {ID: "two", Org: "reef", Line: 15}, {ID: "three", Line: 30}} {
		d := docs[i]
		if d.ID != want.ID || d.Org != want.Org || d.Line != want.Line || d.Message.GetName() != "" || d.Pack.ID != want.ID {
			t.Errorf("pack %d is %s of %q on line %d, name %q", i, d.ID, d.Org, d.Line, d.Message.GetName())
		}
	}
	for _, name := range []string{"standard input", "My packs.yaml", "-", "..", ""} {
		if _, ps := Read(name, []byte(small)); len(ps) != 1 || ps[0].Field != "name" || !strings.Contains(ps[0].Text, "state name: rulePacks/{pack}") {
			t.Errorf("%q: problems\n%s", name, told(ps))
		}
	}
	if docs, ps := ReadAs("house", []byte(small)); len(ps) > 0 || docs[0].ID != "house" {
		t.Errorf("problems:\n%s", told(ps))
	}
}

// TestShippedPacksRead: the packs in the tree have no problems, and each says that local code or the maker's manual wins.
func TestShippedPacksRead(t *testing.T) {
	t.Parallel()
	ids, err := Shipped.IDs()
	if err != nil || len(ids) == 0 {
		t.Fatal(err)
	}
	for _, id := range ids {
		name := id + ".yaml"
		raw, err := fs.ReadFile(Shipped, name)
		if err != nil {
			t.Fatal(err)
		}
		docs, ps := Read(name, raw)
		for _, p := range ps {
			t.Error(p.At(name))
		}
		for _, d := range docs {
			if d.ID+".yaml" != name {
				t.Errorf("%s holds the pack %s", name, d.ID)
			}
		}
	}
	demo, err := filepath.Glob("../../../testdata/demo/rules/*.yaml")
	if err != nil || len(demo) == 0 {
		t.Fatal(err)
	}
	for _, name := range demo {
		raw, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		_, ps := Read(name, raw)
		for _, p := range ps {
			t.Error(p.At(name))
		}
	}
}

// publishable holds a document against everything that PublishRulePack checks before it writes.
func publishable(d Document) error {
	req := &compliancepb.PublishRulePackRequest{Parent: "orgs/reef", RulePackId: d.ID, RulePack: d.Message}
	if err := rpc.Validate(req); err != nil {
		return err
	}
	if _, vs := Of(d.ID, "rule_pack", d.Message); len(vs) > 0 {
		return fmt.Errorf("%+v", vs)
	}
	return nil
}

// FuzzRead: whatever a file holds, it is read or refused in bounded time and memory, every problem has a place in the file and says something,
// and what is read can be published and is what protoyaml reads.
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
	f.Add([]byte(everything))
	f.Add([]byte(small + "---\n" + small))
	for _, h := range hostileFiles() {
		f.Add([]byte(h.text[:min(len(h.text), 4000)]))
	}
	for _, s := range []string{
		"title: &a x\ncautions: [*a]", "? [a]\n: b", "title: |2\n   x", "rules: [{scope: {where: >-\n  a\n  b}}]", "%YAML 1.2\n---\ntitle: \"\\u0041\"", "{\"title\": \"\\ud83d\\ude00\"}",
		strings.ReplaceAll(small, "  ", "\t"), strings.ReplaceAll(small, "\n", "\r"), strings.ReplaceAll(small, "\n", "\u2028"), "title: a\rb\x10", "\ufeffa\u0085b: \xff", "\ufeff" + small, small + "title: Again\n", "rules: [{id: a, id: b}]", "a: !!binary x", "? |\n a\n: - b\n  - ? c",
		"title: 'it''s'\ncautions: [\"a\\\n b\", 'a\n\n b']\n", "--- # a\n...\n# b\n--- |\n x\n...", "rules:\n- scope:\n    where: |+\n\n      kind ==\n\n        3\n\n",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		if len(raw) > 1<<16 {
			return
		}
		before, start := allocated(), time.Now()
		docs, ps := Read("fuzz.yaml", raw)
		if took, bytes := time.Since(start), allocated()-before; took > mostTime || bytes > mostBytes {
			t.Fatalf("it took %v and %d MB", took, bytes>>20)
		}
		if (len(docs) == 0) == (len(ps) == 0) {
			t.Fatalf("%d packs and %d problems", len(docs), len(ps))
		}
		source := yamlproto.Lines(raw)
		for _, p := range ps {
			if p.Line < 1 || p.Column < 1 || p.Text == "" || p.Line > len(source) || p.Column > utf8.RuneCountInString(source[p.Line-1])+1 {
				t.Errorf("problem %+v; the file has %d lines", p, len(source))
			}
		}
		for _, d := range docs {
			if err := publishable(d); err != nil {
				t.Errorf("read and refused: %v", err)
			}
		}
		if len(docs) > 0 {
			m := &compliancepb.RulePack{}
			if err := protoyaml.Unmarshal(raw, m); err != nil {
				t.Errorf("protoyaml does not read it: %v", err)
			} else if m.Name = ""; !proto.Equal(m, docs[0].Message) && len(docs) == 1 {
				t.Errorf("protoyaml reads %v, and not %v", m, docs[0].Message)
			}
		}
	})
}
