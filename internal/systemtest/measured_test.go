package systemtest

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"strandline.example/strandline/internal/measure"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench/wire"
)

// measuredFile is one file of testdata/measured: readings whose verdict follows from a published rule, with its source.
type measuredFile struct {
	name    string
	Source  string         // of every case that states none of its own
	Tests   map[string]any // for the cases to refer to
	Cases   []measuredCase
	Factors any // of units: another test compares them
}

// measuredCase is what was read and what the source says of it.
type measuredCase struct {
	Name       string
	Source     string
	Test       map[string]any // strandline.history.v1.TestSpec, with quantities as text
	Readings   map[string]any
	Want       string            // verdict of the whole
	Criteria   map[string]string // verdicts
	Derived    map[string]string // quantities
	GuardBand  map[string]string `yaml:"guardBand"`
	Conforming map[string]string // chances, to the digits written
}

// TestMeasured puts every case of testdata/measured to the public Judge RPC and compares the answer with what the published source says. It prints how
// many cases each source has, and fails for a criterion that has no case that passes or none that fails.
func TestMeasured(t *testing.T) {
	t.Parallel()
	client := historypb.NewBenchServiceClient(Start(t).Public(t, "technician", "reader"))
	paths, err := filepath.Glob("../../testdata/measured/*.yaml")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no measured cases: %v", err)
	}
	bySource := map[string]int{}
	sides := map[string]map[historypb.Verdict]bool{} // by file, test and criterion
	total := 0
	for _, path := range paths {
		f := measuredFile{name: strings.TrimSuffix(filepath.Base(path), ".yaml")}
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := yaml.Unmarshal(raw, &f); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		if f.Factors == nil && (len(f.Cases) == 0 || f.Source == "") {
			t.Errorf("%s has no cases or no source", path)
		}
		for i := range f.Cases {
			c := &f.Cases[i]
			source := c.Source
			if source == "" {
				source = f.Source
			}
			bySource[source]++
			total++
			t.Run(f.name+"/"+c.Name, func(t *testing.T) {
				spec := c.spec(t)
				resp, err := client.Judge(t.Context(), &historypb.JudgeRequest{Spec: spec, TestDate: &date.Date{Year: 2026, Month: 5, Day: 20}, Readings: c.readings(t, spec)})
				if err != nil {
					t.Fatal(err)
				}
				c.check(t, resp.GetJudgement())
				for _, r := range resp.GetJudgement().GetResults() {
					at := f.name + ", test " + spec.GetId() + ", criterion " + r.GetCriterion()
					if sides[at] == nil {
						sides[at] = map[historypb.Verdict]bool{}
					}
					sides[at][r.GetVerdict()] = true
				}
			})
		}
	}
	for _, at := range slices.Sorted(maps.Keys(sides)) {
		if !sides[at][historypb.Verdict_VERDICT_PASS] || !sides[at][historypb.Verdict_VERDICT_FAIL] {
			t.Errorf("%s: want a case that passes and one that fails", at)
		}
	}
	for _, source := range slices.Sorted(maps.Keys(bySource)) {
		t.Logf("%4d  %s", bySource[source], source)
	}
	t.Logf("%d measured cases from %d sources in %d files", total, len(bySource), len(paths))
}

// quantity reads a quantity from its text.
func quantityPB(t *testing.T, text string) *historypb.Quantity {
	t.Helper()
	q, err := measure.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return wire.QuantityPB(q)
}

// spec returns the test of a case.
func (c *measuredCase) spec(t *testing.T) *historypb.TestSpec {
	t.Helper()
	raw, err := json.Marshal(withQuantities(t, c.Test))
	if err != nil {
		t.Fatal(err)
	}
	out := &historypb.TestSpec{}
	if err := protojson.Unmarshal(raw, out); err != nil {
		t.Fatal(err)
	}
	return out
}

// withQuantities writes the limits of a test as messages.
func withQuantities(t *testing.T, v any) any {
	t.Helper()
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, x := range v {
			if text, ok := x.(string); ok && (k == "low" || k == "high" || k == "uncertainty") {
				raw, err := protojson.Marshal(quantityPB(t, text))
				if err != nil {
					t.Fatal(err)
				}
				out[k] = json.RawMessage(raw)
				continue
			}
			out[k] = withQuantities(t, x)
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, x := range v {
			out[i] = withQuantities(t, x)
		}
		return out
	}
	return v
}

// readings returns what was read, each of the kind that the test asks for.
func (c *measuredCase) readings(t *testing.T, spec *historypb.TestSpec) (out []*historypb.Reading) {
	t.Helper()
	kinds := map[string]historypb.ReadingKind{}
	for _, w := range spec.GetReadings() {
		kinds[w.GetName()] = w.GetKind()
	}
	for _, name := range slices.Sorted(maps.Keys(c.Readings)) {
		r := &historypb.Reading{Name: name}
		given := c.Readings[name]
		if m, ok := given.(map[string]any); ok {
			given = m["is"]
			r.Uncertainty = &historypb.Uncertainty{Quantity: quantityPB(t, m["uncertainty"].(string))}
			if k, ok := m["coverage"].(string); ok {
				r.Uncertainty.CoverageFactor = k
			}
			if b, ok := m["basis"].(string); ok {
				r.Uncertainty.Basis = historypb.Uncertainty_Basis(historypb.Uncertainty_Basis_value[b])
			}
		}
		switch kinds[name] {
		case historypb.ReadingKind_READING_KIND_QUANTITY:
			r.Value = &historypb.Reading_Quantity{Quantity: quantityPB(t, given.(string))}
		case historypb.ReadingKind_READING_KIND_SERIES:
			s := &historypb.Series{}
			for _, pair := range given.([]any) {
				p := pair.([]any)
				s.Samples = append(s.Samples, &historypb.Series_Sample{Elapsed: quantityPB(t, p[0].(string)), Quantity: quantityPB(t, p[1].(string))})
			}
			r.Value = &historypb.Reading_Series{Series: s}
		case historypb.ReadingKind_READING_KIND_CHOICE:
			r.Value = &historypb.Reading_Choice{Choice: fmt.Sprint(given)}
		case historypb.ReadingKind_READING_KIND_YES_NO:
			r.Value = &historypb.Reading_Yes{Yes: given.(bool)}
		case historypb.ReadingKind_READING_KIND_COUNT:
			r.Value = &historypb.Reading_Count{Count: int64(given.(int))}
		default:
			t.Fatalf("the test asks for no reading %s", name)
		}
		out = append(out, r)
	}
	return out
}

