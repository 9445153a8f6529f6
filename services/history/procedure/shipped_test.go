package procedure

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"strandline.example/strandline/internal/doctest"
)

// shipped returns every revision of every shipped procedure.
func shipped(t testing.TB) (out []Document) {
	t.Helper()
	ids, err := Shipped.IDs()
	if err != nil || len(ids) == 0 {
		t.Fatalf("no procedures: %v", err)
	}
	for _, id := range ids {
		docs, _, err := Shipped.Procedure(id)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range docs {
			if d.ID != id {
				t.Errorf("%s holds the procedure %s", id, d.ID)
			}
		}
		out = append(out, docs...)
	}
	return out
}

// TestShipped: there is a procedure for each kind of work that a shop does, and every YAML file beside the code is one.
func TestShipped(t *testing.T) {
	t.Parallel()
	ids, err := Shipped.IDs()
	if err != nil {
		t.Fatal(err)
	}
	there, err := Library{os.DirFS(".")}.IDs()
	if err != nil || !slices.Equal(ids, there) {
		t.Errorf("shipped are %v, and there are %v; %v", ids, there, err)
	}
	for _, want := range []string{
		"bcd-inspection", "compressor-air-analysis", "cylinder-hydrostatic-record", "cylinder-visual-inspection", "first-stage-overhaul", "gauge-comparison",
		"regulator-set-inspection", "second-stage-overhaul", "valve-service",
	} {
		if !slices.Contains(ids, want) {
			t.Errorf("there is no %s", want)
		}
	}
}

// practice is how a source says that there is none.
const practice = "common practice, no source"

// TestShippedSayWhereTheyAreFrom: each says first of all that local code and the maker's manual win; and a figure that is not practice or from memory says in which
// section and edition it was read.
func TestShippedSayWhereTheyAreFrom(t *testing.T) {
	t.Parallel()
	for _, d := range shipped(t) {
		for _, fault := range faults(&d.Procedure) {
			t.Errorf("%s: %s", d.ID, fault)
		}
	}
}

// faults returns what is wrong with a procedure as something to ship.
func faults(p *Procedure) (out []string) {
	if !strings.HasPrefix(p.Cautions[0], strings.TrimSuffix(Manual, ".")) {
		out = append(out, "its first caution is not that local code and the maker's manual win")
	}
	if len(p.Cautions) < 3 {
		out = append(out, "it has fewer than three cautions")
	}
	if len(p.Models) > 0 {
		out = append(out, "it is for models, and what is shipped is for no maker's")
	}
	source := func(at, document, section, edition string, fromMemory bool) {
		if fromMemory || strings.HasPrefix(document, practice) {
			if section == "" {
				out = append(out, at+": it does not say what is practised or remembered")
			}
			return
		}
		if section == "" || edition == "" {
			out = append(out, at+": say where the figure was read and in which edition, or that it is from memory, or "+practice)
		}
	}
	for i, s := range p.Stations {
		source(fmt.Sprintf("station %d", i), s.Source.Document, s.Source.Section, s.Source.Edition, s.Source.FromMemory)
	}
	sentences := func(at string, texts ...string) {
		for _, text := range texts {
			if first, _ := utf8.DecodeRuneInString(text); unicode.IsLower(first) || !strings.HasSuffix(text, ".") {
				out = append(out, at+": no sentence, and perhaps cut off by a comma: "+text)
			}
		}
	}
	sentences("cautions", p.Cautions...)
	tested := false
	for _, s := range p.Steps {
		sentences(s.ID, append([]string{s.Do}, s.Cautions...)...)
		for _, b := range s.Bounds {
			source(s.ID+"."+b.ID, b.Source.Document, b.Source.Section, b.Source.Edition, b.Source.FromMemory)
		}
		for _, c := range s.Sources {
			source(s.ID, c.Document, c.Section, c.Edition, c.FromMemory)
		}
		tested = tested || s.Critical && slices.ContainsFunc(s.Tests, func(t StepTest) bool { return !t.AsFound })
	}
	if !tested {
		out = append(out, "no critical step ends it with a test")
	}
	for _, t := range p.Tests {
		for _, c := range t.Bench.Spec().Criteria {
			source(t.ID+"."+c.ID, c.Source.Document, c.Source.Section, c.Source.Edition, c.Source.FromMemory)
			sentences(t.ID+"."+c.ID, c.Says)
		}
	}
	return out
}

