package compliancerpc

import (
	"context"

	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// GetPaperList lists what was safe to hand out when compliance last knew. It asks no other service, and waits for nothing.
func (s *Server) GetPaperList(ctx context.Context, req *compliancepb.GetPaperListRequest) (*compliancepb.GetPaperListResponse, error) {
	org, err := resname.Org(ctx, "shop", req.GetShop())
	if err != nil {
		return nil, err
	}
	shop, err := resname.Part(org, "shop", req.GetShop(), "shops")
	if err != nil {
		return nil, err
	}
	var l *compliance.PaperList
	if err := s.store.Read(ctx, org, func(ctx context.Context, r *compliancepg.Reader) (err error) {
		l, err = r.Paper(ctx, shop, s.clock.Now())
		return err
	}); err != nil {
		return nil, err
	}
	out := &compliancepb.PaperList{
		Shop: req.GetShop(), PrintTime: instantPB(l.Printed), CompleteTime: instantPB(l.Complete), Position: positionPB(l.Position),
		BlockedTags: append(append([]string{}, l.Blocked...), l.Out...), Text: l.Text(), Cautions: l.Cautions,
	}
	for i := range l.Lines {
		u := &l.Lines[i]
		out.Lines = append(out.Lines, &compliancepb.PaperList_Line{
			AssetTag: u.Tag, Kind: u.Kind, Size: u.Size, UseByDate: datePB(u.UseBy), DivesLeft: u.Dives, PromisedTo: u.PromisedTo, Unit: resname.UnitName(org, u.Unit),
		})
	}
	return &compliancepb.GetPaperListResponse{List: out}, nil
}
