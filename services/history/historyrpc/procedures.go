package historyrpc

import (
	"context"
	"fmt"
	"strings"
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/procedure"
)

// procedures finds the procedures that an org can open orders by. It is safe for concurrent use.
type procedures struct {
	shipped func() (shippedProcedures, error)
}

// shippedProcedures are the revisions of what comes with Strandline, rising, by id.
type shippedProcedures struct {
	ids  []string // sorted
	byID map[string][]procedure.Document
}

func newProcedures(library procedure.Library) *procedures {
	return &procedures{sync.OnceValues(func() (out shippedProcedures, err error) {
		if out.ids, err = library.IDs(); err != nil {
			return out, errs.New(errs.Internal, "INTERNAL", "the shipped procedures cannot be listed").Because(err)
		}
		out.byID = map[string][]procedure.Document{}
		for _, id := range out.ids {
			if out.byID[id], _, err = library.Procedure(id); err != nil {
				return out, err
			}
		}
		return out, nil
	})}
}

// procedure returns a revision of a procedure, the last for 0, and its message with its name in the org. Both are shared: they are read, not changed.
// Errors: NOT_FOUND, with the ids that there are or the last revision.
func (p *procedures) procedure(_ context.Context, org tenant.Org, id string, revision int) (*procedure.Procedure, *historypb.Procedure, error) {
	shipped, err := p.shipped()
	if err != nil {
		return nil, nil, err
	}
	docs := shipped.byID[id]
	name := resname.ProcedureName(org, id)
	if len(docs) == 0 {
		return nil, nil, errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("there is no procedure %s; there are %s", id, strings.Join(shipped.ids, ", ")), "name", name)
	}
	last := &docs[len(docs)-1]
	if revision == 0 {
		return &last.Procedure, named(name, last.Message), nil
	}
	for i := range docs {
		if docs[i].Procedure.Revision == revision {
			return &docs[i].Procedure, named(name, docs[i].Message), nil
		}
	}
	return nil, nil, errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("%s has no revision %d; the last is %d", id, revision, last.Procedure.Revision), "name", name)
}

// named returns a message with a name, which shares the rest with the one given.
func named(name string, of *historypb.Procedure) *historypb.Procedure {
	out := &historypb.Procedure{}
	to := out.ProtoReflect()
	of.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		to.Set(f, v)
		return true
	})
	out.Name = name
	return out
}
