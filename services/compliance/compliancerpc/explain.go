package compliancerpc

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// ExplainUnit tells the clocks of a unit and of its parts link by link, with every use they count.
func (s *Server) ExplainUnit(ctx context.Context, req *compliancepb.ExplainUnitRequest) (*compliancepb.ExplainUnitResponse, error) {
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
	resp := &compliancepb.ExplainUnitResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		set, input, err := r.Explain(ctx, unit, at, known)
		if err != nil {
			return err
		}
		st := set.Stand(at)
		clocks, err := clocksOf(org, st.Clocks, set.Tag, req.GetRule())
		if err != nil {
			return err
		}
		n, err := namingOf(ctx, r, org, known, set)
		if err != nil {
			return err
		}
		resp.Standing = standingsPB([]*compliance.Set{set}, n, at, known)[0]
		resp.Clocks = explanationsPB(clocks, st.On, n, func(id uuid.UUID) *due.Tally { return due.Tallied(input(id), at, known) })
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// clocksOf returns those of the clocks that are of a rule; all for no rule. A rule that runs on neither the unit nor its parts is
// NOT_FOUND, and told with those that do.
func clocksOf(org tenant.Org, clocks []*due.Clock, tag, rule string) ([]*due.Clock, error) {
	if rule == "" {
		return clocks, nil
	}
	path, id, _ := strings.Cut(rule, "/rules/")
	pack, err := resname.Part(org, "rule", path, "rulePacks")
	if err != nil {
		return nil, err
	}
	var out []*due.Clock
	var running []string
	for _, c := range clocks {
		if c.Pack.ID == pack && c.Rule.ID == id {
			out = append(out, c)
		}
		if name := c.Pack.ID + "/" + c.Rule.ID; !slices.Contains(running, name) {
			running = append(running, name)
		}
	}
	if len(out) > 0 {
		return out, nil
	}
	these := "no rule does"
	if len(running) > 0 {
		these = "these do: " + strings.Join(running, ", ")
	}
	e := errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("rule: %s/%s does not run on %s or its parts then; %s", pack, id, tag, these),
		"field", "rule", "rule", rule, "running", strings.Join(running, ", "))
	e.Resource = rule
	return nil, e
}
