package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"

	"buf.build/go/protoyaml"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newRulesCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "rules", Short: "rule packs: what has to be done to which gear how often, and who says so", Args: noSuchCommand, RunE: needsCommand}
	cmd.AddCommand(newRulesPublishCmd(a), newRulesListCmd(a), newRulesShowCmd(a))
	return cmd
}

func newRulesPublishCmd(a *app) *cobra.Command {
	var id string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "publish FILE",
		Short: "publish a rule pack, or its next revision, from a YAML or JSON file",
		Long: `FILE ('-' for standard input) is a RulePack of proto/strandline/compliance/v1/rule.proto. A revision is in force from its
effective date on; a day before it is judged by the revision before. The same content twice is one revision. Try a pack
on a unit's facts first with 'strandline evaluate'.`,
		Example: `  strandline rules publish house.yaml --id house --dry-run
  strandline rules publish house.yaml --id house`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			pack := &compliancepb.RulePack{}
			if err := a.readMessage(args[0], pack); err != nil {
				return err
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Compliance.PublishRulePack(ctx, &compliancepb.PublishRulePackRequest{Parent: c.Org.Name(), RulePackId: id, RulePack: pack, RequestId: newID(), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				p := r.GetRulePack()
				return a.told(c, r.GetPosition(), dryRun, p, "%s: revision %d of %s with %s, in force from %s.", id, p.GetRevision(), p.GetTitle(), plural(int64(len(p.GetRules())), "rule"), showDate(p.GetEffectiveDate()))
			})
		},
	}
	cmd.Flags().StringVar(&id, "id", "", "`id` of the pack")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "id")
	return cmd
}

func newRulesShowCmd(a *app) *cobra.Command {
	var revision int64
	cmd := &cobra.Command{
		Use:   "show ID",
		Short: "one rule pack: its rules, limits and sources",
		Example: `  strandline rules show house
  strandline rules show house --revision 2 --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Compliance.GetRulePack(ctx, &compliancepb.GetRulePackRequest{Name: c.rulePack(args[0]), Revision: revision})
				if err != nil {
					return err
				}
				if a.json() {
					return a.printJSON(r.GetRulePack())
				}
				a.printPack(r.GetRulePack())
				return nil
			})
		},
	}
	cmd.Flags().Int64Var(&revision, "revision", 0, "`number` of the revision (default the last)")
	return cmd
}

func (a *app) printPack(p *compliancepb.RulePack) {
	a.paragraph(a.out, "", fmt.Sprintf("%s  revision %d of %s, in force from %s", lastID(p.GetName()), p.GetRevision(), p.GetTitle(), showDate(p.GetEffectiveDate())))
	a.printf("\n")
	t := newTable("rule", "activity", "limit", "by", "blocks", "~title", "~source")
	for _, r := range p.GetRules() {
		activity := r.GetActivity()
		if r.GetEndOfLife() {
			activity = "end of life"
		}
		t.row(r.GetId(), activity, limitWord(r.GetLimit()), authorityWord(r.GetAuthority()), usesWord(r.GetBlocks()), r.GetTitle(), sourceLine(r.GetSource()))
	}
	t.write(a.out, "  ", a.columns)
	for _, c := range p.GetCautions() {
		a.printf("\n")
		a.paragraph(a.out, "", c)
	}
}

// readMessage reads a file ('-' for standard input) of YAML or JSON into a message. What does not fit is told with line and
// column.
func (a *app) readMessage(path string, m proto.Message) error {
	const most = 64 << 20
	in, name := a.in, "standard input"
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return usagef("%v", err)
		}
		defer func() { _ = f.Close() }() // only read
		in, name = f, path
	}
	raw, err := io.ReadAll(io.LimitReader(in, most+1))
	if err != nil {
		return usagef("%s: %v", name, err)
	}
	if len(raw) > most {
		return errs.New(errs.Invalid, "INVALID_FIELD", name+" is larger than 64 MiB")
	}
	if err := (protoyaml.UnmarshalOptions{Path: name}).Unmarshal(raw, m); err != nil {
		msg := err.Error()
		if !strings.HasPrefix(msg, name) {
			msg = name + ": " + msg
		}
		return errs.New(errs.Invalid, "INVALID_FIELD", msg)
	}
	return nil
}