// TestPageSaysWhereItIsFrom: the procedure that DEVELOPERS.md writes out would pass as a shipped one, but for being of one model.
func TestPageSaysWhereItIsFrom(t *testing.T) {
	t.Parallel()
	fences := doctest.Read(t, "../../../DEVELOPERS.md", "Adding a procedure").Fences
	i := slices.IndexFunc(fences, func(f doctest.Fence) bool { return f.Name() == "lagoon-suit.yaml" })
	if i < 0 {
		t.Fatal("the page has no procedure")
	}
	docs, ps := Read(fences[i].Name(), []byte(fences[i].Text))
	if len(ps) > 0 {
		t.Fatal(told(ps))
	}
	p := docs[0].Procedure
	if len(p.Models) == 0 {
		t.Error("it names no model")
	}
	p.Models = nil
	for _, fault := range faults(&p) {
		t.Error(fault)
	}
}

// TestFaults: the guard finds what it is there to find.
func TestFaults(t *testing.T) {
	t.Parallel()
	good := func() *Procedure {
		docs, _, err := Shipped.Procedure("second-stage-overhaul")
		if err != nil {
			t.Fatal(err)
		}
		return &docs[0].Procedure
	}
	for name, spoil := range map[string]func(p *Procedure){
		"another first caution": func(p *Procedure) { p.Cautions[0] = "Wear gloves." },
		"few cautions":          func(p *Procedure) { p.Cautions = p.Cautions[:2] },
		"a model":               func(p *Procedure) { p.Models = []string{"drift-2"} },
		"no section":            func(p *Procedure) { p.Step("open-cover").Bounds[0].Source.Section = "" },
		"no edition":            func(p *Procedure) { p.Step("open-cover").Bounds[0].Source.Document = "Some handbook" },
		"no last test": func(p *Procedure) {
			p.Steps = slices.DeleteFunc(p.Steps, func(s Step) bool { return len(s.Tests) > 0 })
		},
		"no sentence": func(p *Procedure) { p.Tests[0].Bench.Spec().Criteria[0].Says = "" },
	} {
		p := good()
		spoil(p)
		if got := faults(p); len(got) != 1 {
			t.Errorf("%s: faults %v, want one", name, got)
		}
	}
}

// TestStationWork: what only an approved station may do is data by jurisdiction; where that is not known, all of it counts.
func TestStationWork(t *testing.T) {
	t.Parallel()
	of := func(id, jurisdiction string) (out []string) {
		docs, _, err := Shipped.Procedure(id)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range docs[0].Procedure.StationWork(jurisdiction) {
			if !slices.Contains(out, s.Activity) {
				out = append(out, s.Activity)
			}
		}
		return out
	}
	for _, tt := range []struct{ id, jurisdiction, want string }{
		{"cylinder-hydrostatic-record", "US-CA", "[hydrostatic-test]"}, {"cylinder-hydrostatic-record", "PT", "[hydrostatic-test]"}, {"cylinder-hydrostatic-record", "", "[hydrostatic-test]"},
		{"cylinder-visual-inspection", "US", "[]"}, {"cylinder-visual-inspection", "AU-QLD", "[visual-inspection]"}, {"cylinder-visual-inspection", "GB", "[visual-inspection]"},
		{"cylinder-visual-inspection", "", "[visual-inspection]"}, {"second-stage-overhaul", "", "[]"},
	} {
		if got := fmt.Sprint(of(tt.id, tt.jurisdiction)); got != tt.want {
			t.Errorf("%s in %q: %s, want %s", tt.id, tt.jurisdiction, got, tt.want)
		}
	}
}
