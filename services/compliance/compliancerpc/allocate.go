package compliancerpc

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

const (
	maxWindow   = 366 * 24 * time.Hour // of a promise
	maxWanted   = 1000                 // units of one request
	defaultHold = 15 * time.Minute     // how long what is not confirmed is held
)

// AllocateUnits promises units, all that is asked for or none. A shop or unit that compliance has not seen yet is looked for in the registry's feed first.
func (s *Server) AllocateUnits(ctx context.Context, req *compliancepb.AllocateUnitsRequest) (*compliancepb.AllocateUnitsResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	wish, err := s.wishOf(org, req)
	if err != nil {
		return nil, err
	}
	run := func() (*compliancepb.AllocateUnitsResponse, error) {
		now := s.clock.Now()
		return idem.Run(ctx, s.db, org, now, compliancepb.AvailabilityService_AllocateUnits_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
			func(ctx context.Context) (*compliancepb.AllocateUnitsResponse, error) {
				if !wish.Join {
					if wish.Group, err = uuid.NewV7(); err != nil {
						return nil, errs.New(errs.Internal, "INTERNAL", "no id can be made").Because(err)
					}
				}
				all, p, err := s.store.Allocate(ctx, org, wish, compliance.OwnChange{
					At: now, Kind: compliance.UnitsAllocated, Subject: org.Name() + "/allocations/-", Actor: subject(ctx),
				})
				if err != nil {
					return nil, err
				}
				return &compliancepb.AllocateUnitsResponse{Allocations: allocationsPB(org, all), Position: positionPB(p)}, nil
			})
	}
	resp, err := run()
	if errs.Is(err, "NOT_FOUND") {
		if _, perr := s.applier.Pull(ctx, org); perr != nil {
			return nil, perr
		}
		resp, err = run()
	}
	return told(s, org, resp, err)
}

// told wakes those who look at promises after a change that may concern them.
func told[R any](s *Server, org tenant.Org, resp R, err error) (R, error) {
	if err == nil {
		s.reviewer.Soon(org)
	}
	return resp, err
}

func allocationsPB(org tenant.Org, all []*compliance.Allocation) []*compliancepb.Allocation {
	out := make([]*compliancepb.Allocation, len(all))
	for i, a := range all {
		out[i] = allocationPB(org, a)
	}
	return out
}

// wishOf reads what a request asks for.
func (s *Server) wishOf(org tenant.Org, req *compliancepb.AllocateUnitsRequest) (*compliance.AllocationWish, error) {
	w := &compliance.AllocationWish{
		Expected: due.Amount{Dives: req.GetExpectedDives(), Hours: req.GetExpectedRunningTime().AsDuration(), Fills: req.GetExpectedFills()},
		Confirm:  req.GetConfirm(), HoldFor: defaultHold, Reference: req.GetReference(),
	}
	var err error
	if w.Shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
		return nil, err
	}
	if w.Window, err = windowOf(req.GetStartTime(), req.GetEndTime()); err != nil {
		return nil, err
	}
	if now := s.clock.Now(); !w.End.After(now) {
		return nil, errs.Field("end_time", w.End.Format(time.RFC3339), "lies in the past: it is "+now.Format(time.RFC3339)+" now")
	}
	if req.GetHoldFor() != nil {
		if req.GetConfirm() {
			return nil, errs.Field("hold_for", req.GetHoldFor().AsDuration().String(), "is for what is not confirmed at once; leave it out, or confirm")
		}
		w.HoldFor = req.GetHoldFor().AsDuration()
	}
	if req.GetGroup() != "" {
		w.Group, w.Join = uuid.MustParse(req.GetGroup()), true // a UUID: checked on the way in
	}
	w.Wants, err = wantsOf(org, req.GetOutfits())
	return w, err
}

// windowOf reads a window.
func windowOf(from, to *timestamppb.Timestamp) (w promise.Window, err error) {
	if w.Start, err = asked("start_time", from, time.Time{}); err != nil {
		return w, err
	}
	if w.End, err = asked("end_time", to, time.Time{}); err != nil {
		return w, err
	}
	switch {
	case !w.End.After(w.Start):
		return w, errs.Field("end_time", w.End.Format(time.RFC3339), "must be after start_time, "+w.Start.Format(time.RFC3339))
	case w.End.Sub(w.Start) > maxWindow:
		return w, errs.Field("end_time", w.End.Format(time.RFC3339), "must be within 366 days of start_time, "+w.Start.Format(time.RFC3339))
	}
	return w, nil
}

// wantsOf reads what outfits are made of, unit by unit.
func wantsOf(org tenant.Org, outfits []*compliancepb.Outfit) (out []promise.Want, err error) {
	units := int64(0)
	for _, o := range outfits {
		of := int64(0)
		for _, item := range o.GetItems() {
			of += int64(max(item.GetCount(), 1))
		}
		units += of * int64(max(o.GetCount(), 1))
	}
	if units > maxWanted {
		return nil, errs.Field("outfits", fmt.Sprintf("%d units", units), fmt.Sprintf("come to more than %d units; ask for them in parts", maxWanted))
	}
	number, named := int32(0), map[uuid.UUID]bool{}
	for i, o := range outfits {
		for range max(o.GetCount(), 1) {
			number++
			for j, item := range o.GetItems() {
				field := fmt.Sprintf("outfits[%d].items[%d]", i, j)
				want := promise.Want{Outfit: number, Kind: item.GetKind(), Size: item.GetSize()}
				if item.GetUnit() != "" {
					if want.Unit, err = resname.Unit(org, field+".unit", item.GetUnit()); err != nil {
						return nil, err
					}
					if item.GetCount() > 1 || named[want.Unit] {
						return nil, errs.Field(field+".unit", item.GetUnit(), "is one unit and asked for more than once; leave unit out for any, or count at one")
					}
					named[want.Unit] = true
				}
				for range max(item.GetCount(), 1) {
					out = append(out, want)
				}
			}
		}
	}
	return out, nil
}
