package main

import (
	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/yamlproto"
	"strandline.example/strandline/services/history/procedure"
)

func newProceduresCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "procedures", Short: "procedures: how gear is worked on, step by step, and what ends the work", Args: noSuchCommand, RunE: needsCommand}
	cmd.AddCommand(newProceduresCheckCmd(a), newProceduresPublishCmd(a), newProceduresListCmd(a), newProceduresShowCmd(a))
	return cmd
}

// procedureFile is a file of procedures that was read.
type procedureFile struct {
	checkedFile
	docs []procedure.Document
}

// readProcedures reads a file of procedures ('-' for standard input). One without a name is called as the file is.
func (a *app) readProcedures(path string) (procedureFile, error) {
	label, raw, err := a.readFile(path, yamlproto.MaxFile)
	if err != nil {
		return procedureFile{}, err
	}
	f := procedureFile{checkedFile: checkedFile{label: label}}
	if id := called(path); id != "" {
		f.docs, f.problems = procedure.ReadAs(id, raw)
	} else {
		f.docs, f.problems = procedure.Read(label, raw)
	}
	return f, nil
}
