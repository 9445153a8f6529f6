package compliancerpc

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance/certificate"
)

// GetCertificate writes the certificate of a signed order. What was done is read first: where the unit stands is then answered from no less.
func (s *Server) GetCertificate(ctx context.Context, req *compliancepb.GetCertificateRequest) (*compliancepb.GetCertificateResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	id, err := resname.OrderOfCertificate(org, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	now := s.clock.Now()
	at, err := asked("instant", req.GetInstant(), now)
	if err != nil {
		return nil, err
	}
	r := &recorded{server: s, org: org}
	if err := r.read(ctx, resname.OrderName(org, id)); err != nil {
		return nil, err
	}
	signed := r.log.Signed().GetOccurredTime().AsTime()
	switch {
	case req.GetInstant() != nil && at.Before(signed):
		return nil, errs.Field("instant", at.Format(time.RFC3339), "lies before the order was signed ("+signed.Format(time.RFC3339)+"): ask for then or later, or leave it out for now")
	case at.Before(signed): // another machine's clock is a little ahead
		at = signed
	}
	// Nothing that the others hold by now may be missing: a unit that was pulled since must not look fine.
	if _, err := s.applier.Pull(ctx, org); err != nil {
		return nil, err
	}
	least := &typepb.Position{Registry: req.GetAtLeast().GetRegistry(), History: max(req.GetAtLeast().GetHistory(), r.log.Sequence()), Compliance: req.GetAtLeast().GetCompliance()}
	standing, err := s.GetStanding(ctx, &compliancepb.GetStandingRequest{Unit: r.Order.GetUnit(), Instant: timestamppb.New(at), AtLeast: least})
	if err != nil {
		return nil, err
	}
	r.Standing = standing.GetStanding()
	c, err := certificate.Make(r.Sources)
	if err != nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "the certificate cannot be written").Because(err)
	}
	return &compliancepb.GetCertificateResponse{Certificate: c, Position: standing.GetPosition()}, nil
}

// ordersAfter is what a page token of ListCertificates carries: where history's own list of orders goes on.
type ordersAfter struct {
	Orders string `json:"o"`
}

// ListCertificates lists the certificates of a unit.
func (s *Server) ListCertificates(ctx context.Context, req *compliancepb.ListCertificatesRequest) (*compliancepb.ListCertificatesResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := resname.Unit(org, "parent", req.GetParent()); err != nil {
		return nil, err
	}
	bound := binding("ListCertificates", org, req)
	var after ordersAfter
	if req.GetPageToken() != "" {
		if err := s.pages.Decode(bound, req.GetPageToken(), &after); err != nil {
			return nil, err
		}
	}
	peers, err := s.asks()
	if err != nil {
		return nil, err
	}
	resp := &compliancepb.ListCertificatesResponse{}
	for size := page.Size(req.GetPageSize()); ; {
		// A page of orders is never larger than what is still wanted, so that none of it is left over.
		r, err := peers.Orders.ListOrders(ctx, &historypb.ListOrdersRequest{Parent: org.Name(), Unit: req.GetParent(), PageSize: int32(size - len(resp.Certificates)), PageToken: after.Orders})
		if err != nil {
			return nil, asking(ctx, "history", err)
		}
		for _, o := range r.GetOrders() {
			if c := certificate.Summary(o, resname.ProcedureName(org, o.GetProcedure())); c != nil {
				resp.Certificates = append(resp.Certificates, c)
			}
		}
		after.Orders = r.GetNextPageToken()
		if after.Orders == "" {
			return resp, nil
		}
		if len(resp.Certificates) == size {
			resp.NextPageToken, err = s.pages.Encode(bound, after)
			return resp, err
		}
	}
}

// notSigned answers for an order without a signature.
func notSigned(o *historypb.Order) error {
	state := "is open: there is a certificate once it is signed"
	if o.GetCloseTime() != nil {
		state = "was closed without a signature: there is no certificate of it"
	}
	return errs.New(errs.Precondition, "ORDER_NOT_SIGNED", fmt.Sprintf("%s %s; read the order for what was recorded", o.GetName(), state), "resource", o.GetName())
}
