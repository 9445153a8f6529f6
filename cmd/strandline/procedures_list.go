package main

import (
	"context"

	"github.com/spf13/cobra"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func newProceduresListCmd(a *app) *cobra.Command {
	var own bool
	cmd := &cobra.Command{
		Use:   "list",
		Short: "the procedures that come with Strandline, and with --own those that the org published",
		Long: `None of those that come with it is any maker's. Where a maker's manual or local code says something else, that wins: 'strandline procedures
show ID --yaml' is the start of a procedure of one's own.

Without --own and --server it needs no server and no database.`,
		Example: `  strandline procedures list
  strandline procedures list --own
  strandline procedures list --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if a.asksOrg(own) {
				return a.listPublished(cmd.Context())
			}
			all, err := a.shippedProcedures()
			if err != nil {
				return err
			}
			if a.json() {
				return printList(a, all)
			}
			t := newTable("id", ">revision", ">steps", ">critical", ">tests", "~title", "~kinds")
			for _, p := range all {
				t.row(append(procedureCells(lastID(p.GetName()), p), joined(p.GetKinds()))...)
			}
			a.table(t, "")
			return nil
		},
	}
	cmd.Flags().BoolVar(&own, "own", false, "also those that the org published (as with --server)")
	return cmd
}

// asksOrg says whether the org's own procedures are asked for: with the flag for it, or because a server is named.
func (a *app) asksOrg(own bool) bool { return own || a.set.Server != "" }

// listPublished prints the procedures that the org can open orders by, in their last revisions.
func (a *app) listPublished(ctx context.Context) error {
	return a.withClients(ctx, func(ctx context.Context, c *clients) error {
		found, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*historypb.PublishedProcedure, string, error) {
			r, err := c.Procedures.ListProcedures(ctx, &historypb.ListProceduresRequest{Parent: c.Org.Name(), PageSize: size, PageToken: token})
			return r.GetProcedures(), r.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		if a.json() {
			return printList(a, found)
		}
		t := newTable("id", ">revision", ">steps", ">critical", ">tests", "~title", "~kinds", "published")
		for _, f := range found {
			p := f.GetProcedure()
			published := "with Strandline"
			if !f.GetShipped() {
				published = showInstant(f.GetPublishTime(), nil)
			}
			t.row(append(procedureCells(lastID(p.GetName()), p), joined(p.GetKinds()), published)...)
		}
		a.table(t, "")
		return nil
	})
}

// shippedProcedures returns every revision of every procedure that comes with Strandline, with its name.
func (a *app) shippedProcedures() (all []*historypb.Procedure, err error) {
	ids, err := a.procedures.IDs()
	if err != nil {
		return nil, err
	}
	for _, id := range ids {
		docs, _, err := a.procedures.Procedure(id)
		if err != nil {
			return nil, err
		}
		for _, d := range docs {
			d.Message.Name = "procedures/" + d.ID
			all = append(all, d.Message)
		}
	}
	return all, nil
}
