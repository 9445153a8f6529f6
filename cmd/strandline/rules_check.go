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
			files := make([]packFile, len(args))
			for i, path := range args {
				id := ""
				if path == "-" {
					id = "standard-input" // it is called something, and need not state a name
				}
				var err error
				if files[i], err = a.readPacks(path, id); err != nil {
					return err
				}
			}
			if a.json() {
				if err := a.printChecked(files); err != nil {
					return err
				}
				return problemsFound(files...)
			}
			t := newTable("id", "in force from", ">rules", "~title", "~from memory")
			for _, f := range files {
				for _, p := range f.problems {
					a.printf("%s\n", p.At(f.label))
				}
				for _, d := range f.docs {
					t.row(d.ID, showDate(d.Message.GetEffectiveDate()), fmt.Sprint(len(d.Message.GetRules())), d.Message.GetTitle(), strings.Join(fromMemory(d.Message), ", "))
				}
			}
			if err := problemsFound(files...); err != nil {
				return err
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
func (a *app) printChecked(files []packFile) error {
	type pack struct {
		File          string   `json:"file"`
		ID            string   `json:"id"`
		Title         string   `json:"title"`
		EffectiveDate string   `json:"effectiveDate"`
		Rules         int      `json:"rules"`
		FromMemory    []string `json:"fromMemory"`
	}
	type problem struct {
		File   string `json:"file"`
		Line   int    `json:"line"`
		Column int    `json:"column"`
		Field  string `json:"field"`
		Value  string `json:"value"`
		Text   string `json:"text"`
	}
	out := struct {
		Items    []pack    `json:"items"`
		Problems []problem `json:"problems"`
	}{[]pack{}, []problem{}}
	for _, f := range files {
		for _, d := range f.docs {
			out.Items = append(out.Items, pack{f.label, d.ID, d.Message.GetTitle(), showDate(d.Message.GetEffectiveDate()), len(d.Message.GetRules()), append([]string{}, fromMemory(d.Message)...)})
		}
		for _, p := range f.problems {
			out.Problems = append(out.Problems, problem{f.label, p.Line, p.Column, p.Field, p.Value, p.Text})
		}
	}
	return a.printValue(out)
}
