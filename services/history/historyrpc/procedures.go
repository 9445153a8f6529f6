package historyrpc

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/google/uuid"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/historypg"
	"strandline.example/strandline/services/history/procedure"
)

// procedures finds the procedures that an org can open orders by: its own and those that come with Strandline. An id that the org had before it was shipped stays the
// org's, so that its open orders are worked by what they were opened with. It is safe for concurrent use.
type procedures struct {
	shipped func() (shippedProcedures, error)
	store   *historypg.Store

	mu   sync.Mutex
	kept map[ownProcedure]*foundProcedure
}

// ownProcedure names a revision of a procedure of an org.
type ownProcedure struct {
	org uuid.UUID
	key history.ProcedureKey
}

// keptProcedures bounds what is kept of the orgs' own procedures; it is emptied when full, which costs some reading and nothing else.
const keptProcedures = 256

// foundProcedure is a revision of a procedure.
type foundProcedure struct {
	procedure.Document
	shipped  bool
	revision history.ProcedureRevision // as the org published it; of a shipped one with its file as source
}

// shippedProcedures are the revisions of what comes with Strandline, rising, by id.
type shippedProcedures struct {
	ids  []string // sorted
	byID map[string][]*foundProcedure
}

func newProcedures(library procedure.Library, store *historypg.Store) *procedures {
	return &procedures{store: store, kept: map[ownProcedure]*foundProcedure{}, shipped: sync.OnceValues(func() (out shippedProcedures, err error) {
		if out.ids, err = library.IDs(); err != nil {
			return out, errs.New(errs.Internal, "INTERNAL", "the shipped procedures cannot be listed").Because(err)
		}
		out.byID = map[string][]*foundProcedure{}
		for _, id := range out.ids {
			docs, raw, err := library.Procedure(id)
			if err != nil {
				return out, err
			}
			for _, d := range docs {
				out.byID[id] = append(out.byID[id], &foundProcedure{d, true, history.ProcedureRevision{
					ProcedureKey: history.ProcedureKey{ID: id, Revision: d.Procedure.Revision}, Source: string(raw),
				}})
			}
		}
		return out, nil
	})}
}

// procedure returns a revision of a procedure, the last for 0, and its message with its name in the org. Both are shared: they are read, not changed.
// Errors: NOT_FOUND, with the ids that there are or the last revision.
func (p *procedures) procedure(ctx context.Context, org tenant.Org, id string, revision int) (*procedure.Procedure, *historypb.Procedure, error) {
	found, err := p.find(ctx, org, history.ProcedureKey{ID: id, Revision: revision})
	if err != nil {
		return nil, nil, err
	}
	return &found.Procedure, named(org, found), nil
}

// find is procedure for all that is known of it.
func (p *procedures) find(ctx context.Context, org tenant.Org, key history.ProcedureKey) (*foundProcedure, error) {
	if key.Revision > 0 {
		if kept := p.look(org, key); kept != nil {
			return kept, nil
		}
	}
	last, err := p.store.LastProcedure(ctx, org, key.ID)
	if err != nil {
		return nil, err
	}
	if last == 0 {
		return p.findShipped(ctx, org, key)
	}
	if key.Revision == 0 {
		key.Revision = last
	}
	if kept := p.look(org, key); kept != nil {
		return kept, nil
	}
	r, ok, err := p.store.Procedure(ctx, org, key)
	switch {
	case err != nil:
		return nil, err
	case !ok:
		return nil, noRevision(org, key, last)
	}
	found, err := readProcedure(r)
	if err != nil {
		return nil, err
	}
	p.keep(org, found)
	return found, nil
}

func (p *procedures) findShipped(ctx context.Context, org tenant.Org, key history.ProcedureKey) (*foundProcedure, error) {
	shipped, err := p.shipped()
	if err != nil {
		return nil, err
	}
	all := shipped.byID[key.ID]
	if len(all) == 0 {
		return nil, p.noProcedure(ctx, org, key.ID, shipped.ids)
	}
	last := all[len(all)-1]
	if key.Revision == 0 {
		return last, nil
	}
	for _, f := range all {
		if f.revision.Revision == key.Revision {
			return f, nil
		}
	}
	return nil, noRevision(org, key, last.revision.Revision)
}

// toldProcedures is how many ids an error tells at most.
const toldProcedures = 60

// noProcedure tells that there is no procedure of an id, and which there are.
func (p *procedures) noProcedure(ctx context.Context, org tenant.Org, id string, shipped []string) error {
	own, err := p.store.LastProcedures(ctx, org, "", toldProcedures)
	if err != nil {
		return err
	}
	ids := slices.Clone(shipped)
	for _, k := range own {
		ids = append(ids, k.ID)
	}
	slices.Sort(ids)
	ids = slices.Compact(ids)
	more := ""
	if len(ids) > toldProcedures {
		ids, more = ids[:toldProcedures], " and more"
	}
	name := resname.ProcedureName(org, id)
	e := errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("there is no procedure %s; there are %s%s", id, strings.Join(ids, ", "), more), "resource", name)
	e.Resource = name
	return e
}

func noRevision(org tenant.Org, key history.ProcedureKey, last int) error {
	name := resname.ProcedureName(org, key.ID)
	e := errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("%s has no revision %d; the last is %d", key.ID, key.Revision, last), "resource", name, "revision", fmt.Sprint(key.Revision), "last", fmt.Sprint(last))
	e.Resource = name
	return e
}

// readProcedure reads a revision that an org published. It had no problems then; what a later version would not take any more is not guessed at.
func readProcedure(r history.ProcedureRevision) (*foundProcedure, error) {
	docs, problems := procedure.ReadAs(r.ID, []byte(r.Source))
	if len(problems) == 0 && len(docs) == 1 && docs[0].ID == r.ID && docs[0].Procedure.Revision == r.Revision {
		return &foundProcedure{Document: docs[0], revision: r}, nil
	}
	what := "it is not one document of that revision"
	if len(problems) > 0 {
		what = problems[0].At(r.ID)
	}
	return nil, errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("revision %d of the org's procedure %s cannot be read by this version of Strandline: publish the next revision with that put right", r.Revision, r.ID),
		"procedure", r.ID, "revision", fmt.Sprint(r.Revision)).Because(fmt.Errorf("%s", what))
}

func (p *procedures) look(org tenant.Org, key history.ProcedureKey) *foundProcedure {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.kept[ownProcedure{org.UUID, key}]
}

// keep keeps what a committed revision says. What a transaction publishes is not kept before it is read again: it may be rolled back.
func (p *procedures) keep(org tenant.Org, f *foundProcedure) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.kept) >= keptProcedures {
		clear(p.kept)
	}
	p.kept[ownProcedure{org.UUID, f.revision.ProcedureKey}] = f
}

// named returns the message with its name in the org, which shares the rest with the one that is kept.
func named(org tenant.Org, f *foundProcedure) *historypb.Procedure {
	out := &historypb.Procedure{}
	to := out.ProtoReflect()
	f.Message.ProtoReflect().Range(func(field protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		to.Set(field, v)
		return true
	})
	out.Name = resname.ProcedureName(org, f.ID)
	return out
}

func publishedProto(org tenant.Org, f *foundProcedure) *historypb.PublishedProcedure {
	out := &historypb.PublishedProcedure{Procedure: named(org, f), Shipped: f.shipped, Publisher: f.revision.Recorder}
	if !f.shipped {
		out.PublishTime = timestamppb.New(f.revision.Created)
	}
	return out
}
