package systemtest

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"buf.build/go/protoyaml"
	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance/packs"
)

// publishedFile is one file of testdata/published: cases that follow from a published rule, with their source.
type publishedFile struct {
	Source   string         `yaml:"source"`
	Packs    []string       `yaml:"packs"`  // shipped packs
	Inline   []any          `yaml:"inline"` // packs written out in the file
	Fixtures map[string]any `yaml:"fixtures"`
	Cases    []publishedCase
}

type publishedCase struct {
	Name       string   `yaml:"name"`
	Request    any      `yaml:"request"` // strandline.compliance.v1.EvaluateRequest without packs and instants
	Instant    string   `yaml:"instant"`
	KnownTime  string   `yaml:"knownTime"`
	Clock      string   `yaml:"clock"`   // {pack}/{rule} that must run
	NoClock    string   `yaml:"noClock"` // {pack}/{rule} that must not
	DueDate    string   `yaml:"dueDate"`
	DivesLeft  *int64   `yaml:"divesLeft"`
	FillsLeft  *int64   `yaml:"fillsLeft"`
	HoursLeft  string   `yaml:"hoursLeft"` // as Go writes a duration: 6h30m
	State      string   `yaml:"state"`
	MayFill    bool     `yaml:"mayFill"`
	MayHandOut bool     `yaml:"mayHandOut"`
	Reasons    []string `yaml:"reasons"` // all of them, sorted, without repeats
}

// TestPublished puts every case of testdata/published to the public Evaluate RPC and compares the answer with what the
// published source says. It prints how many cases each source has.
func TestPublished(t *testing.T) {
	stack := Start(t)
	client := compliancepb.NewComplianceServiceClient(stack.Public(t, "auditor", "reader"))
	files, err := filepath.Glob("../../testdata/published/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no published cases: %v", err)
	}
	total := 0
	for _, path := range files {
		var f publishedFile
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		dec := yaml.NewDecoder(strings.NewReader(string(raw)))
		dec.KnownFields(true)
		if err := dec.Decode(&f); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		if f.Source == "" {
			t.Errorf("%s names no source", path)
		}
		rulePacks := loadPacks(t, f)
		total += len(f.Cases)
		t.Logf("%3d cases: %s", len(f.Cases), f.Source)
		for _, c := range f.Cases {
			t.Run(strings.TrimSuffix(filepath.Base(path), ".yaml")+"/"+c.Name, func(t *testing.T) {
				req := &compliancepb.EvaluateRequest{}
				fromYAML(t, c.Request, req)
				req.RulePacks = rulePacks
				req.Instant = instant(t, c.Instant)
				if c.KnownTime != "" {
					req.KnownTime = instant(t, c.KnownTime)
				}
				resp, err := client.Evaluate(t.Context(), req)
				if err != nil {
					t.Fatal(err)
				}
				c.check(t, resp.GetStanding())
			})
		}
	}
	t.Logf("%d published cases in %d files", total, len(files))
}

func (c publishedCase) check(t *testing.T, s *compliancepb.Standing) {
	t.Helper()
	if s.GetMayFill() != c.MayFill || s.GetMayHandOut() != c.MayHandOut {
		t.Errorf("may fill %v, may hand out %v; want %v, %v", s.GetMayFill(), s.GetMayHandOut(), c.MayFill, c.MayHandOut)
	}
	var reasons []string
	for _, r := range s.GetReasons() {
		reasons = append(reasons, strings.TrimPrefix(r.GetCode().String(), "REASON_"))
	}
	slices.Sort(reasons)
	if reasons = slices.Compact(reasons); !slices.Equal(reasons, c.Reasons) {
		t.Errorf("reasons %v, want %v", reasons, c.Reasons)
	}
	if (len(s.GetReasons()) == 0) != (s.GetMayFill() && s.GetMayHandOut()) {
		t.Errorf("a no without a reason, or a reason without a no: %v", s.GetReasons())
	}
	if k := findClock(s, c.NoClock); c.NoClock != "" && k != nil {
		t.Errorf("rule %s runs and should not", c.NoClock)
	}
	if c.Clock == "" {
		return
	}
	k := findClock(s, c.Clock)
	if k == nil {
		t.Fatalf("rule %s does not run; clocks: %v", c.Clock, s.GetClocks())
	}
	if d := k.GetDueDate(); c.DueDate != "" && fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay()) != c.DueDate {
		t.Errorf("due %v, want %s", d, c.DueDate)
	}
	if got := strings.TrimPrefix(k.GetState().String(), "STATE_"); c.State != "" && got != c.State {
		t.Errorf("state %s, want %s", got, c.State)
	}
	if c.DivesLeft != nil && (k.DivesLeft == nil || k.GetDivesLeft() != *c.DivesLeft) {
		t.Errorf("dives left %v, want %d", k.DivesLeft, *c.DivesLeft)
	}
	if c.FillsLeft != nil && (k.FillsLeft == nil || k.GetFillsLeft() != *c.FillsLeft) {
		t.Errorf("fills left %v, want %d", k.FillsLeft, *c.FillsLeft)
	}
	if want, err := time.ParseDuration(c.HoursLeft); c.HoursLeft != "" && (err != nil || k.GetRunningTimeLeft() == nil || k.GetRunningTimeLeft().AsDuration() != want) {
		t.Errorf("running time left %v, want %s", k.GetRunningTimeLeft().AsDuration(), c.HoursLeft)
	}
	if len(k.GetExplanation()) == 0 {
		t.Error("the clock explains nothing")
	}
}

func findClock(s *compliancepb.Standing, rule string) *compliancepb.Clock {
	pack, id, _ := strings.Cut(rule, "/")
	for _, k := range s.GetClocks() {
		if strings.HasSuffix(k.GetRule(), "rulePacks/"+pack+"/rules/"+id) {
			return k
		}
	}
	return nil
}

func loadPacks(t *testing.T, f publishedFile) []*compliancepb.RulePack {
	t.Helper()
	var out []*compliancepb.RulePack
	for _, id := range f.Packs {
		raw, err := packs.Files.ReadFile(id + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		p := &compliancepb.RulePack{}
		if err := protoyaml.Unmarshal(raw, p); err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		p.Name = "rulePacks/" + id
		out = append(out, p)
	}
	for _, v := range f.Inline {
		p := &compliancepb.RulePack{}
		fromYAML(t, v, p)
		out = append(out, p)
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

// TestPublishedReasonsAreKnown keeps the case files honest: a reason that is not in the API would never match.
func TestPublishedReasonsAreKnown(t *testing.T) {
	files, _ := filepath.Glob("../../testdata/published/*.yaml")
	for _, path := range files {
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var f publishedFile
		if err := yaml.Unmarshal(raw, &f); err != nil {
			t.Fatal(err)
		}
		for _, c := range f.Cases {
			for _, r := range c.Reasons {
				if _, ok := typepb.Reason_value["REASON_"+r]; !ok {
					t.Errorf("%s: %s: unknown reason %s", path, c.Name, r)
				}
			}
		}
	}
}
