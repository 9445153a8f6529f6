package main

import (
	"time"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/compliancerpc"
)

func newEvaluateCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "evaluate FILE",
		Short: "try rules on facts in a file: no server, no database",
		Long: `FILE ('-' for standard input) is an EvaluateRequest of proto/strandline/compliance/v1/evaluate.proto, in YAML or JSON: the
unit's facts, its entries and fittings, the rule packs and the instant asked about. The answer depends on nothing else,
so it is the same on every machine. Rule authors try a rule with it; an auditor can redo a decision.`,
		Example: `  strandline evaluate cylinder.yaml
  strandline evaluate - --output json < cylinder.yaml`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			req := &compliancepb.EvaluateRequest{}
			if err := a.readMessage(args[0], req); err != nil {
				return err
			}
			r, err := compliancerpc.Evaluate(req)
			if err != nil {
				return err
			}
			if a.json() {
				return a.printJSON(r)
			}
			s := r.GetStanding()
			title := s.GetAssetTag()
			if title == "" {
				title = s.GetUnit()
			}
			title += "  " + s.GetKind()
			for _, w := range []string{s.GetSize(), lastID(s.GetShop())} {
				if w != "" {
					title += ", " + w
				}
			}
			standingView{a: a, s: s, zone: evaluatedZone(req), title: title}.print()
			return nil
		},
	}
}

// evaluatedZone returns the time zone in which the unit asked about is at the instant.
func evaluatedZone(req *compliancepb.EvaluateRequest) *time.Location {
	for _, u := range req.GetUnits() {
		if u.GetUnit() != req.GetUnit() && (req.GetUnit() != "" || len(req.GetUnits()) > 1) {
			continue
		}
		zone := ""
		for _, s := range u.GetStays() {
			if s.GetStartTime() == nil || !s.GetStartTime().AsTime().After(req.GetInstant().AsTime()) {
				zone = s.GetTimeZone()
			}
		}
		if loc, err := time.LoadLocation(zone); err == nil && zone != "" {
			return loc
		}
	}
	return nil
}
