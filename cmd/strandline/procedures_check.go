package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func newProceduresCheckCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE...",
		Short: "check files of procedures: all that is wrong, with line and column; no server, no database",
		Long: `FILE ('-' for standard input) holds one or several Procedures of proto/strandline/history/v1/procedure.proto, as YAML documents
or JSON. The id of a procedure is that of its 'name: procedures/ID'; without a name it is what the file is called. A quantity is
written as 135 psi gauge, 7 turns or 1 mm.

Every problem is a line FILE:LINE:COLUMN: FIELD: what is wrong and what to do, and the exit code is 3. Without problems there is a
line for each procedure, with what it has from memory.`,
		Example: `  strandline procedures check valve.yaml
  strandline procedures check bench/*.yaml
  strandline procedures check - < valve.yaml`,
		Args: atLeastOne,
		RunE: func(_ *cobra.Command, args []string) error {
			files, checked := make([]procedureFile, len(args)), make([]checkedFile, len(args))
			for i, path := range args {
				var err error
				if files[i], err = a.readProcedures(path); err != nil {
					return err
				}
				checked[i] = files[i].checkedFile
			}
			found := problemsFound("PROCEDURE_INVALID", checked...)
			if a.json() {
				if err := a.printCheckedProcedures(files, checked); err != nil {
					return err
				}
				return found
			}
			if a.printProblems(checked); found != nil {
				return found
			}
			t := newTable("id", ">revision", ">steps", ">critical", ">tests", "~title", "~from memory")
			for _, f := range files {
				for _, d := range f.docs {
					t.row(append(procedureCells(d.ID, d.Message), strings.Join(rememberedIn(d.Message), ", "))...)
				}
			}
			a.table(t, "")
			return nil
		},
	}
}

// procedureCells are the cells of a procedure in a table: id, revision, steps, critical ones, tests and title.
func procedureCells(id string, p *historypb.Procedure) []string {
	critical := 0
	for _, s := range p.GetSteps() {
		if s.GetCritical() {
			critical++
		}
	}
	return []string{id, fmt.Sprint(p.GetRevision()), fmt.Sprint(len(p.GetSteps())), fmt.Sprint(critical), fmt.Sprint(len(p.GetTests())), p.GetTitle()}
}

// rememberedIn returns what was not compared with its document: activities of stations, criteria as test/criterion, bounds as step/bound, and steps.
func rememberedIn(p *historypb.Procedure) (out []string) {
	for _, s := range p.GetStationActivities() {
		if s.GetSource().GetFromMemory() {
			out = append(out, strings.TrimSuffix(s.GetActivity()+" in "+strings.Join(s.GetJurisdictions(), " and "), " in "))
		}
	}
	for _, t := range p.GetTests() {
		for _, c := range t.GetSpec().GetCriteria() {
			if c.GetSource().GetFromMemory() {
				out = append(out, t.GetSpec().GetId()+"/"+c.GetId())
			}
		}
	}
	for _, s := range p.GetSteps() {
		for _, b := range s.GetBounds() {
			if b.GetSource().GetFromMemory() {
				out = append(out, s.GetId()+"/"+b.GetId())
			}
		}
		if slices.ContainsFunc(s.GetSources(), func(c *historypb.Citation) bool { return c.GetFromMemory() }) {
			out = append(out, s.GetId())
		}
	}
	return out
}

// printCheckedProcedures prints the procedures and problems of files for programs.
func (a *app) printCheckedProcedures(files []procedureFile, checked []checkedFile) error {
	type item struct {
		File       string   `json:"file"`
		ID         string   `json:"id"`
		Revision   int32    `json:"revision"`
		Title      string   `json:"title"`
		Steps      int      `json:"steps"`
		FromMemory []string `json:"fromMemory"`
	}
	out := struct {
		Items    []item        `json:"items"`
		Problems []toldProblem `json:"problems"`
	}{[]item{}, toldProblems(checked)}
	for _, f := range files {
		for _, d := range f.docs {
			out.Items = append(out.Items, item{f.label, d.ID, d.Message.GetRevision(), d.Message.GetTitle(), len(d.Message.GetSteps()), append([]string{}, rememberedIn(d.Message)...)})
		}
	}
	return a.printValue(out)
}
