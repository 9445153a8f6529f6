package compliancerpc

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// SetTransferTime says how long the way from a shop to another takes. A shop that compliance has not seen yet is looked for in the registry's
// feed first.
func (s *Server) SetTransferTime(ctx context.Context, req *compliancepb.SetTransferTimeRequest) (*compliancepb.SetTransferTimeResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	asked := req.GetTransferTime()
	t := compliance.TransferTime{Takes: asked.GetDuration().AsDuration()}
	if t.From, err = resname.Part(org, "transfer_time.from_shop", asked.GetFromShop(), "shops"); err != nil {
		return nil, err
	}
	if t.To, err = resname.Part(org, "transfer_time.to_shop", asked.GetToShop(), "shops"); err != nil {
		return nil, err
	}
	switch {
	case t.From == t.To:
		return nil, errs.Field("transfer_time.to_shop", asked.GetToShop(), "must be another shop than transfer_time.from_shop")
	case t.Takes%time.Second != 0:
		return nil, errs.Field("transfer_time.duration", t.Takes.String(), "want whole seconds, for example "+t.Takes.Round(time.Minute).String())
	}
	run := func() (*compliancepb.SetTransferTimeResponse, error) {
		now := s.clock.Now()
		return idem.Run(ctx, s.db, org, now, compliancepb.AvailabilityService_SetTransferTime_FullMethodName, req.GetRequestId(), false, req,
			func(ctx context.Context) (*compliancepb.SetTransferTimeResponse, error) {
				p, err := s.store.SetTransferTime(ctx, org, t, compliance.OwnChange{
					At: now, Kind: compliance.TransferTimeSet, Subject: resname.ShopName(org, t.From) + "/transferTimes/" + t.To, Actor: subject(ctx),
				})
				if err != nil {
					return nil, err
				}
				return &compliancepb.SetTransferTimeResponse{TransferTime: transferPB(org, t), Position: positionPB(p)}, nil
			})
	}
	resp, err := run()
	if errs.Is(err, "NOT_FOUND") {
		if _, perr := s.applier.Pull(ctx, org); perr != nil {
			return nil, perr
		}
		return run()
	}
	return resp, err
}

// transferCursor is the last transfer time of a page.
type transferCursor struct {
	From string `json:"from"`
	To   string `json:"to"`
}

// ListTransferTimes lists how long it takes from shop to shop.
func (s *Server) ListTransferTimes(ctx context.Context, req *compliancepb.ListTransferTimesRequest) (*compliancepb.ListTransferTimesResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	bound := binding("ListTransferTimes", org, req)
	var after transferCursor
	if req.GetPageToken() != "" {
		if err := s.pages.Decode(bound, req.GetPageToken(), &after); err != nil {
			return nil, err
		}
	}
	resp := &compliancepb.ListTransferTimesResponse{}
	_, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		all, more, err := r.TransferTimes(ctx, compliance.TransferKey(after), page.Size(req.GetPageSize()))
		if err != nil {
			return err
		}
		resp.TransferTimes = nil
		for _, t := range all {
			resp.TransferTimes = append(resp.TransferTimes, transferPB(org, t))
		}
		if more {
			last := all[len(all)-1]
			resp.NextPageToken, err = s.pages.Encode(bound, transferCursor{last.From, last.To})
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func transferPB(org tenant.Org, t compliance.TransferTime) *compliancepb.TransferTime {
	return &compliancepb.TransferTime{FromShop: resname.ShopName(org, t.From), ToShop: resname.ShopName(org, t.To), Duration: durationpb.New(t.Takes)}
}