// check compares a judgement with what the case says.
func (c *measuredCase) check(t *testing.T, j *historypb.Judgement) {
	t.Helper()
	if got := strings.TrimPrefix(j.GetVerdict().String(), "VERDICT_"); got != c.Want {
		t.Errorf("the verdict is %s, want %s", got, c.Want)
	}
	same := func(what string, got *historypb.Quantity, want string) {
		t.Helper()
		q, err := wire.Quantity(got)
		if got == nil || err != nil {
			t.Errorf("%s is %v, want %s; %v", what, got, want, err)
			return
		}
		if n, err := q.Cmp(parsedQuantity(t, want)); err != nil || n != 0 {
			t.Errorf("%s is %s, want %s; %v", what, q, want, err)
		}
	}
	computed := map[string]*historypb.Quantity{}
	for _, d := range j.GetDerived() {
		computed[d.GetName()] = d.GetQuantity()
	}
	for name, want := range c.Derived {
		same(name, computed[name], want)
	}
	results := map[string]*historypb.CriterionResult{}
	for _, r := range j.GetResults() {
		results[r.GetCriterion()] = r
	}
	for id, want := range c.Criteria {
		if got := strings.TrimPrefix(results[id].GetVerdict().String(), "VERDICT_"); got != want {
			t.Errorf("%s is %s, want %s: %s", id, got, want, results[id].GetSentence())
		}
	}
	for id, want := range c.GuardBand {
		same("the guard band of "+id, results[id].GetGuardBand(), want)
	}
	for id, want := range c.Conforming {
		_, decimals, _ := strings.Cut(want, ".")
		if got := strconv.FormatFloat(results[id].GetConformanceProbability(), 'f', len(decimals), 64); got != want || results[id].ConformanceProbability == nil {
			t.Errorf("the chance that %s conforms is %s, want %s", id, got, want)
		}
	}
	if t.Failed() {
		for _, r := range j.GetResults() {
			t.Log(r.GetSentence())
		}
		t.Log(j.GetReasons())
	}
}

func parsedQuantity(t *testing.T, text string) measure.Quantity {
	t.Helper()
	q, err := measure.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// TestJudgeRefuses: what is no test or no reading is refused over the wire, with a violation for each fault.
func TestJudgeRefuses(t *testing.T) {
	t.Parallel()
	client := historypb.NewBenchServiceClient(Start(t).Public(t, "technician", "reader"))
	req := &historypb.JudgeRequest{
		Spec: &historypb.TestSpec{Id: "x", Title: "X",
			Readings: []*historypb.WantedReading{{Name: "total", Kind: historypb.ReadingKind_READING_KIND_QUANTITY, Unit: "mL"}},
			Criteria: []*historypb.Criterion{{Id: "a", Of: "totl", Comparison: historypb.Comparison_COMPARISON_AT_MOST, High: quantityPB(t, "10 mL"), DecisionRule: historypb.DecisionRule_DECISION_RULE_SIMPLE, Source: &historypb.Citation{Document: "invented"}}},
		},
		TestDate: &date.Date{Year: 2026, Month: 5},
	}
	_, err := client.Judge(t.Context(), req)
	got := violationsOf(err)
	for field, want := range map[string]string{"spec.criteria[0].of": "line 1, column 1: there is no reading and no function called totl", "test_date": "state the day on which the test was done"} {
		if !strings.Contains(got[field], want) {
			t.Errorf("%s: %q, want %q; %v", field, got[field], want, err)
		}
	}
	req.Spec.Criteria[0].Of, req.TestDate.Day = "total", 20
	req.Readings = []*historypb.Reading{{Name: "total", Value: &historypb.Reading_Quantity{Quantity: &historypb.Quantity{Value: "1", Unit: "bar", Reference: historypb.PressureReference_PRESSURE_REFERENCE_GAUGE}}}}
	_, err = client.Judge(t.Context(), req)
	if got := violationsOf(err)["readings[0].quantity"]; !strings.Contains(got, "it is in bar, which measures pressure; want volume") {
		t.Errorf("%q, %v", got, err)
	}
	req.Readings[0].Value = &historypb.Reading_Quantity{Quantity: &historypb.Quantity{Value: "1e9", Unit: "mL"}}
	if _, err = client.Judge(t.Context(), req); violationsOf(err)["readings[0].quantity.value"] == "" {
		t.Errorf("an exponent: %v", err)
	}
}

// violationsOf returns what is wrong with each field of a request, by the error that refuses it.
func violationsOf(err error) map[string]string {
	out := map[string]string{}
	for _, d := range status.Convert(err).Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range b.GetFieldViolations() {
				out[v.GetField()] = v.GetDescription()
			}
		}
	}
	return out
}
