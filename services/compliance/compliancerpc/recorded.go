package compliancerpc

import (
	"context"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/compliance/certificate"
)

// Peers are what certificates are made from, and where returns are recorded: history and registry, asked with a service's credentials.
type Peers struct {
	Orders interface {
		GetOrder(ctx context.Context, in *historypb.GetOrderRequest, opts ...grpc.CallOption) (*historypb.GetOrderResponse, error)
		ListOrders(ctx context.Context, in *historypb.ListOrdersRequest, opts ...grpc.CallOption) (*historypb.ListOrdersResponse, error)
	}
	History interface {
		ListEntries(ctx context.Context, in *historypb.ListEntriesRequest, opts ...grpc.CallOption) (*historypb.ListEntriesResponse, error)
		GetEntry(ctx context.Context, in *historypb.GetEntryRequest, opts ...grpc.CallOption) (*historypb.GetEntryResponse, error)
		AppendEntries(ctx context.Context, in *historypb.AppendEntriesRequest, opts ...grpc.CallOption) (*historypb.AppendEntriesResponse, error)
	}
	Procedures interface {
		GetProcedure(ctx context.Context, in *historypb.GetProcedureRequest, opts ...grpc.CallOption) (*historypb.GetProcedureResponse, error)
	}
	Lots interface {
		GetLot(ctx context.Context, in *historypb.GetLotRequest, opts ...grpc.CallOption) (*historypb.GetLotResponse, error)
	}
	Registry interface {
		GetOrg(ctx context.Context, in *registrypb.GetOrgRequest, opts ...grpc.CallOption) (*registrypb.GetOrgResponse, error)
		GetShop(ctx context.Context, in *registrypb.GetShopRequest, opts ...grpc.CallOption) (*registrypb.GetShopResponse, error)
		GetUnit(ctx context.Context, in *registrypb.GetUnitRequest, opts ...grpc.CallOption) (*registrypb.GetUnitResponse, error)
		GetModel(ctx context.Context, in *registrypb.GetModelRequest, opts ...grpc.CallOption) (*registrypb.GetModelResponse, error)
		GetTechnician(ctx context.Context, in *registrypb.GetTechnicianRequest, opts ...grpc.CallOption) (*registrypb.GetTechnicianResponse, error)
	}
}

// asks returns the peers.
func (s *Server) asks() (*Peers, error) {
	if s.peers == nil {
		return nil, errs.New(errs.Unavailable, "UNAVAILABLE", "this server was started without history's orders, which certificates are made from")
	}
	return s.peers, nil
}

// asking is what became of a question to another service. Its own answers are handed on.
func asking(ctx context.Context, service string, err error) error {
	switch ctx.Err() {
	case nil:
	case context.DeadlineExceeded:
		return errs.New(errs.Deadline, "DEADLINE_EXCEEDED", "the deadline passed before "+service+" had answered").Because(err)
	default:
		return errs.New(errs.Canceled, "CANCELLED", "the caller cancelled").Because(err)
	}
	switch status.Code(err) {
	case codes.NotFound, codes.DataLoss, codes.ResourceExhausted:
		return err
	}
	return errs.New(errs.Unavailable, "UNAVAILABLE", service+" cannot be asked, so there is no certificate; try again", "service", service).Because(err)
}

// recorded reads what an order's certificate is made from.
type recorded struct {
	server *Server
	peers  *Peers
	org    tenant.Org
	certificate.Sources
	log *certificate.Log
	mu  sync.Mutex
}

// atOnce is how many questions are asked side by side.
const atOnce = 8

// read reads the order and then all that it names. Errors: NOT_FOUND, ORDER_NOT_SIGNED, UNAVAILABLE.
func (r *recorded) read(ctx context.Context, order string) (err error) {
	if r.peers, err = r.server.asks(); err != nil {
		return err
	}
	o, err := r.peers.Orders.GetOrder(ctx, &historypb.GetOrderRequest{Name: order})
	if err != nil {
		return asking(ctx, "history", err)
	}
	if r.Order = o.GetOrder(); r.Order.GetSignTime() == nil {
		return notSigned(r.Order)
	}
	if r.Entries, err = r.entries(ctx, &historypb.ListEntriesRequest{
		Parent: r.Order.GetUnit(), OccurredFromTime: r.Order.GetOpenTime(), OccurredBeforeTime: timestamppb.New(r.Order.GetSignTime().AsTime().Add(time.Microsecond)),
	}); err != nil {
		return err
	}
	if r.log, err = certificate.Read(r.Order, r.Entries); err != nil {
		return errs.New(errs.Internal, "INTERNAL", "the certificate cannot be written").Because(err)
	}
	return r.named(ctx)
}

