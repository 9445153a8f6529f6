package main

import (
	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/yamlproto"
	"strandline.example/strandline/services/compliance/packs"
)

func newRulesCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "rules", Short: "rule packs: what has to be done to which gear how often, and who says so", Args: noSuchCommand, RunE: needsCommand}
	cmd.AddCommand(newRulesCheckCmd(a), newRulesTryCmd(a), newRulesPublishCmd(a), newRulesListCmd(a), newRulesShowCmd(a))
	return cmd
}

// packFile is a file of rule packs that was read.
type packFile struct {
	checkedFile
	docs []packs.Document
}

// readPacks reads a file of rule packs ('-' for standard input). A pack without a name has the id, or is called as the file is.
func (a *app) readPacks(path, id string) (packFile, error) {
	label, raw, err := a.readFile(path, yamlproto.MaxFile)
	if err != nil {
		return packFile{}, err
	}
	f := packFile{checkedFile: checkedFile{label: label}}
	if id == "" {
		f.docs, f.problems = packs.Read(label, raw)
	} else {
		f.docs, f.problems = packs.ReadAs(id, raw)
	}
	return f, nil
}
