package packs

import (
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"strandline.example/strandline/internal/doctest"
	"strandline.example/strandline/services/compliance/due"
)

// TestShippedPacksSayWhereTheyAreFrom guards what is shipped: each pack gives way to local code and the maker's manual, each rule says
// where it was read, and nothing from memory, report or practice passes for law.
func TestShippedPacksSayWhereTheyAreFrom(t *testing.T) {
	t.Parallel()
	for _, d := range documents(t, Shipped) {
		for _, fault := range faults(&d.Pack) {
			t.Errorf("%s: %s", d.ID, fault)
		}
	}
}

// TestPageSaysWhereItIsFrom: the pack that DEVELOPERS.md writes out would pass as a shipped one.
func TestPageSaysWhereItIsFrom(t *testing.T) {
	t.Parallel()
	found := false
	for _, f := range doctest.Read(t, "../../../DEVELOPERS.md", "Adding a rule pack").Fences {
		if f.Name() != "lagoon.yaml" {
			continue
		}
		found = true
		for _, d := range documents(t, Library{fstest.MapFS{f.Name(): {Data: []byte(f.Text)}}}) {
			for _, fault := range faults(&d.Pack) {
				t.Errorf("%s: %s", d.ID, fault)
			}
		}
	}
	if !found {
		t.Error("the page has no pack")
	}
}

// practice is how a source says that there is none.
const practice = "common practice, no source"

// faults returns what is wrong with a pack as something to ship.
func faults(p *due.Pack) (out []string) {
	if !strings.Contains(strings.Join(p.Cautions, " "), "Local code and the maker's manual win") {
		out = append(out, "no caution says that local code and the maker's manual win")
	}
	if len(p.Rules) == 0 {
		out = append(out, "no rules")
	}
	seen := map[string]bool{}
	for _, r := range p.Rules {
		s := r.Source
		sourced := !s.FromMemory && !strings.HasPrefix(s.Document, practice)
		for field, value := range map[string]string{"section": s.Section, "edition": s.Edition} {
			if sourced && strings.TrimSpace(value) == "" {
				out = append(out, r.ID+": source."+field+" is empty: say where the figure was read and in which edition, or that it is from memory, or "+practice)
			}
		}
		if strings.TrimSpace(s.Document) == "" {
			out = append(out, r.ID+": source.document is empty")
		}
		if (s.FromMemory || strings.Contains(s.Document+s.Section, practice)) && r.Authority != due.House {
			out = append(out, r.ID+": from memory or practice, and yet not house policy")
		}
		if r.Authority == due.Law && unread(&s) {
			out = append(out, r.ID+": shown as law, and its source says that the document was not read")
		}
		if seen[r.ID] {
			out = append(out, r.ID+": there twice")
		}
		seen[r.ID] = true
	}
	return out
}

// unread says whether a source tells that the figure comes from somebody's report of the document.
func unread(s *due.Source) bool {
	text := strings.ToLower(s.Section + " " + s.Edition)
	return slices.ContainsFunc([]string{"not read", "reported", "as explained"}, func(word string) bool { return strings.Contains(text, word) })
}

// TestFaults: the guard finds what it is there to find.
func TestFaults(t *testing.T) {
	t.Parallel()
	good := func() *due.Pack {
		return &due.Pack{
			Cautions: []string{"Local code and the maker's manual win over this pack."},
			Rules:    []due.Rule{{ID: "a", Authority: due.Law, Source: due.Source{Document: "Some law", Section: "1", Edition: "2015"}}},
		}
	}
	if got := faults(good()); len(got) > 0 {
		t.Fatalf("faults in a good pack: %v", got)
	}
	for name, spoil := range map[string]func(p *due.Pack){
		"no caution":          func(p *due.Pack) { p.Cautions[0] = "The maker's manual wins." },
		"no rules":            func(p *due.Pack) { p.Rules = nil },
		"no document":         func(p *due.Pack) { p.Rules[0].Source.Document = " " },
		"no section":          func(p *due.Pack) { p.Rules[0].Source.Section = "" },
		"no edition":          func(p *due.Pack) { p.Rules[0].Source.Edition = "" },
		"a rule twice":        func(p *due.Pack) { p.Rules = append(p.Rules, p.Rules[0]) },
		"law from memory":     func(p *due.Pack) { p.Rules[0].Source.FromMemory = true },
		"law from practice":   func(p *due.Pack) { p.Rules[0].Source.Document = practice },
		"law by hearsay":      func(p *due.Pack) { p.Rules[0].Source.Edition = "as reported by a test house" },
		"standard from habit": func(p *due.Pack) { p.Rules[0].Authority, p.Rules[0].Source.Section = due.Standard, practice },
	} {
		p := good()
		spoil(p)
		if got := faults(p); len(got) != 1 {
			t.Errorf("%s: faults %v, want one", name, got)
		}
	}
}
