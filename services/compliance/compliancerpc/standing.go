package compliancerpc

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// GetStanding answers for one unit at an instant. It is derived from the unit's entries each time, so that any instant, and
// what was known at any instant, can be asked about.
func (s *Server) GetStanding(ctx context.Context, req *compliancepb.GetStandingRequest) (*compliancepb.GetStandingResponse, error) {
	org, err := resname.Org(ctx, "unit", req.GetUnit())
	if err != nil {
		return nil, err
	}
	unit, err := resname.Unit(org, "unit", req.GetUnit())
	if err != nil {
		return nil, err
	}
	at, err := asked("instant", req.GetInstant(), s.clock.Now())
	if err != nil {
		return nil, err
	}
	known, err := asked("known_time", req.GetKnownTime(), time.Time{})
	if err != nil {
		return nil, err
	}
	resp := &compliancepb.GetStandingResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		all, err := standings(ctx, r, org, []uuid.UUID{unit}, at, known)
		if err == nil {
			resp.Standing = all[0]
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// BatchGetStandings answers for several units at one instant.
func (s *Server) BatchGetStandings(ctx context.Context, req *compliancepb.BatchGetStandingsRequest) (*compliancepb.BatchGetStandingsResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	units := make([]uuid.UUID, len(req.GetUnits()))
	for i, name := range req.GetUnits() {
		if units[i], err = resname.Unit(org, fmt.Sprintf("units[%d]", i), name); err != nil {
			return nil, err
		}
	}
	at, err := asked("instant", req.GetInstant(), s.clock.Now())
	if err != nil {
		return nil, err
	}
	known, err := asked("known_time", req.GetKnownTime(), time.Time{})
	if err != nil {
		return nil, err
	}
	resp := &compliancepb.BatchGetStandingsResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		resp.Standings, err = standings(ctx, r, org, units, at, known)
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func standings(ctx context.Context, r *compliancepg.Reader, org tenant.Org, units []uuid.UUID, at, known time.Time) ([]*compliancepb.Standing, error) {
	sets, err := r.Derive(ctx, units, at, known)
	if err != nil {
		return nil, err
	}
	n, err := namingOf(ctx, r, org, known, sets...)
	if err != nil {
		return nil, err
	}
	return standingsPB(sets, n, at, known), nil
}

// standingsPB returns the messages of sets as they stand at the instant they were derived for.
func standingsPB(sets []*compliance.Set, n naming, at, known time.Time) []*compliancepb.Standing {
	out := make([]*compliancepb.Standing, len(sets))
	for i, set := range sets {
		st := set.Stand(at)
		out[i] = standingPB(&st, n, true)
		out[i].AssetTag, out[i].Kind, out[i].Size, out[i].KnownTime = set.Tag, set.Kind, set.Size, instantPB(known)
		out[i].Waivers = excusing(&st, set.Waivers, at, known, n)
	}
	return out
}

// namingOf names an org's resources, with the tags of the units in some sets and of their hosts, as known, for the sentences.
func namingOf(ctx context.Context, r *compliancepg.Reader, org tenant.Org, known time.Time, sets ...*compliance.Set) (naming, error) {
	var ids []uuid.UUID
	add := func(s *compliance.Set) {
		for _, d := range append([]*due.Derived{s.Self}, s.Parts...) {
			ids = append(ids, d.Unit)
			if d.Host != uuid.Nil {
				ids = append(ids, d.Host)
			}
		}
	}
	for _, s := range sets {
		add(s)
		if s.Latest != nil {
			add(s.Latest)
		}
	}
	tags, err := r.Tags(ctx, ids, known)
	return orgNaming(org, func(u uuid.UUID) string {
		if tag, ok := tags[u]; ok {
			return tag
		}
		return resname.UnitName(org, u)
	}), err
}

// Evaluate answers a question that carries everything the answer depends on.
func (s *Server) Evaluate(_ context.Context, req *compliancepb.EvaluateRequest) (*compliancepb.EvaluateResponse, error) {
	return Evaluate(req)
}
