package historyrpc

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/internal/yamlproto"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/procedure"
)

// PublishProcedures publishes the procedures of a file, all or none.
func (s *Server) PublishProcedures(ctx context.Context, req *historypb.PublishProceduresRequest) (*historypb.PublishProceduresResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	docs, problems := procedure.ReadAs(req.GetProcedureId(), []byte(req.GetSource()))
	if len(problems) == 0 {
		problems = unpublishable(org, docs)
	}
	if len(problems) > 0 {
		return nil, procedureProblems(problems)
	}
	shipped, err := s.procedures.shipped()
	if err != nil {
		return nil, err
	}
	now := s.config.Clock.Now()
	return idem.Run(ctx, s.config.DB, org, now, historypb.ProcedureService_PublishProcedures_FullMethodName, "", req.GetValidateOnly(), req,
		func(ctx context.Context) (*historypb.PublishProceduresResponse, error) {
			p := &publication{org: org, shipped: shipped, recorder: recorder(ctx), docs: docs, now: now}
			if err := s.store.PublishProcedures(ctx, org, p.asked(), p.decide); err != nil {
				return nil, err
			}
			return p.response, nil
		})
}

// unpublishable tells which documents are of another org, or would not be read again as they are.
func unpublishable(org tenant.Org, docs []procedure.Document) (out []yamlproto.Problem) {
	for _, d := range docs {
		if d.Org != "" && d.Org != org.ID {
			out = append(out, yamlproto.Problem{
				Line: d.Line, Column: 1, Field: "name", Value: "orgs/" + d.Org + "/procedures/" + d.ID,
				Text: "the procedure is for another org: name it procedures/" + d.ID + ", or publish it in that org",
			})
		}
		again, problems := procedure.ReadAs(d.ID, []byte(d.Source))
		if len(problems) > 0 || len(again) != 1 || again[0].ID != d.ID || !proto.Equal(again[0].Message, d.Message) {
			out = append(out, yamlproto.Problem{Line: d.Line, Column: 1, Text: "the procedure cannot be told apart from others of the file: put it into a file of its own"})
		}
	}
	return out
}

// procedureProblems is the error of a file with problems.
func procedureProblems(problems []yamlproto.Problem) error {
	vs := make([]errs.Violation, len(problems))
	for i, p := range problems {
		at := fmt.Sprintf("line %d, column %d: ", p.Line, p.Column)
		if p.Field != "" {
			at += p.Field + ": "
		}
		vs[i] = errs.Violation{Field: "source", Value: p.Value, Description: at + p.Text, Reason: "PROCEDURE_INVALID"}
	}
	return errs.Fields(vs...)
}

// publication is the publishing of a file.
type publication struct {
	org      tenant.Org
	shipped  shippedProcedures
	recorder string
	docs     []procedure.Document
	now      time.Time

	response *historypb.PublishProceduresResponse
}

func (p *publication) asked() (keys []history.ProcedureKey) {
	for _, d := range p.docs {
		keys = append(keys, history.ProcedureKey{ID: d.ID, Revision: d.Procedure.Revision})
	}
	return keys
}

// decide returns the revisions that are to be added, and writes the response. What is published already with the same content is answered as it stands.
func (p *publication) decide(have map[history.ProcedureKey]history.ProcedureRevision, last map[string]int) (add []history.ProcedureRevision, err error) {
	p.response = &historypb.PublishProceduresResponse{}
	var problems []yamlproto.Problem
	for _, d := range p.docs {
		key := history.ProcedureKey{ID: d.ID, Revision: d.Procedure.Revision}
		before, published := have[key]
		switch {
		case published:
			f, err := readProcedure(before)
			if err != nil {
				return nil, err
			}
			if !proto.Equal(f.Message, d.Message) {
				return nil, changed(p.org, key, last[d.ID])
			}
			p.response.Procedures = append(p.response.Procedures, publishedProto(p.org, f))
			continue
		case last[d.ID] == 0 && len(p.shipped.byID[d.ID]) > 0:
			problems = append(problems, yamlproto.Problem{
				Line: d.Line, Column: 1, Field: "name", Value: "procedures/" + d.ID,
				Text: "a procedure that comes with Strandline is called so: choose another name, such as procedures/" + otherName(d.ID),
			})
		case last[d.ID] >= key.Revision:
			problems = append(problems, yamlproto.Problem{
				Line: d.Line, Column: 1, Field: "revision", Value: fmt.Sprint(key.Revision),
				Text: fmt.Sprintf("revisions rise, and revision %d of %s is published: state %d, or higher", last[d.ID], d.ID, last[d.ID]+1),
			})
		}
		last[d.ID] = max(last[d.ID], key.Revision)
		r := history.ProcedureRevision{ProcedureKey: key, Source: d.Source, Recorder: p.recorder, Created: p.now}
		add = append(add, r)
		p.response.Procedures = append(p.response.Procedures, publishedProto(p.org, &foundProcedure{Document: d, revision: r}))
	}
	if len(problems) > 0 {
		return nil, procedureProblems(problems)
	}
	return add, nil
}

// otherName is a name for a procedure whose name is taken.
func otherName(id string) string {
	const before = "our-"
	return before + id[:min(len(id), 40-len(before))]
}

// changed tells that a revision is published with other content.
func changed(org tenant.Org, key history.ProcedureKey, last int) error {
	name := resname.ProcedureName(org, key.ID)
	e := errs.New(errs.Exists, "ALREADY_EXISTS", fmt.Sprintf("revision %d of %s is published with other content, and never changes: state revision %d", key.Revision, key.ID, last+1),
		"resource", name, "revision", fmt.Sprint(key.Revision), "last", fmt.Sprint(last))
	e.Resource = name
	return e
}
