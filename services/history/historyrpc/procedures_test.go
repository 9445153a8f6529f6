package historyrpc

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history/procedure"
)

// TestShippedProcedures: each shipped procedure is found in its last revision and in one that is named, as its file states it and under the org's name;
// what there is not is told with what there is.
func TestShippedProcedures(t *testing.T) {
	t.Parallel()
	org, p := tenant.Must("reef"), newProcedures(procedure.Shipped)
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
		}
		if again, _, _ := p.procedure(t.Context(), org, id, 0); again != &p.must(t).byID[id][len(docs)-1].Procedure {
			t.Errorf("%s is read again", id)
		}
	}
	if _, _, err := p.procedure(t.Context(), org, "atlantis", 0); !errs.Is(err, "NOT_FOUND") || !slices.ContainsFunc(ids, func(id string) bool { return strings.Contains(err.Error(), id) }) {
		t.Errorf("a procedure that is none: %v", err)
	}
	if _, _, err := p.procedure(t.Context(), org, ids[0], 7); !errs.Is(err, "NOT_FOUND") || !strings.Contains(err.Error(), "the last is 1") {
		t.Errorf("a revision that is none: %v", err)
	}
}

func (p *procedures) must(t *testing.T) shippedProcedures {
	t.Helper()
	s, err := p.shipped()
	if err != nil {
		t.Fatal(err)
	}
	return s
}
