package compliancerpc

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/packs"
)

// PublishRulePack adds a revision of a pack, in force with the clocks that follow from it.
func (s *Server) PublishRulePack(ctx context.Context, req *compliancepb.PublishRulePackRequest) (*compliancepb.PublishRulePackResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	id := req.GetRulePackId()
	pack, err := packOf(org, id, req.GetRulePack())
	if err != nil {
		return nil, err
	}
	body, err := encodePack(req.GetRulePack())
	if err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.ComplianceService_PublishRulePack_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.PublishRulePackResponse, error) {
			r, p, err := s.store.Publish(ctx, org, id, pack.Effective, body, compliance.OwnChange{
				At: now, Kind: compliance.PackPublished, Subject: resname.PackName(org, id), Actor: subject(ctx),
			})
			if err != nil {
				return nil, err
			}
			out, err := packPB(org, r)
			return &compliancepb.PublishRulePackResponse{RulePack: out, Position: positionPB(p)}, err
		})
	return told(s, org, resp, err)
}

// GetRulePack reads a revision of a pack: the last, the one asked for, or the one in force on the day of an instant.
func (s *Server) GetRulePack(ctx context.Context, req *compliancepb.GetRulePackRequest) (*compliancepb.GetRulePackResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	id, err := resname.Part(org, "name", req.GetName(), "rulePacks")
	if err != nil {
		return nil, err
	}
	q := compliancepg.RevisionQuery{ID: id, Revision: req.GetRevision()}
	at, err := asked("instant", req.GetInstant(), time.Time{})
	if err != nil {
		return nil, err
	}
	if !at.IsZero() {
		if q.Revision != 0 {
			return nil, errs.Field("instant", at.Format(time.RFC3339), "goes without revision: ask for one of the two")
		}
		q.InForce = new(civil.In(at, time.UTC))
	}
	if q.Known, err = asked("known_time", req.GetKnownTime(), time.Time{}); err != nil {
		return nil, err
	}
	resp := &compliancepb.GetRulePackResponse{}
	_, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		rev, err := r.PackBy(ctx, q)
		if err != nil {
			return err
		}
		resp.RulePack, err = packPB(org, rev)
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// RebuildProjection builds the org's projection again from the feeds.
func (s *Server) RebuildProjection(ctx context.Context, req *compliancepb.RebuildProjectionRequest) (*compliancepb.RebuildProjectionResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	resp, err := idem.Run(ctx, s.db, org, s.clock.Now(), compliancepb.ComplianceService_RebuildProjection_FullMethodName, req.GetRequestId(), false, req,
		func(ctx context.Context) (*compliancepb.RebuildProjectionResponse, error) {
			units, p, err := s.store.Rebuild(ctx, org, func(ctx context.Context, source compliance.Source, after int64) ([]compliance.Change, error) {
				page, err := s.feeds[source-1].Read(ctx, org, after)
				return page.Changes, err
			})
			if err != nil {
				return nil, err
			}
			return &compliancepb.RebuildProjectionResponse{UnitCount: units, Position: positionPB(p)}, nil
		})
	return told(s, org, resp, err)
}

// encodePack returns what is stored of a pack: what was published, without what the service fills in.
func encodePack(p *compliancepb.RulePack) ([]byte, error) {
	p = proto.Clone(p).(*compliancepb.RulePack)
	p.Name, p.Revision, p.CreateTime = "", 0, nil
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(p)
	if err != nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "the rule pack cannot be stored").Because(err)
	}
	return body, nil
}

// decodePack reads a stored pack. It was checked when it was published: what later checks would say does not take it out
// of force.
func decodePack(id string, body []byte) (due.Pack, error) {
	var p compliancepb.RulePack
	if err := proto.Unmarshal(body, &p); err != nil {
		return due.Pack{}, err
	}
	pack, _ := packs.Of(id, "rule_pack", &p)
	return pack, nil
}

func packPB(org tenant.Org, r compliance.PackRevision) (*compliancepb.RulePack, error) {
	p := &compliancepb.RulePack{}
	if err := proto.Unmarshal(r.Body, p); err != nil {
		return nil, errs.New(errs.Internal, "INTERNAL", "a stored rule pack cannot be read").Because(err)
	}
	p.Name, p.Revision, p.CreateTime = resname.PackName(org, r.ID), r.Revision, timestamppb.New(r.Published)
	return p, nil
}
