package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/errs"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func newProceduresShowCmd(a *app) *cobra.Command {
	var revision int32
	var asYAML, own bool
	cmd := &cobra.Command{
		Use:   "show ID",
		Short: "one procedure: its steps, parts, bounds, tests and sources",
		Long: `A step marked ! is critical: an order cannot be signed while it is open. One marked 2 is checked by a second person. What a bound or a
criterion has from memory says so: nobody has compared it with a document.

With --yaml it is the file itself, with its comments: the start of a procedure of one's own.

Without --own and --server it is one that comes with Strandline, and needs no server and no database.`,
		Example: `  strandline procedures show second-stage-overhaul
  strandline procedures show second-stage-overhaul --yaml > ours.yaml
  strandline procedures show gauge-comparison --revision 1 --output json
  strandline procedures show lagoon-suit --own --yaml`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			if a.asksOrg(own) {
				return a.showPublished(cmd.Context(), args[0], revision, asYAML)
			}
			docs, raw, err := a.procedures.Procedure(args[0])
			if err != nil {
				return err
			}
			if asYAML {
				if revision != 0 {
					return usagef("--yaml goes without --revision: it is the file, with all its revisions")
				}
				_, err := a.out.Write(raw)
				return err
			}
			p := docs[len(docs)-1].Message
			if revision != 0 {
				p = nil
				for _, d := range docs {
					if d.Message.GetRevision() == revision {
						p = d.Message
					}
				}
				if p == nil {
					return errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("%s has no revision %d; the last is %d", args[0], revision, docs[len(docs)-1].Message.GetRevision()), "procedure", args[0])
				}
			}
			p.Name = "procedures/" + args[0]
			if a.json() {
				return a.printJSON(p)
			}
			a.printProcedure(p)
			return nil
		},
	}
	cmd.Flags().Int32Var(&revision, "revision", 0, "`number` of the revision (default the last)")
	cmd.Flags().BoolVar(&asYAML, "yaml", false, "the file itself")
	cmd.Flags().BoolVar(&own, "own", false, "also one that the org published (as with --server)")
	return cmd
}

// showPublished prints a procedure that the org can open orders by.
func (a *app) showPublished(ctx context.Context, id string, revision int32, asYAML bool) error {
	return a.withClients(ctx, func(ctx context.Context, c *clients) error {
		r, err := c.Procedures.GetProcedure(ctx, &historypb.GetProcedureRequest{Name: c.name("procedures", id), Revision: revision})
		switch {
		case err != nil:
			return err
		case asYAML && r.GetProcedure().GetShipped() && revision != 0:
			return usagef("--yaml goes without --revision: it is the file, with all its revisions")
		case asYAML:
			_, err := a.out.Write([]byte(r.GetSource()))
			return err
		case a.json():
			return a.printJSON(r.GetProcedure())
		}
		a.printProcedure(r.GetProcedure().GetProcedure())
		if p := r.GetProcedure(); !p.GetShipped() {
			a.printf("\n")
			a.paragraph(a.out, "", fmt.Sprintf("Published %s by %s.", showInstant(p.GetPublishTime(), nil), p.GetPublisher()))
		}
		return nil
	})
}

// printProcedure prints a procedure: what it is for, its steps one by one, its parts and tests. The cautions come first.
func (a *app) printProcedure(p *historypb.Procedure) {
	a.paragraph(a.out, "", fmt.Sprintf("%s  revision %d of %s", lastID(p.GetName()), p.GetRevision(), p.GetTitle()))
	a.rows("  ", procedureRows(p))
	a.printf("\nCautions\n")
	for _, c := range p.GetCautions() {
		a.paragraph(a.out, "  ", c)
	}
	a.printf("\nSteps\n")
	for i, s := range p.GetSteps() {
		mark := ""
		if s.GetCritical() {
			mark += "!"
		}
		if s.GetSecondPerson() {
			mark += "2"
		}
		a.paragraph(a.out, "  ", fmt.Sprintf("%2d %-2s %s", i+1, mark, s.GetId()))
		a.paragraph(a.out, "        ", s.GetDo())
		a.rows("        ", stepRows(s))
	}
	if len(p.GetParts()) > 0 {
		a.printf("\nParts\n")
		t := newTable("part", "~what it is", "~what becomes of it")
		for _, q := range p.GetParts() {
			t.row(q.GetId(), q.GetTitle(), policyWord(q.GetPolicy()))
		}
		t.write(a.out, "  ", a.columns)
	}
	if len(p.GetTests()) > 0 {
		a.printf("\nTests\n")
	}
	for _, t := range p.GetTests() {
		a.paragraph(a.out, "  ", fmt.Sprintf("%s  %s (%s)", t.GetSpec().GetId(), t.GetSpec().GetTitle(), t.GetActivity()))
		a.rows("    ", testRows(t.GetSpec()))
	}
}

// rows prints labels and texts in two columns.
func (a *app) rows(indent string, rows [][2]string) {
	t := newTable("", "~")
	t.bare = true
	for _, r := range rows {
		t.row(r[0], r[1])
	}
	if len(rows) > 0 {
		t.write(a.out, indent, a.columns)
	}
}
