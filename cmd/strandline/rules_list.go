package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newRulesListCmd(a *app) *cobra.Command {
	var m moments
	var shipped bool
	cmd := &cobra.Command{
		Use:   "list",
		Short: "the rule packs of the org, as last published or as in force on a day, or those that are shipped",
		Long: `Without --as-of the last revision of each pack, which may come into force only later. With it the revision in force on that
day; a pack that has none yet is left out. With --as-known only revisions published by then.

With --shipped the packs that come with Strandline, whether published or not; no server is needed. 'strandline rules publish --shipped ID'
puts one in force.`,
		Example: `  strandline rules list
  strandline rules list --as-of 2026-01-01
  strandline rules list --as-of 2026-06-01 --as-known 2026-05-01
  strandline rules list --shipped`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if shipped {
				if m.given() {
					return usagef("--shipped goes without --as-of and --as-known: it lists what this version comes with")
				}
				return a.listShipped()
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req := &compliancepb.ListRulePacksRequest{Parent: c.Org.Name()}
				var err error
				// A revision is in force by days, the same at every shop: a day alone is that day, wherever.
				if req.Instant, req.KnownTime, err = m.readDay(ctx, c); err != nil {
					return err
				}
				found, err := pages(ctx, 0, func(ctx context.Context, n int32, token string) ([]*compliancepb.RulePack, string, error) {
					req.PageSize, req.PageToken = n, token
					r, err := c.Compliance.ListRulePacks(ctx, req)
					return r.GetRulePacks(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, found)
				}
				t := newTable("id", ">revision", "in force from", ">rules", "~title")
				for _, p := range found {
					t.row(lastID(p.GetName()), fmt.Sprint(p.GetRevision()), showDate(p.GetEffectiveDate()), fmt.Sprint(len(p.GetRules())), p.GetTitle())
				}
				a.table(t, "No rule packs: without a rule nothing vouches for a unit, and none may be handed out.")
				return nil
			})
		},
	}
	m.flags(cmd, "the revision in force on this `day` (default the last)", "only revisions published by this `instant`")
	cmd.Flags().BoolVar(&shipped, "shipped", false, "the packs that come with Strandline")
	return cmd
}

// listShipped prints the packs that come with Strandline.
func (a *app) listShipped() error {
	ids, err := a.shipped.IDs()
	if err != nil {
		return err
	}
	var all []*compliancepb.RulePack
	for _, id := range ids {
		docs, _, err := a.shipped.Pack(id)
		if err != nil {
			return err
		}
		for _, d := range docs {
			d.Message.Name = "rulePacks/" + d.ID
			all = append(all, d.Message)
		}
	}
	if a.json() {
		return printList(a, all)
	}
	t := newTable("id", "in force from", ">rules", ">from memory", "~title")
	for _, p := range all {
		memory := ""
		if n := len(fromMemory(p)); n > 0 {
			memory = fmt.Sprint(n)
		}
		t.row(lastID(p.GetName()), showDate(p.GetEffectiveDate()), fmt.Sprint(len(p.GetRules())), memory, p.GetTitle())
	}
	a.table(t, "")
	return nil
}
