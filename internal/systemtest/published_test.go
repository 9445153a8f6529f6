package systemtest

import (
	"bytes"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"
	grpccodes "google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance/packs"
)

// publishedFile is one file of testdata/published: cases that follow from a published rule, with their source.
type publishedFile struct {
	name     string
	Source   string         `yaml:"source"`   // of every case that states none of its own
	Packs    []string       `yaml:"packs"`    // shipped packs
	Inline   []any          `yaml:"inline"`   // packs written out in the file
	Fixtures map[string]any `yaml:"fixtures"` // requests, for the cases to refer to
	Cases    []publishedCase

	Excused map[string]string `yaml:"excused"` // rules, {pack}/{rule}, that need no case on each side of their limits, each with the reason
}

// publishedCase is a question and what the source says of it. What is left out is not compared, but for the reasons and what may be
// done, which always are.
type publishedCase struct {
	Name       string   `yaml:"name"`
	Source     string   `yaml:"source"`  // if it is not the file's
	Packs      []string `yaml:"packs"`   // shipped packs, if they are not the file's
	Request    any      `yaml:"request"` // strandline.compliance.v1.EvaluateRequest without packs and instants; may have waivers
	Instant    string   `yaml:"instant"`
	KnownTime  string   `yaml:"knownTime"`
	MayFill    bool     `yaml:"mayFill"`
	MayHandOut bool     `yaml:"mayHandOut"`
	Reasons    []string `yaml:"reasons"` // all of them, sorted, without repeats
	Refused    string   `yaml:"refused"` // the question is refused as invalid, in a sentence with these words; then nothing else is expected

	Clock     string   `yaml:"clock"`   // {pack}/{rule} that must run
	NoClock   string   `yaml:"noClock"` // {pack}/{rule} that must not
	State     string   `yaml:"state"`
	Authority string   `yaml:"authority"`
	Anchor    string   `yaml:"anchor"` // entry, or baseline such as MANUFACTURE, that it counts from
	DueDate   string   `yaml:"dueDate"`
	PhaseIn   string   `yaml:"phaseIn"` // date
	DivesLeft *int64   `yaml:"divesLeft"`
	HoursLeft string   `yaml:"hoursLeft"` // 1h30m
	HoursUsed string   `yaml:"hoursUsed"`
	FillsLeft *int64   `yaml:"fillsLeft"`
	Waived    *bool    `yaml:"waived"`
	Says      []string `yaml:"says"`    // parts of the sentences that explain it
	SaysNot   []string `yaml:"saysNot"` // what no sentence says

	Estimated struct {
		Dives *int64 `yaml:"dives"`
		Hours string `yaml:"hours"`
		Fills *int64 `yaml:"fills"`
	} `yaml:"estimated"` // of what was used
}

// source returns where the case is from.
func (c *publishedCase) source(f *publishedFile) string {
	if c.Source != "" {
		return c.Source
	}
	return f.Source
}

// packs returns the ids of the shipped packs that the case is judged by.
func (c *publishedCase) packs(f *publishedFile) []string {
	if len(c.Packs) > 0 {
		return c.Packs
	}
	return f.Packs
}

// TestPublished puts every case of testdata/published to the public Evaluate RPC and compares the answer with what the
// published source says. It prints how many cases each source has, and fails for a shipped rule that has no case on each side of
// its limits. With -short it asks every tenth.
func TestPublished(t *testing.T) {
	stack := Start(t)
	client := compliancepb.NewComplianceServiceClient(stack.Public(t, "auditor", "reader"))
	files := publishedFiles(t)
	met := sides{}
	bySource := map[string]int{}
	total := 0
	for _, f := range files {
		for i := range f.Cases {
			c := &f.Cases[i]
			if total++; testing.Short() && total%10 != 0 {
				continue
			}
			bySource[c.source(f)]++
			t.Run(f.name+"/"+c.Name, func(t *testing.T) {
				req := c.request(t, f, packs.Shipped)
				resp, err := client.Evaluate(t.Context(), req)
				if c.Refused != "" {
					if status.Code(err) != grpccodes.InvalidArgument || !strings.Contains(err.Error(), c.Refused) {
						t.Errorf("answer %v, error %v; want it refused: %s", resp, err, c.Refused)
					}
					return
				}
				if err != nil {
					t.Fatal(err)
				}
				c.check(t, resp.GetStanding())
				met.add(c, req, resp.GetStanding())
			})
		}
	}
	t.Run("sides", func(t *testing.T) {
		if testing.Short() {
			t.Skip("only every tenth case was asked")
		}
		for _, fault := range met.faults(t, packs.Shipped, files) {
			t.Error(fault)
		}
	})
	for _, source := range slices.Sorted(maps.Keys(bySource)) {
		t.Logf("%4d  %s", bySource[source], source)
	}
	t.Logf("%d published cases from %d sources in %d files", total, len(bySource), len(files))
}

