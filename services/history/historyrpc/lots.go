package historyrpc

import (
	"context"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
)

// CreateLot registers a lot. What stands decides: a repeat is answered with it, also when somebody else registered the same.
func (s *Server) CreateLot(ctx context.Context, req *historypb.CreateLotRequest) (*historypb.CreateLotResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p := req.GetLot()
	l := history.Lot{
		ID: req.GetLotId(), Part: p.GetPart(), Title: p.GetTitle(), LotNumber: p.GetLotNumber(), Supplier: p.GetSupplier(), Quantity: int64(p.GetQuantity()),
		Recorder: recorder(ctx), Created: s.config.Clock.Now().UTC().Truncate(time.Microsecond),
	}
	if d := p.GetExpireDate(); d != nil {
		if l.Expires, err = civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay())); err != nil {
			return nil, errs.Field("lot.expire_date", d.String(), err.Error()+"; leave it out if the parts have no shelf life")
		}
	}
	if err := l.Check(); err != nil {
		return nil, err
	}
	stands, err := s.store.CreateLot(ctx, org, l)
	if err != nil {
		return nil, err
	}
	if err := l.Agree(&stands, resname.LotName(org, l.ID)); err != nil {
		return nil, err
	}
	return &historypb.CreateLotResponse{Lot: lotProto(org, &stands)}, nil
}

// GetLot reads a lot.
func (s *Server) GetLot(ctx context.Context, req *historypb.GetLotRequest) (*historypb.GetLotResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	id, err := resname.Part(org, "name", req.GetName(), "lots")
	if err != nil {
		return nil, err
	}
	l, err := s.store.Lot(ctx, org, id)
	if err != nil {
		return nil, err
	}
	return &historypb.GetLotResponse{Lot: lotProto(org, &l)}, nil
}

// lotCursor is what a page token of a list of lots carries.
type lotCursor struct {
	After string `json:"a"` // id of the last lot of the page
}

// ListLots lists lots by name.
func (s *Server) ListLots(ctx context.Context, req *historypb.ListLotsRequest) (*historypb.ListLotsResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	binding := strings.Join([]string{"lots", req.GetParent(), req.GetPart()}, "\x00")
	var after lotCursor
	if t := req.GetPageToken(); t != "" {
		if err := s.config.Pages.Decode(binding, t, &after); err != nil {
			return nil, err
		}
	}
	size := page.Size(req.GetPageSize())
	lots, err := s.store.Lots(ctx, org, req.GetPart(), after.After, size+1)
	if err != nil {
		return nil, err
	}
	out := &historypb.ListLotsResponse{}
	if len(lots) > size {
		lots = lots[:size]
		if out.NextPageToken, err = s.config.Pages.Encode(binding, lotCursor{lots[size-1].ID}); err != nil {
			return nil, err
		}
	}
	for i := range lots {
		out.Lots = append(out.Lots, lotProto(org, &lots[i]))
	}
	return out, nil
}

// ListPartUses lists where a lot's parts went, or what went into a unit.
func (s *Server) ListPartUses(ctx context.Context, req *historypb.ListPartUsesRequest) (*historypb.ListPartUsesResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var read func(after int64, limit int) ([]history.PartUse, error)
	if strings.HasPrefix(req.GetParent(), org.Name()+"/lots/") {
		lot, err := resname.Part(org, "parent", req.GetParent(), "lots")
		if err != nil {
			return nil, err
		}
		read = func(after int64, limit int) ([]history.PartUse, error) {
			return s.store.UsesOfLot(ctx, org, lot, after, limit)
		}
	} else {
		unit, err := resname.Unit(org, "parent", req.GetParent())
		if err != nil {
			return nil, err
		}
		read = func(after int64, limit int) ([]history.PartUse, error) {
			return s.store.UsesOfUnit(ctx, org, unit, after, limit)
		}
	}
	binding := "part uses\x00" + req.GetParent()
	var after cursor
	if t := req.GetPageToken(); t != "" {
		if err := s.config.Pages.Decode(binding, t, &after); err != nil {
			return nil, err
		}
	}
	size := page.Size(req.GetPageSize())
	uses, err := read(after.After, size+1)
	if err != nil {
		return nil, err
	}
	out := &historypb.ListPartUsesResponse{}
	if len(uses) > size {
		uses = uses[:size]
		if out.NextPageToken, err = s.config.Pages.Encode(binding, cursor{uses[size-1].Sequence}); err != nil {
			return nil, err
		}
	}
	for i := range uses {
		u := &uses[i]
		out.Uses = append(out.Uses, &historypb.PartUse{
			Lot: resname.LotName(org, u.Lot), Unit: resname.UnitName(org, u.Unit), Order: resname.OrderName(org, u.Order),
			Part: u.Part, Count: int32(u.Count), Entry: resname.EntryName(org, u.Unit, u.Entry), OccurredTime: timestamppb.New(u.Occurred),
		})
	}
	return out, nil
}

func lotProto(org tenant.Org, l *history.Lot) *historypb.Lot {
	return &historypb.Lot{
		Name: resname.LotName(org, l.ID), Part: l.Part, Title: l.Title, LotNumber: l.LotNumber, Supplier: l.Supplier, ExpireDate: markProto(l.Expires),
		Quantity: int32(l.Quantity), Recorder: l.Recorder, CreateTime: timestamppb.New(l.Created),
	}
}
