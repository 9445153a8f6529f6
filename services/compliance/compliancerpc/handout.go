package compliancerpc

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"time"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

const (
	gateWithin = 5 * time.Second // the longest that a counter waits for the gate
	gateLooks  = 5               // how often the gate looks again when something has changed while it looked
)

// errFirst says that a request was not made before.
var errFirst = errs.New(errs.Conflict, "CONFLICT", "the request was not made before")

// HandOutUnits lets units through the gate. A repeat gets the first answer, and the gate is not asked again.
func (s *Server) HandOutUnits(ctx context.Context, req *compliancepb.HandOutUnitsRequest) (*compliancepb.HandOutUnitsResponse, error) {
	org, choice, err := chosen(ctx, req.GetParent(), req.GetAllocations())
	if err != nil {
		return nil, err
	}
	run := func(fn func(ctx context.Context) (*compliancepb.HandOutUnitsResponse, error)) (*compliancepb.HandOutUnitsResponse, error) {
		return idem.Run(ctx, s.db, org, s.clock.Now(), compliancepb.AvailabilityService_HandOutUnits_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req, fn)
	}
	if req.GetRequestId() != "" && !req.GetValidateOnly() {
		if resp, err := run(func(context.Context) (*compliancepb.HandOutUnitsResponse, error) { return nil, errFirst }); !errors.Is(err, errFirst) {
			return resp, err
		}
	}
	within, cancel := gateTime(ctx)
	defer cancel()
	for look := 1; ; look++ {
		seen, err := s.applier.See(within, org)
		if err != nil {
			return nil, s.shut(ctx, org, choice, err)
		}
		resp, err := run(func(ctx context.Context) (*compliancepb.HandOutUnitsResponse, error) {
			now := s.clock.Now()
			out, err := s.store.HandOut(ctx, org, compliance.HandOut{
				AllocationChoice: choice, Sight: seen, Strict: look < gateLooks, At: seen.Recorded(now), AsOf: seen.AsOf(now),
			}, ownChange(ctx, now, compliance.UnitsHandedOut, org, choice))
			if err != nil {
				return nil, err
			}
			return &compliancepb.HandOutUnitsResponse{Allocations: allocationsPB(org, out.Allocations), Position: positionPB(out.Position), Cautions: out.Cautions}, nil
		})
		if errors.Is(err, compliancepg.ErrMoved) {
			if within.Err() != nil || look >= 2*gateLooks { // what it knows is being built again, or never stands still
				return nil, s.shut(ctx, org, choice, err)
			}
			continue
		}
		s.clocksApart(ctx, seen)
		return told(s, org, resp, err)
	}
}

// gateTime returns what the gate has of a call's time: nine tenths of it, or of five seconds if the caller would wait longer. The rest is for the
// answer.
func gateTime(ctx context.Context) (context.Context, context.CancelFunc) {
	within := gateWithin
	if deadline, ok := ctx.Deadline(); ok {
		within = min(within, time.Until(deadline))
	}
	return context.WithTimeout(ctx, within*9/10)
}

// shut says that the gate cannot be sure, why, and what the counter can go by.
func (s *Server) shut(ctx context.Context, org tenant.Org, c compliance.AllocationChoice, cause error) error {
	if errors.Is(ctx.Err(), context.Canceled) {
		return errs.New(errs.Canceled, "CANCELLED", "the caller cancelled").Because(cause)
	}
	service, says := "compliance", "compliance cannot read what it knows"
	var blind *compliance.BlindError
	if errors.As(cause, &blind) {
		service, says = blind.Source.String(), blind.Source.String()+" "+blind.Says
	} else if e := errs.As(cause); e != nil && e.Kind == errs.Deadline {
		says = "compliance did not get to know everything in time"
	}
	e := errs.New(errs.Unavailable, "GATE_SHUT", "the gate is shut, because it cannot be sure that it knows everything about the units: "+says+". Nothing was handed out; try again, or go by the paper list", "service", service).Because(cause)
	var shops []string
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	if err := s.store.Read(ctx, org, func(ctx context.Context, r *compliancepg.Reader) (err error) {
		shops, err = r.AllocationShops(ctx, c)
		return err
	}); err != nil || len(shops) == 0 {
		return e
	}
	for i, shop := range shops {
		shops[i] = resname.ShopName(org, shop)
	}
	lists := strings.Join(shops, ":paperList ") + ":paperList"
	e.Message += " (" + lists + ")"
	return e.With("shop", shops[0]).With("paperList", lists)
}

// clocksApart logs clocks that differ by so much that somebody should look after them.
func (s *Server) clocksApart(ctx context.Context, seen compliance.Sight) {
	registry, history := seen.Apart(s.clock.Now())
	if registry.Abs() > compliance.Stale || history.Abs() > compliance.Stale {
		s.logger.WarnContext(ctx, "the clocks of the services differ", slog.Duration("registry_ahead", registry), slog.Duration("history_ahead", history))
	}
}