// publishedFiles reads testdata/published.
func publishedFiles(t *testing.T) (out []*publishedFile) {
	t.Helper()
	paths, err := filepath.Glob("../../testdata/published/*.yaml")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no published cases: %v", err)
	}
	for _, path := range paths {
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, readPublished(t, path, raw))
	}
	return out
}

// readPublished reads a file of cases.
func readPublished(t *testing.T, path string, raw []byte) *publishedFile {
	t.Helper()
	f := &publishedFile{name: strings.TrimSuffix(filepath.Base(path), ".yaml")}
	dec := yaml.NewDecoder(bytes.NewReader(raw))
	dec.KnownFields(true)
	if err := dec.Decode(f); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return f
}

// request returns the question of a case about packs of a library.
func (c *publishedCase) request(t *testing.T, f *publishedFile, library packs.Library) *compliancepb.EvaluateRequest {
	t.Helper()
	req := &compliancepb.EvaluateRequest{}
	fromYAML(t, c.Request, req)
	for _, id := range c.packs(f) {
		req.RulePacks = append(req.RulePacks, packOf(t, library, id)...)
	}
	for _, v := range f.Inline {
		p := &compliancepb.RulePack{}
		fromYAML(t, v, p)
		req.RulePacks = append(req.RulePacks, p)
	}
	req.Instant = instant(t, c.Instant)
	if c.KnownTime != "" {
		req.KnownTime = instant(t, c.KnownTime)
	}
	return req
}

// packOf reads the revisions of a pack of a library.
func packOf(t *testing.T, library packs.Library, id string) (out []*compliancepb.RulePack) {
	t.Helper()
	docs, _, err := library.Pack(id)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range docs {
		d.Message.Name = "rulePacks/" + d.ID
		out = append(out, d.Message)
	}
	return out
}

func fromYAML(t *testing.T, v any, m proto.Message) {
	t.Helper()
	raw, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	if err := protojson.Unmarshal(raw, m); err != nil {
		t.Fatal(err)
	}
}

func instant(t *testing.T, s string) *timestamppb.Timestamp {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return timestamppb.New(at)
}

// TestPublishedFiles keeps the case files honest: each case says where it is from and which rule it is about, no name is there
// twice, and no word is expected that the API does not have and that would never match.
func TestPublishedFiles(t *testing.T) {
	for _, f := range publishedFiles(t) {
		seen := map[string]bool{}
		for i := range f.Cases {
			c := &f.Cases[i]
			at := f.name + ": " + c.Name
			switch {
			case c.Name == "" || seen[c.Name]:
				t.Errorf("%s: no name, or one that another case has", at)
			case strings.TrimSpace(c.source(f)) == "":
				t.Errorf("%s: neither the case nor its file states a source", at)
			case c.Refused != "":
			case c.Clock == "" && c.NoClock == "" && len(c.Reasons) == 0:
				t.Errorf("%s: it is about no clock and no reason", at)
			case c.Clock == "" && (c.State != "" || c.DueDate != "" || len(c.Says) > 0):
				t.Errorf("%s: it expects something of a clock that it does not name", at)
			case (len(c.Reasons) == 0) != (c.MayFill && c.MayHandOut):
				t.Errorf("%s: a no needs a reason, and a reason a no", at)
			}
			seen[c.Name] = true
			for _, r := range c.Reasons {
				if _, ok := typepb.Reason_value["REASON_"+r]; !ok {
					t.Errorf("%s: unknown reason %s", at, r)
				}
			}
			if !slices.IsSorted(c.Reasons) {
				t.Errorf("%s: reasons %v are not sorted", at, c.Reasons)
			}
			if _, ok := compliancepb.Clock_State_value["STATE_"+c.State]; c.State != "" && !ok {
				t.Errorf("%s: unknown state %s", at, c.State)
			}
			if _, ok := compliancepb.Authority_value["AUTHORITY_"+c.Authority]; c.Authority != "" && !ok {
				t.Errorf("%s: unknown authority %s", at, c.Authority)
			}
		}
	}
}
