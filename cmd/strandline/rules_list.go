package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newRulesListCmd(a *app) *cobra.Command {
	var asOf, asKnown string
	cmd := &cobra.Command{
		Use:   "list",
		Short: "the rule packs of the org, in their last revision or in the one in force on a day",
		Long: `Without --as-of the last revision of each pack, which may come into force only later. With it the revision in force on that
day; a pack that has none yet is left out. With --as-known only revisions published by then.`,
		Example: `  strandline rules list
  strandline rules list --as-of 2026-01-01
  strandline rules list --as-of 2026-06-01 --as-known 2026-05-01`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req := &compliancepb.ListRulePacksRequest{Parent: c.Org.Name()}
				var err error
				// A revision is in force by days, the same at every shop: a day alone is that day, wherever.
				if req.Instant, err = dayInstant("as-of", asOf); err != nil {
					return err
				}
				if req.KnownTime, err = c.instant(ctx, "as-known", asKnown, "", dayStart); err != nil {
					return err
				}
				packs, err := pages(ctx, 0, func(ctx context.Context, n int32, token string) ([]*compliancepb.RulePack, string, error) {
					req.PageSize, req.PageToken = n, token
					r, err := c.Compliance.ListRulePacks(ctx, req)
					return r.GetRulePacks(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, packs)
				}
				t := newTable("id", ">revision", "in force from", ">rules", "~title")
				for _, p := range packs {
					t.row(lastID(p.GetName()), fmt.Sprint(p.GetRevision()), showDate(p.GetEffectiveDate()), fmt.Sprint(len(p.GetRules())), p.GetTitle())
				}
				a.table(t, "No rule packs: without a rule nothing vouches for a unit, and none may be handed out.")
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&asOf, "as-of", "", "the revision in force on this `day` (default the last)")
	cmd.Flags().StringVar(&asKnown, "as-known", "", "only revisions published by this `instant`")
	return cmd
}
