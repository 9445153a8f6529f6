package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newRulesCheckCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE...",
		Short: "check files of rule packs: everything that is wrong, with line and column; no server, no database",
		Long: `FILE ('-' for standard input) holds one or several RulePacks of proto/strandline/compliance/v1/rule.proto, as YAML documents
or JSON. The id of a pack is that of its 'name: rulePacks/ID'; without a name it is what the file is called.

Every problem is a line FILE:LINE:COLUMN: FIELD: what is wrong and what to do, and the exit code is 3. Without problems there is a
line for each pack, with the rules whose figures are from memory.`,
		Example: `  strandline rules check house.yaml
  strandline rules check packs/*.yaml
  strandline rules check - < house.yaml`,
		Args: atLeastOne,
		RunE: func(cmd *cobra.Command, args []string) error {
			files, checked := make([]packFile, len(args)), make([]checkedFile, len(args))
			for i, path := range args {
				var err error
				if files[i], err = a.readPacks(path, called(path)); err != nil {
					return err
				}
				checked[i] = files[i].checkedFile
			}
			found := problemsFound("RULE_PACK_INVALID", checked...)
			if a.json() {
				if err := a.printChecked(files, checked); err != nil {
					return err
				}
				return found
			}
			if a.printProblems(checked); found != nil {
				return found
			}
			t := newTable("id", "in force from", ">rules", "~title", "~from memory")
			for _, f := range files {
				for _, d := range f.docs {
					t.row(d.ID, showDate(d.Message.GetEffectiveDate()), fmt.Sprint(len(d.Message.GetRules())), d.Message.GetTitle(), strings.Join(fromMemory(d.Message), ", "))
				}
			}
			a.table(t, "")
			return nil
		},
	}
}

// atLeastOne is the Args function of a command that takes files.
func atLeastOne(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return &usageError{msg: cmd.CommandPath() + " needs at least one FILE"}
	}
	return nil
}

// fromMemory returns the ids of the rules whose figures were not compared with their documents.
func fromMemory(p *compliancepb.RulePack) (out []string) {
	for _, r := range p.GetRules() {
		if r.GetSource().GetFromMemory() {
			out = append(out, r.GetId())
		}
	}
	return out
}

// printChecked prints the packs and problems of files for programs.
func (a *app) printChecked(files []packFile, checked []checkedFile) error {
	type pack struct {
		File          string   `json:"file"`
		ID            string   `json:"id"`
		Title         string   `json:"title"`
		EffectiveDate string   `json:"effectiveDate"`
		Rules         int      `json:"rules"`
		FromMemory    []string `json:"fromMemory"`
	}
	out := struct {
		Items    []pack        `json:"items"`
		Problems []toldProblem `json:"problems"`
	}{[]pack{}, toldProblems(checked)}
	for _, f := range files {
		for _, d := range f.docs {
			out.Items = append(out.Items, pack{f.label, d.ID, d.Message.GetTitle(), showDate(d.Message.GetEffectiveDate()), len(d.Message.GetRules()), append([]string{}, fromMemory(d.Message)...)})
		}
	}
	return a.printValue(out)
}
