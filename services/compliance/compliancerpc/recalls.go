package compliancerpc

import (
	"context"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/packs"
)

// OpenRecall holds what a recall covers. What the feeds hold is applied first, so that the answer's count is of the fleet as it is.
func (s *Server) OpenRecall(ctx context.Context, req *compliancepb.OpenRecallRequest) (*compliancepb.OpenRecallResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	d, err := recallOf(req.GetRecall())
	if err != nil {
		return nil, err
	}
	body, err := encodeRecall(req.GetRecall())
	if err != nil {
		return nil, err
	}
	if _, err := s.applier.Pull(ctx, org); err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.RecallService_OpenRecall_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.OpenRecallResponse, error) {
			r := compliance.RecallRecord{ID: req.GetRecallId(), Body: body, Releasable: req.GetRecall().GetReleasable(), Opened: now, Opener: subject(ctx)}
			progress, p, err := s.store.OpenRecall(ctx, org, r, r.Standing(d), compliance.OwnChange{
				At: now, Kind: compliance.RecallOpened, Subject: resname.RecallName(org, r.ID), Actor: r.Opener,
			})
			if err != nil {
				return nil, err
			}
			out, err := recallPB(org, &r)
			return &compliancepb.OpenRecallResponse{Recall: out, Position: positionPB(p), Progress: progressPB(progress)}, err
		})
	if err == nil && !req.GetValidateOnly() {
		resp.AffectedAllocations, resp.AffectedUnknown = s.affected(ctx, org, instantOf(resp.GetRecall().GetOpenTime()), func(ctx context.Context) ([]uuid.UUID, error) {
			return s.store.RecalledUnits(ctx, org, req.GetRecallId())
		})
	}
	return resp, err
}

// ReleaseRecalledUnit lets one unit off a recall.
func (s *Server) ReleaseRecalledUnit(ctx context.Context, req *compliancepb.ReleaseRecalledUnitRequest) (*compliancepb.ReleaseRecalledUnitResponse, error) {
	org, id, err := recallName(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	unit, err := resname.Unit(org, "unit", req.GetUnit())
	if err != nil {
		return nil, err
	}
	reason, err := said("reason", req.GetReason(), "must say why the unit is not concerned")
	if err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.RecallService_ReleaseRecalledUnit_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.ReleaseRecalledUnitResponse, error) {
			l := due.Release{Recall: id, Unit: unit, Released: now, Releaser: subject(ctx), Reason: reason}
			u, p, err := s.store.ReleaseRecalled(ctx, org, l, compliance.OwnChange{
				At: now, Kind: compliance.RecallUnitFreed, Subject: resname.HoldName(org, unit, due.RecallHold(id)), Actor: l.Releaser,
			})
			if err != nil {
				return nil, err
			}
			return &compliancepb.ReleaseRecalledUnitResponse{Unit: recalledPB(org, &u), Position: positionPB(p)}, nil
		})
	return told(s, org, resp, err)
}

// WithdrawRecall frees what a recall holds.
func (s *Server) WithdrawRecall(ctx context.Context, req *compliancepb.WithdrawRecallRequest) (*compliancepb.WithdrawRecallResponse, error) {
	org, id, err := recallName(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	reason, err := said("reason", req.GetReason(), "must say why the recall is withdrawn")
	if err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.RecallService_WithdrawRecall_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.WithdrawRecallResponse, error) {
			r, p, err := s.store.EndRecall(ctx, org, id, true, reason, compliance.OwnChange{
				At: now, Kind: compliance.RecallWithdrew, Subject: resname.RecallName(org, id), Actor: subject(ctx),
			})
			if err != nil {
				return nil, err
			}
			out, err := recallPB(org, &r)
			return &compliancepb.WithdrawRecallResponse{Recall: out, Position: positionPB(p)}, err
		})
	return told(s, org, resp, err)
}

