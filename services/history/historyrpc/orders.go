package historyrpc

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/history/historypg"
	"strandline.example/strandline/services/history/order/wire"
	"strandline.example/strandline/services/history/procedure"
	"strandline.example/strandline/services/history/work"
)

// recipes is work.Procedures.
type recipes struct{ *procedures }

func (r recipes) Procedure(ctx context.Context, org tenant.Org, id string, revision int) (*procedure.Procedure, error) {
	p, _, err := r.procedure(ctx, org, id, revision)
	return p, err
}

// OpenOrder opens an order.
func (s *Server) OpenOrder(ctx context.Context, req *historypb.OpenOrderRequest) (*historypb.OpenOrderResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	o := work.Opening{Org: org, Recorder: recorder(ctx), Revision: int(req.GetRevision()), Dry: req.GetValidateOnly(), Procedure: req.GetProcedure()}
	if o.Unit, err = resname.Unit(org, "unit", req.GetUnit()); err != nil {
		return nil, err
	}
	if strings.Contains(o.Procedure, "/") {
		if o.Procedure, err = resname.Part(org, "procedure", req.GetProcedure(), "procedures"); err != nil {
			return nil, err
		}
	}
	if req.GetShop() != "" {
		if o.Shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
			return nil, err
		}
	}
	o.Event = &historypb.OrderEvent{
		EventId: req.GetOrderId(), OccurredTime: req.GetOccurredTime(), Technician: req.GetTechnician(),
		Detail: &historypb.OrderEvent_Opened{Opened: &historypb.OrderOpened{Intake: req.GetIntake()}},
	}
	done, err := s.desk.Open(ctx, o)
	if err != nil {
		return nil, err
	}
	_, p, err := s.procedures.procedure(ctx, org, done.Procedure.ID, done.Procedure.Revision)
	if err != nil {
		return nil, err
	}
	return &historypb.OpenOrderResponse{Order: orderProto(org, &done.Job, done.Sent), Procedure: p, Position: &typepb.Position{History: done.Last}}, nil
}