// named asks for everything that the order names, each thing once.
func (r *recorded) named(ctx context.Context) error {
	r.Units, r.Models, r.Technicians, r.Lots = map[string]*registrypb.Unit{}, map[string]*registrypb.Model{}, map[string]*registrypb.Technician{}, map[string]*historypb.Lot{}
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(atOnce)
	ask := func(service string, of func() error) {
		g.Go(func() error {
			if err := of(); err != nil {
				return asking(ctx, service, err)
			}
			return nil
		})
	}
	p := r.peers
	ask("history", func() (err error) {
		r.Amendments, err = r.entries(gctx, &historypb.ListEntriesRequest{Parent: r.Order.GetUnit(), Kind: historypb.EntryKind_ENTRY_KIND_AMENDMENT})
		return err
	})
	ask("history", func() error {
		a, err := p.Procedures.GetProcedure(gctx, &historypb.GetProcedureRequest{Name: r.org.Name() + "/procedures/" + r.Order.GetProcedure(), Revision: r.Order.GetRevision()})
		r.Procedure = a.GetProcedure()
		return err
	})
	ask("registry", func() error {
		a, err := p.Registry.GetOrg(gctx, &registrypb.GetOrgRequest{Name: r.org.Name()})
		r.Org = a.GetOrg()
		return err
	})
	ask("registry", func() error {
		a, err := p.Registry.GetShop(gctx, &registrypb.GetShopRequest{Name: r.Order.GetShop()})
		r.Shop = a.GetShop()
		return err
	})
	for _, name := range append([]string{r.Order.GetUnit()}, r.log.Instruments()...) {
		ask("registry", func() error { return r.unit(gctx, name) })
	}
	for _, name := range r.log.People() {
		ask("registry", func() error {
			a, err := p.Registry.GetTechnician(gctx, &registrypb.GetTechnicianRequest{Name: name})
			r.keep(func() { r.Technicians[name] = a.GetTechnician() })
			return err
		})
	}
	for _, name := range r.log.Lots() {
		ask("history", func() error {
			a, err := p.Lots.GetLot(gctx, &historypb.GetLotRequest{Name: name})
			switch {
			case status.Code(err) == codes.NotFound:
				return nil // it was taken as it was named
			case err == nil:
				r.keep(func() { r.Lots[name] = a.GetLot() })
			}
			return err
		})
	}
	err := g.Wait()
	r.Unit = r.Units[r.Order.GetUnit()]
	return err
}

// unit asks for a unit and its model.
func (r *recorded) unit(ctx context.Context, name string) error {
	u, err := r.peers.Registry.GetUnit(ctx, &registrypb.GetUnitRequest{Name: name})
	if err != nil {
		return err
	}
	m, err := r.peers.Registry.GetModel(ctx, &registrypb.GetModelRequest{Name: u.GetUnit().GetModel()})
	if err != nil {
		return err
	}
	r.keep(func() { r.Units[name], r.Models[m.GetModel().GetName()] = u.GetUnit(), m.GetModel() })
	return nil
}

// entries reads all pages of a list of entries. A page too large for one message, with long series of readings, is asked for again in smaller pieces.
func (r *recorded) entries(ctx context.Context, req *historypb.ListEntriesRequest) (out []*historypb.Entry, err error) {
	for req.PageSize = 1000; ; {
		a, err := r.peers.History.ListEntries(ctx, req)
		if status.Code(err) == codes.ResourceExhausted && req.GetPageSize() > 1 {
			req.PageSize /= 2
			continue
		}
		if err != nil {
			return nil, asking(ctx, "history", err)
		}
		out = append(out, a.GetEntries()...)
		if req.PageToken = a.GetNextPageToken(); req.PageToken == "" {
			return out, nil
		}
	}
}

func (r *recorded) keep(what func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	what()
}
