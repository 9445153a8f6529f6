package historyrpc

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
)

// GetProcedure reads a revision of a procedure.
func (s *Server) GetProcedure(ctx context.Context, req *historypb.GetProcedureRequest) (*historypb.GetProcedureResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	id, err := resname.Part(org, "name", req.GetName(), "procedures")
	if err != nil {
		return nil, err
	}
	f, err := s.procedures.find(ctx, org, history.ProcedureKey{ID: id, Revision: int(req.GetRevision())})
	if err != nil {
		return nil, err
	}
	return &historypb.GetProcedureResponse{Procedure: publishedProto(org, f), Source: f.revision.Source}, nil
}

// procedureCursor is what a page token of ListProcedures carries.
type procedureCursor struct {
	After string `json:"a"` // id of the last procedure of the page
}

// maxProceduresPage is how many bytes of procedures a page has before it ends; the last may exceed it.
const maxProceduresPage = 2 << 20

// ListProcedures lists procedures by id, in their last revisions.
func (s *Server) ListProcedures(ctx context.Context, req *historypb.ListProceduresRequest) (*historypb.ListProceduresResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	bound := "ListProcedures " + org.Name()
	var after procedureCursor
	if t := req.GetPageToken(); t != "" {
		if err := s.config.Pages.Decode(bound, t, &after); err != nil {
			return nil, err
		}
	}
	size := page.Size(req.GetPageSize())
	keys, err := s.store.LastProcedures(ctx, org, after.After, size+1)
	if err != nil {
		return nil, err
	}
	shipped, err := s.procedures.shipped()
	if err != nil {
		return nil, err
	}
	own := len(keys)
	for _, id := range shipped.ids {
		if id > after.After && !slices.ContainsFunc(keys[:own], func(k history.ProcedureKey) bool { return k.ID == id }) {
			keys = append(keys, history.ProcedureKey{ID: id})
		}
	}
	slices.SortFunc(keys, func(a, b history.ProcedureKey) int { return strings.Compare(a.ID, b.ID) })
	out := &historypb.ListProceduresResponse{}
	bytes := 0
	for i, k := range keys {
		if i == size || bytes >= maxProceduresPage {
			out.NextPageToken, err = s.config.Pages.Encode(bound, procedureCursor{keys[i-1].ID})
			return out, err
		}
		f, err := s.procedures.find(ctx, org, k)
		if err != nil {
			return nil, err
		}
		p := publishedProto(org, f)
		bytes += proto.Size(p)
		out.Procedures = append(out.Procedures, p)
	}
	return out, nil
}
