package main

import (
	"slices"
	"time"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/compliancerpc"
	"strandline.example/strandline/services/compliance/packs"
)

func newEvaluateCmd(a *app) *cobra.Command {
	var files, shipped []string
	cmd := &cobra.Command{
		Use:   "evaluate FILE",
		Short: "try rules on facts in a file: no server, no database",
		Long: `FILE ('-' for standard input) is an EvaluateRequest of proto/strandline/compliance/v1/evaluate.proto, in YAML or JSON: the
unit's facts, its entries and fittings, the rule packs and the instant asked about. The answer depends on nothing else,
so it is the same on every machine. Rule authors try a rule with it; an auditor can redo a decision.

With --rules the packs of a file as 'strandline rules publish' takes it judge too, and with --shipped packs that come with Strandline. One
that FILE holds under the same id is left out: theirs takes its place.`,
		Example: `  strandline evaluate cylinder.yaml
  strandline evaluate - --output json < cylinder.yaml
  strandline evaluate question.yaml --rules house.yaml
  strandline evaluate question.yaml --rules house.yaml --shipped gb-cylinders`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			if args[0] == "-" && slices.Contains(files, "-") {
				return usagef("both FILE and --rules are standard input: one of them must be a file")
			}
			req := &compliancepb.EvaluateRequest{}
			if err := a.readMessage(args[0], req); err != nil {
				return err
			}
			if err := a.addPacks(req, files, shipped); err != nil {
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
	cmd.Flags().StringArrayVar(&files, "rules", nil, "judge by the rule packs of this `file` too; may be given more than once")
	cmd.Flags().StringSliceVar(&shipped, "shipped", nil, "judge by the shipped pack of this `id` too; several with commas")
	return cmd
}

// addPacks adds packs of files and shipped ones to a question, in the place of those that it has by the same ids.
func (a *app) addPacks(req *compliancepb.EvaluateRequest, files, shipped []string) error {
	from, revisions := map[string]string{}, map[string]int64{}
	var added []*compliancepb.RulePack
	add := func(label string, docs []packs.Document) error {
		for _, d := range docs {
			if other, ok := from[d.ID]; ok && other != label {
				return usagef("%s and %s both have the pack %s: leave one out", other, label, d.ID)
			}
			from[d.ID] = label
			revisions[d.ID]++
			d.Message.Name, d.Message.Revision = "rulePacks/"+d.ID, revisions[d.ID]
			added = append(added, d.Message)
		}
		return nil
	}
	for _, path := range files {
		docs, err := a.packsOf("try", []string{path}, "", nil)
		if err != nil {
			return err
		}
		if err := add("--rules "+path, docs); err != nil {
			return err
		}
	}
	if len(shipped) > 0 {
		docs, err := a.packsOf("try", nil, "", shipped)
		if err != nil {
			return err
		}
		if err := add("--shipped", docs); err != nil {
			return err
		}
	}
	for _, p := range added {
		if revisions[lastID(p.GetName())] == 1 {
			p.Revision = 0 // it is not published: only an order among several is meant
		}
	}
	req.RulePacks = append(slices.DeleteFunc(req.GetRulePacks(), func(p *compliancepb.RulePack) bool { return from[lastID(p.GetName())] != "" }), added...)
	return nil
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
