package main

import (
	"github.com/spf13/cobra"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func newProceduresListCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "the procedures that come with Strandline; no server, no database",
		Long: `None of them is any maker's. Where a maker's manual or local code says something else, that wins: 'strandline procedures show ID
--yaml' is the start of a procedure of one's own.`,
		Example: `  strandline procedures list
  strandline procedures list --output json`,
		Args: words,
		RunE: func(*cobra.Command, []string) error {
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