// CloseRecall closes a recall that holds nothing any more, as far as the feeds tell now.
func (s *Server) CloseRecall(ctx context.Context, req *compliancepb.CloseRecallRequest) (*compliancepb.CloseRecallResponse, error) {
	org, id, err := recallName(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.applier.Pull(ctx, org); err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.RecallService_CloseRecall_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.CloseRecallResponse, error) {
			r, p, err := s.store.EndRecall(ctx, org, id, false, "", compliance.OwnChange{
				At: now, Kind: compliance.RecallClosed, Subject: resname.RecallName(org, id), Actor: subject(ctx),
			})
			if err != nil {
				return nil, err
			}
			out, err := recallPB(org, &r)
			return &compliancepb.CloseRecallResponse{Recall: out, Position: positionPB(p)}, err
		})
	return told(s, org, resp, err)
}

// recallOf reads a recall that somebody states. Lots of another org than the token's were refused before.
func recallOf(p *compliancepb.Recall) (due.Recall, error) {
	d, bad := packs.RecallOf("recall", p)
	if _, err := said("recall.title", p.GetTitle(), "must say what is recalled"); err != nil {
		return d, err
	}
	if len(bad) > 0 {
		e := errs.Fields(bad...)
		e.Reason = "RECALL_INVALID"
		return d, e
	}
	return d, nil
}

// encodeRecall returns what is stored of a recall: what was stated, without what the service fills in.
func encodeRecall(p *compliancepb.Recall) ([]byte, error) {
	p = proto.CloneOf(p)
	p.Name, p.OpenTime, p.Opener, p.State, p.EndTime, p.Ender, p.EndReason = "", nil, "", 0, nil, "", ""
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(p)
	if err != nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "the recall cannot be stored").Because(err)
	}
	return body, nil
}

// decodeRecall reads a stored recall. It was checked when it was opened.
func decodeRecall(body []byte) (due.Recall, error) {
	var p compliancepb.Recall
	if err := proto.Unmarshal(body, &p); err != nil {
		return due.Recall{}, err
	}
	d, _ := packs.RecallOf("recall", &p)
	return d, nil
}

func recallPB(org tenant.Org, r *compliance.RecallRecord) (*compliancepb.Recall, error) {
	p := &compliancepb.Recall{}
	if err := proto.Unmarshal(r.Body, p); err != nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "a stored recall cannot be read").Because(err)
	}
	p.Name, p.OpenTime, p.Opener, p.State = resname.RecallName(org, r.ID), timestamppb.New(r.Opened), r.Opener, compliancepb.Recall_STATE_OPEN
	if !r.Ended.IsZero() {
		p.State, p.EndTime, p.Ender, p.EndReason = compliancepb.Recall_STATE_CLOSED, timestamppb.New(r.Ended), r.Ender, r.EndReason
		if r.Withdrawn {
			p.State = compliancepb.Recall_STATE_WITHDRAWN
		}
	}
	return p, nil
}

func progressPB(p compliance.RecallProgress) *compliancepb.RecallProgress {
	return &compliancepb.RecallProgress{HeldCount: p.Held, RemediedCount: p.Remedied, ReleasedCount: p.Released, RetiredCount: p.Retired}
}

func recalledPB(org tenant.Org, u *compliance.RecalledUnit) *compliancepb.RecalledUnit {
	out := &compliancepb.RecalledUnit{
		Unit: resname.UnitName(org, u.Unit), AssetTag: u.Tag, SerialNumber: u.Serial, Kind: u.Kind, Shop: resname.ShopName(org, u.Shop),
		State: compliancepb.RecalledUnit_State(u.State), Lifter: u.Lifter, LiftReason: u.LiftReason,
	}
	if !u.Lifted.IsZero() {
		out.LiftTime = timestamppb.New(u.Lifted)
	}
	if u.Proof != uuid.Nil {
		out.Lifter = resname.EntryName(org, u.Unit, u.Proof)
	}
	return out
}

// recallName reads the name of a recall.
func recallName(ctx context.Context, field, name string) (tenant.Org, string, error) {
	org, err := resname.Org(ctx, field, name)
	if err != nil {
		return org, "", err
	}
	id, err := resname.Part(org, field, name, "recalls")
	return org, id, err
}

// recallCursor is the last recall of a page.
type recallCursor struct {
	Opened time.Time `json:"opened"`
	ID     string    `json:"id"`
}

// recalledCursor is the last unit of a page, and the instant the first page was made for.
type recalledCursor struct {
	At   time.Time `json:"at"`
	Shop string    `json:"shop"`
	Tag  string    `json:"tag"`
	Unit uuid.UUID `json:"unit"`
}
