package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/packs"
)

func newRulesPublishCmd(a *app) *cobra.Command {
	var id string
	var shipped []string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "publish [FILE]",
		Short: "publish rule packs, or their next revisions, from a YAML or JSON file, or shipped ones by id",
		Long: `FILE ('-' for standard input) is what 'strandline rules check' checks: one or several packs, or revisions of one, which are published
in the order of the file. A revision is in force from its effective date on; a day before it is judged by the revision before. What is
the same as the last revision is that revision. See what it would do to the fleet with --dry-run and 'strandline rules try' first, and try it on a unit's
facts with 'strandline evaluate'.

With --shipped the packs that come with Strandline are published, which 'strandline rules list --shipped' lists. Read them first: local code and
the maker's manual win, and what is from memory says so.`,
		Example: `  strandline rules publish house.yaml --dry-run
  strandline rules publish house.yaml
  strandline rules publish - --id house < house.yaml
  strandline rules publish --shipped us-cylinders`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			docs, err := a.packsOf("publish", args, id, shipped)
			if err != nil {
				return err
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error { return a.publishPacks(ctx, c, docs, dryRun) })
		},
	}
	cmd.Flags().StringVar(&id, "id", "", "`id` of a pack that states no name (default what the file is called)")
	cmd.Flags().StringSliceVar(&shipped, "shipped", nil, "publish the shipped pack of this `id`; several with commas")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	return cmd
}

// packsOf returns the packs that a command line means, which it wants to publish or try.
func (a *app) packsOf(verb string, args []string, id string, shipped []string) (docs []packs.Document, err error) {
	switch {
	case len(args) == 0 && len(shipped) == 0:
		return nil, usagef("what to %s? Name a FILE, or a shipped pack with --shipped", verb)
	case len(shipped) > 0 && (len(args) > 0 || id != ""):
		return nil, usagef("--shipped goes without a FILE and without --id")
	}
	for _, s := range shipped {
		d, _, err := a.shipped.Pack(s)
		if err != nil {
			return nil, err
		}
		docs = append(docs, d...)
	}
	if len(shipped) > 0 {
		return docs, nil
	}
	f, err := a.readPacks(args[0], id)
	if err != nil {
		return nil, err
	}
	for _, p := range f.problems {
		a.talkf("%s", p.At(f.label))
	}
	for _, d := range f.docs {
		if id != "" && d.ID != id {
			return nil, usagef("%s:%d names the pack %s, and --id %s: leave one out", f.label, d.Line, d.ID, id)
		}
	}
	return f.docs, problemsFound("RULE_PACK_INVALID", f.checkedFile)
}

// ownPack refuses a pack that names another org.
func (c *clients) ownPack(d packs.Document) error {
	if d.Org == "" || d.Org == c.Org.ID {
		return nil
	}
	return errs.Field("name", "orgs/"+d.Org+"/rulePacks/"+d.ID, "the pack is for another org: pass --org "+d.Org+", or name it rulePacks/"+d.ID)
}

// publishPacks publishes packs in order. Of several none is published unless each would be.
func (a *app) publishPacks(ctx context.Context, c *clients, docs []packs.Document, dryRun bool) error {
	for _, d := range docs {
		if err := c.ownPack(d); err != nil {
			return err
		}
	}
	passes := []bool{true, false}
	switch {
	case dryRun:
		passes = []bool{true}
	case len(docs) == 1:
		passes = []bool{false}
	}
	var out []*compliancepb.RulePack
	for _, only := range passes {
		out = out[:0]
		for _, d := range docs {
			r, err := c.Compliance.PublishRulePack(ctx, &compliancepb.PublishRulePackRequest{Parent: c.Org.Name(), RulePackId: d.ID, RulePack: d.Message, RequestId: newID(), ValidateOnly: only})
			if err != nil {
				return err
			}
			if !only {
				c.wrote(r.GetPosition())
			}
			out = append(out, r.GetRulePack())
		}
	}
	if a.json() {
		if len(out) == 1 {
			return a.printJSON(out[0])
		}
		return printList(a, out)
	}
	if dryRun {
		a.talkf("Dry run: everything is in order, nothing was written. Without --dry-run:")
	}
	for _, p := range out {
		memory := ""
		if n := len(fromMemory(p)); n > 0 {
			memory = fmt.Sprintf(" The figures of %s are from memory.", plural(int64(n), "rule"))
		}
		a.printf("%s: revision %d of %s with %s, in force from %s.%s\n", lastID(p.GetName()), p.GetRevision(), p.GetTitle(), plural(int64(len(p.GetRules())), "rule"), showDate(p.GetEffectiveDate()), memory)
	}
	return nil
}
