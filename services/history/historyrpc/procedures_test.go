package historyrpc

import (
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/historypg"
	"strandline.example/strandline/services/history/procedure"
)

// TestShippedProcedures: each shipped procedure is found in its last revision and in one that is named, as its file states it and under the org's name;
// what there is not is told with what there is.
func TestShippedProcedures(t *testing.T) {
	t.Parallel()
	org, p := tenant.Must("reef"), newProcedures(procedure.Shipped, historypg.New(pgtest.New(t).Open(t, historypg.Schema)))
	ids, err := procedure.Shipped.IDs()
	if err != nil || len(ids) == 0 {
		t.Fatal(ids, err)
	}
	for _, id := range ids {
		docs, _, err := procedure.Shipped.Procedure(id)
		if err != nil {
			t.Fatal(err)
		}
		for _, revision := range []int{0, docs[0].Procedure.Revision} {
			want := docs[0]
			if revision == 0 {
				want = docs[len(docs)-1]
			}
			of, message, err := p.procedure(t.Context(), org, id, revision)
			if err != nil {
				t.Fatal(id, revision, err)
			}
			if of.ID != id || of.Revision != want.Procedure.Revision || len(of.Steps) != len(want.Procedure.Steps) || message.GetName() != "orgs/reef/procedures/"+id {
				t.Errorf("%s revision %d: found %s revision %d as %s", id, revision, of.ID, of.Revision, message.GetName())
			}
			message.Name = ""
			if !proto.Equal(message, want.Message) {
				t.Errorf("%s revision %d is not what its file states", id, revision)
			}
			if again, _, _ := p.procedure(t.Context(), org, id, revision); again != of {
				t.Errorf("%s revision %d is read again", id, revision)
			}
		}
	}
	if _, _, err := p.procedure(t.Context(), org, "atlantis", 0); !errs.Is(err, "NOT_FOUND") || slices.ContainsFunc(ids, func(id string) bool { return !strings.Contains(err.Error(), id) }) {
		t.Errorf("a procedure that is none: %v", err)
	}
	if _, _, err := p.procedure(t.Context(), org, ids[0], 7); !errs.Is(err, "NOT_FOUND") || !strings.Contains(err.Error(), "the last is 1") {
		t.Errorf("a revision that is none: %v", err)
	}
}

// slate is a procedure in a revision.
func slate(name string, revision, title string) string {
	return "name: procedures/" + name + "\nrevision: " + revision + "\ntitle: " + title + `
kinds: [slate]
purpose: cleaning
activities: [cleaning]
qualification: cleaning
cautions: [Local code and the maker's manual win over this procedure.]
steps: [{id: rinse, do: Rinse it., critical: true}]
`
}

// TestOwnProcedures: what an org published is read once; a revision that a later version does not take any more is told and not guessed at; a name that is shipped
// only later stays the org's, and is shipped to the others.
func TestOwnProcedures(t *testing.T) {
	t.Parallel()
	store := historypg.New(pgtest.New(t).Open(t, historypg.Schema))
	library := procedure.Library{FS: fstest.MapFS{"slate.yaml": {Data: []byte(slate("slate", "1", "As it is shipped"))}}}
	p, reef, bay := newProcedures(library, store), tenant.Must("reef"), tenant.Must("bay")
	publish := func(id string, revision int, source string) {
		t.Helper()
		r := history.ProcedureRevision{ProcedureKey: history.ProcedureKey{ID: id, Revision: revision}, Source: source, Recorder: "test", Created: time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)}
		if err := store.PublishProcedures(t.Context(), reef, []history.ProcedureKey{r.ProcedureKey}, func(map[history.ProcedureKey]history.ProcedureRevision, map[string]int) ([]history.ProcedureRevision, error) {
			return []history.ProcedureRevision{r}, nil
		}); err != nil {
			t.Fatal(err)
		}
	}
	publish("slate", 1, slate("slate", "1", "The reef's own"))
	publish("slate", 3, slate("slate", "3", "The reef's third"))
	for _, tt := range []struct {
		org      tenant.Org
		revision int
		title    string
	}{{reef, 0, "The reef's third"}, {reef, 1, "The reef's own"}, {reef, 3, "The reef's third"}, {bay, 0, "As it is shipped"}, {bay, 1, "As it is shipped"}} {
		of, message, err := p.procedure(t.Context(), tt.org, "slate", tt.revision)
		if err != nil || message.GetTitle() != tt.title || message.GetName() != tt.org.Name()+"/procedures/slate" || of.Title != tt.title {
			t.Fatalf("%s, revision %d: %q, %v", tt.org.ID, tt.revision, message.GetTitle(), err)
		}
		if again, _, _ := p.procedure(t.Context(), tt.org, "slate", tt.revision); again != of {
			t.Errorf("%s, revision %d: it is read again", tt.org.ID, tt.revision)
		}
	}
	if _, _, err := p.procedure(t.Context(), reef, "slate", 2); !errs.Is(err, "NOT_FOUND") || !strings.Contains(err.Error(), "the last is 3") {
		t.Errorf("a revision between: %v", err)
	}
	publish("worse", 1, strings.Replace(slate("worse", "1", "Without a critical step"), "true", "false", 1))
	publish("other", 2, slate("other", "1", "Another revision than it says"))
	for id, revision := range map[string]int{"worse": 1, "other": 2} {
		if _, _, err := p.procedure(t.Context(), reef, id, revision); !errs.Is(err, "INTERNAL") || !strings.Contains(err.Error(), "publish the next revision") {
			t.Errorf("%s: %v", id, err)
		}
	}
	for i := range 2 * keptProcedures {
		p.keep(bay, &foundProcedure{revision: history.ProcedureRevision{ProcedureKey: history.ProcedureKey{ID: "slate", Revision: i + 1}}})
	}
	if len(p.kept) > keptProcedures {
		t.Errorf("%d are kept", len(p.kept))
	}
}
