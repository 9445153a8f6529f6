package main

import (
	"context"
	"fmt"
	"slices"

	"buf.build/go/protoyaml"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newRulesShowCmd(a *app) *cobra.Command {
	var revision int64
	var m moments
	var shipped, asYAML bool
	cmd := &cobra.Command{
		Use:   "show ID",
		Short: "one rule pack: its rules, whom they are for, limits, conditions and sources",
		Long: `A rule marked * has figures from memory, which nobody has compared with the document: it is no statement of law.

With --yaml the pack is printed as a file that 'strandline rules check' takes: the start of a revision. With --shipped it is the
pack that comes with Strandline, published or not; no server is needed.`,
		Example: `  strandline rules show house
  strandline rules show house --revision 2 --output json
  strandline rules show house --as-of 2026-06-01 --as-known 2026-05-01
  strandline rules show house --yaml > house.yaml
  strandline rules show us-cylinders --shipped`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			if shipped {
				if revision != 0 {
					return usagef("a shipped pack has no --revision: it gets one when it is published")
				}
				if m.given() {
					return usagef("--shipped goes without --as-of and --as-known: it shows what this version comes with")
				}
				return a.showShipped(args[0], asYAML)
			}
			if revision != 0 && m.asOf != "" {
				return usagef("--revision and --as-of do not go together: ask for a number, or for the one in force on a day")
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req := &compliancepb.GetRulePackRequest{Name: c.rulePack(args[0]), Revision: revision}
				var err error
				if req.Instant, req.KnownTime, err = m.readDay(ctx, c); err != nil {
					return err
				}
				r, err := c.Compliance.GetRulePack(ctx, req)
				if err != nil {
					return err
				}
				switch {
				case asYAML:
					return a.printPackYAML(r.GetRulePack())
				case a.json():
					return a.printJSON(r.GetRulePack())
				}
				a.printPack(r.GetRulePack())
				return nil
			})
		},
	}
	cmd.Flags().Int64Var(&revision, "revision", 0, "`number` of the revision (default the last)")
	m.flags(cmd, "the revision in force on this `day` (default the last)", "only revisions published by this `instant`")
	cmd.Flags().BoolVar(&asYAML, "yaml", false, "as a file of YAML")
	cmd.Flags().BoolVar(&shipped, "shipped", false, "the pack of this id that comes with Strandline")
	return cmd
}

// showShipped prints a shipped pack; as YAML the file itself, with its comments.
func (a *app) showShipped(id string, asYAML bool) error {
	docs, raw, err := a.shipped.Pack(id)
	if err != nil {
		return err
	}
	if asYAML {
		_, err := a.out.Write(raw)
		return err
	}
	var all []*compliancepb.RulePack
	for _, d := range docs {
		d.Message.Name = "rulePacks/" + d.ID
		all = append(all, d.Message)
	}
	if a.json() {
		return printList(a, all)
	}
	for i, p := range all {
		if i > 0 {
			a.printf("\n")
		}
		a.printPack(p)
	}
	return nil
}

// printPackYAML prints a pack as a file of rule packs.
func (a *app) printPackYAML(p *compliancepb.RulePack) error {
	stated := proto.Clone(p).(*compliancepb.RulePack)
	stated.Name, stated.Revision, stated.CreateTime = "rulePacks/"+lastID(p.GetName()), 0, nil
	raw, err := protoyaml.MarshalOptions{Indent: 2}.Marshal(stated)
	if err != nil {
		return err
	}
	a.printf("# Revision %d of %s.\n%s", p.GetRevision(), p.GetName(), raw)
	return nil
}

// printPack prints a pack: its rules at a glance, then one by one.
func (a *app) printPack(p *compliancepb.RulePack) {
	revision := "as shipped:"
	if p.GetRevision() > 0 {
		revision = fmt.Sprintf("revision %d of", p.GetRevision())
	}
	a.paragraph(a.out, "", fmt.Sprintf("%s  %s %s, in force from %s", lastID(p.GetName()), revision, p.GetTitle(), showDate(p.GetEffectiveDate())))
	a.printf("\n")
	t := newTable("rule", "activity", "limit", "by", "blocks", "~title")
	for _, r := range p.GetRules() {
		t.row(r.GetId(), activityWord(r), limitWord(r.GetLimit()), byWord(r), usesWord(r.GetBlocks()), r.GetTitle())
	}
	t.write(a.out, "  ", a.columns)
	if len(fromMemory(p)) > 0 {
		a.paragraph(a.out, "  ", "* figures from memory, not compared with the document; no statement of law")
	}
	for _, r := range p.GetRules() {
		a.printf("\n")
		a.paragraph(a.out, "  ", r.GetId()+"  "+r.GetTitle())
		t := newTable("", "~")
		t.bare = true
		for _, row := range ruleRows(r) {
			t.row(row[0], row[1])
		}
		t.write(a.out, "    ", a.columns)
	}
	if proofs := p.GetConditionProofs(); len(proofs) > 0 {
		a.printf("\n  What lifts the hold of a condition report\n")
		t := newTable("~condition", "~a later pass of")
		for _, proof := range proofs {
			t.row(orWord(joined(proof.GetConditions()), "any other"), orWords(proof.GetClearedBy()))
		}
		t.write(a.out, "    ", a.columns)
	}
	for _, c := range p.GetCautions() {
		a.printf("\n")
		a.paragraph(a.out, "", c)
	}
}

func activityWord(r *compliancepb.Rule) string {
	if r.GetEndOfLife() {
		return "end of life"
	}
	return r.GetActivity()
}

// byWord says who says so, with the mark of a figure from memory.
func byWord(r *compliancepb.Rule) string {
	if r.GetSource().GetFromMemory() {
		return authorityWord(r.GetAuthority()) + " *"
	}
	return authorityWord(r.GetAuthority())
}

func orWord(text, empty string) string {
	if text == "" {
		return empty
	}
	return text
}

// sortedPairs prints attributes in the order of their keys.
func sortedPairs(m map[string]string) (out []string) {
	for k, v := range m {
		out = append(out, k+" "+v)
	}
	slices.Sort(out)
	return out
}
