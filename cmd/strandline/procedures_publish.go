package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/yamlproto"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/procedure"
)

func newProceduresPublishCmd(a *app) *cobra.Command {
	var id string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "publish FILE",
		Short: "publish an org's own procedures, or their next revisions, from a YAML or JSON file",
		Long: `FILE ('-' for standard input) is what 'strandline procedures check' checks: one or several procedures, or revisions of one, of which all are
published or none. From then on orders are opened by the last revision; those that are open keep the one that they were opened with.

A revision is published once and never changes. The same again is that revision; a change gets the next number. A procedure that comes
with Strandline keeps its name: copy it with 'strandline procedures show ID --yaml', and name the copy otherwise. Local code and the maker's
manual win over every procedure, shipped or one's own.`,
		Example: `  strandline procedures publish lagoon-suit.yaml --dry-run
  strandline procedures publish lagoon-suit.yaml
  strandline procedures publish - --id lagoon-suit < suit.yaml`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			label, raw, err := a.readFile(args[0], yamlproto.MaxFile)
			if err != nil {
				return err
			}
			if id == "" {
				id = strings.TrimSuffix(filepath.Base(label), filepath.Ext(label))
			}
			f := procedureFile{checkedFile: checkedFile{label: label}}
			f.docs, f.problems = procedure.ReadAs(id, raw)
			for _, p := range f.problems {
				a.talkf("%s", p.At(f.label))
			}
			if err := problemsFound("PROCEDURE_INVALID", f.checkedFile); err != nil {
				return err
			}
			req := &historypb.PublishProceduresRequest{Source: string(raw), ValidateOnly: dryRun}
			for _, d := range f.docs {
				if d.ID == id {
					req.ProcedureId = id // what a file is called need not be an id where its procedures have names
				}
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req.Parent = c.Org.Name()
				r, err := c.Procedures.PublishProcedures(ctx, req)
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, r.GetProcedures())
				}
				if dryRun {
					a.talkf("Dry run: everything is in order, nothing was written. Without --dry-run:")
				}
				for _, p := range r.GetProcedures() {
					memory := ""
					if n := len(rememberedIn(p.GetProcedure())); n > 0 {
						memory = fmt.Sprintf(" From memory: %s.", plural(int64(n), "figure"))
					}
					a.paragraph(a.out, "", fmt.Sprintf("%s: revision %d of %s with %s.%s", lastID(p.GetProcedure().GetName()), p.GetProcedure().GetRevision(), p.GetProcedure().GetTitle(),
						plural(int64(len(p.GetProcedure().GetSteps())), "step"), memory))
				}
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&id, "id", "", "`id` of a procedure that states no name (default what the file is called)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	return cmd
}