// RecordWork records what happened to an order.
func (s *Server) RecordWork(ctx context.Context, req *historypb.RecordWorkRequest) (*historypb.RecordWorkResponse, error) {
	org, id, err := orderName(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	done, err := s.desk.Record(ctx, work.Request{Org: org, Recorder: recorder(ctx), Order: id, Events: req.GetEvents(), Dry: req.GetValidateOnly()})
	if err != nil {
		return nil, err
	}
	out := &historypb.RecordWorkResponse{Order: orderProto(org, &done.Job, done.Sent), Position: &typepb.Position{History: done.Last}}
	for _, e := range done.Sent {
		out.Receipts = append(out.Receipts, receipt(org, e, req.GetValidateOnly()))
	}
	if req.GetValidateOnly() {
		out.Position = nil
	}
	return out, nil
}

// receipt is what the ledger says of an event.
func receipt(org tenant.Org, e *work.Event, dry bool) *historypb.Receipt {
	out := &historypb.Receipt{Entry: resname.EntryName(org, e.Unit, e.ID)}
	if !dry {
		out.Sequence, out.RecordedTime, out.Digest = e.Row.Sequence, timestamppb.New(e.Row.Recorded), e.Row.Digest[:]
	}
	return out
}

// SignOrder signs an order.
func (s *Server) SignOrder(ctx context.Context, req *historypb.SignOrderRequest) (*historypb.SignOrderResponse, error) {
	org, id, err := orderName(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	signature := &historypb.OrderEvent{
		EventId: req.GetEventId(), OccurredTime: req.GetOccurredTime(), Technician: req.GetTechnician(), Note: req.GetNote(),
		Detail: &historypb.OrderEvent_Signed{Signed: &historypb.OrderSigned{Outcome: req.GetOutcome()}},
	}
	done, err := s.desk.Sign(ctx, work.Request{Org: org, Recorder: recorder(ctx), Order: id, Events: req.GetEvents(), Dry: req.GetValidateOnly()}, signature)
	if err != nil {
		return nil, err
	}
	out := &historypb.SignOrderResponse{
		Order: orderProto(org, &done.Job, nil), Flags: wire.ProblemsPB(done.Flags), Receipt: receipt(org, done.Sent[len(done.Sent)-1], req.GetValidateOnly()), Position: &typepb.Position{History: done.Last},
	}
	for _, r := range done.Follow {
		out.Entries = append(out.Entries, resname.EntryName(org, r.Unit, r.ID))
	}
	if req.GetValidateOnly() {
		out.Position = nil
	}
	return out, nil
}

// CloseOrder closes an order.
func (s *Server) CloseOrder(ctx context.Context, req *historypb.CloseOrderRequest) (*historypb.CloseOrderResponse, error) {
	org, id, err := orderName(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	closing := &historypb.OrderEvent{
		EventId: req.GetEventId(), OccurredTime: req.GetOccurredTime(), Technician: req.GetTechnician(),
		Detail: &historypb.OrderEvent_Closed{Closed: &historypb.OrderClosed{Reason: req.GetReason()}},
	}
	done, err := s.desk.Close(ctx, work.Request{Org: org, Recorder: recorder(ctx), Order: id}, closing)
	if err != nil {
		return nil, err
	}
	return &historypb.CloseOrderResponse{Order: orderProto(org, &done.Job, nil), Position: &typepb.Position{History: done.Last}}, nil
}

// GetOrder reads an order.
func (s *Server) GetOrder(ctx context.Context, req *historypb.GetOrderRequest) (*historypb.GetOrderResponse, error) {
	org, id, err := orderName(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	j, err := s.desk.Get(ctx, org, id)
	if err != nil {
		return nil, err
	}
	return &historypb.GetOrderResponse{Order: orderProto(org, j, j.Events)}, nil
}

// openedBefore is what a page token of ListOrders carries: the sequence of the last order's opening.
type openedBefore struct {
	Before int64 `json:"b"`
}

// ListOrders lists orders.
func (s *Server) ListOrders(ctx context.Context, req *historypb.ListOrdersRequest) (*historypb.ListOrdersResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	q := historypg.OrderQuery{Open: req.GetOpen()}
	if req.GetUnit() != "" {
		if q.Unit, err = resname.Unit(org, "unit", req.GetUnit()); err != nil {
			return nil, err
		}
	}
	if req.GetShop() != "" {
		if q.Shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
			return nil, err
		}
	}
	bound := fmt.Sprintf("orders\x00%s\x00%s\x00%s\x00%t", req.GetParent(), req.GetUnit(), req.GetShop(), req.GetOpen())
	var after openedBefore
	if t := req.GetPageToken(); t != "" {
		if err := s.config.Pages.Decode(bound, t, &after); err != nil {
			return nil, err
		}
	}
	q.Before = after.Before
	size := page.Size(req.GetPageSize())
	orders, err := s.store.Orders(ctx, org, q, size+1)
	if err != nil {
		return nil, err
	}
	out := &historypb.ListOrdersResponse{}
	if len(orders) > size {
		orders = orders[:size]
		if out.NextPageToken, err = s.config.Pages.Encode(bound, openedBefore{orders[size-1].Sequence}); err != nil {
			return nil, err
		}
	}
	for _, o := range orders {
		j, err := work.Fold(org, o.ID, o.Rows)
		if err != nil {
			return nil, err
		}
		out.Orders = append(out.Orders, orderProto(org, j, nil))
	}
	return out, nil
}

// ListInstrumentUses lists the tests that an instrument was used for.
func (s *Server) ListInstrumentUses(ctx context.Context, req *historypb.ListInstrumentUsesRequest) (*historypb.ListInstrumentUsesResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	unit, err := resname.Unit(org, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var from, before time.Time
	for _, r := range [...]struct {
		field string
		from  *timestamppb.Timestamp
		to    *time.Time
	}{{"occurred_from_time", req.GetOccurredFromTime(), &from}, {"occurred_before_time", req.GetOccurredBeforeTime(), &before}} {
		if err := bound(r.field, r.from, r.to); err != nil {
			return nil, err
		}
	}
	units, err := registry{s.config.Registry}.Units(ctx, org, []uuid.UUID{unit})
	if err != nil {
		return nil, err
	}
	if _, ok := units[unit]; !ok {
		return nil, errs.Missing(req.GetParent())
	}
	token := fmt.Sprintf("uses\x00%s\x00%s\x00%s", req.GetParent(), from, before)
	var after historypg.UseKey
	if t := req.GetPageToken(); t != "" {
		if err := s.config.Pages.Decode(token, t, &after); err != nil {
			return nil, err
		}
	}
	size := page.Size(req.GetPageSize())
	uses, err := s.store.InstrumentUses(ctx, org, unit, from, before, after, size+1)
	if err != nil {
		return nil, err
	}
	out := &historypb.ListInstrumentUsesResponse{}
	if len(uses) > size {
		uses = uses[:size]
		if out.NextPageToken, err = s.config.Pages.Encode(token, historypg.UseKey{Occurred: uses[size-1].Occurred, Entry: uses[size-1].Entry}); err != nil {
			return nil, err
		}
	}
	for _, u := range uses {
		out.Uses = append(out.Uses, &historypb.InstrumentUse{
			Unit: resname.UnitName(org, u.Unit), Order: resname.OrderName(org, u.Order), Entry: resname.EntryName(org, u.Unit, u.Entry),
			OccurredTime: timestamppb.New(u.Occurred), Activity: u.Activity,
		})
	}
	return out, nil
}

// orderName reads the name of an order.
func orderName(ctx context.Context, name string) (org tenant.Org, id uuid.UUID, err error) {
	if org, err = resname.Org(ctx, "name", name); err != nil {
		return org, id, err
	}
	id, err = resname.Order(org, "name", name)
	return org, id, err
}

// orderProto writes an order with events.
func orderProto(org tenant.Org, j *work.Job, events []*work.Event) *historypb.Order {
	out := wire.OrderPB(org, j.ID, &j.Order)
	for _, e := range events {
		out.Events = append(out.Events, e.Message(org))
	}
	out.Problems = wire.ProblemsPB(j.Problems)
	return out
}
