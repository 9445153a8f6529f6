package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"buf.build/go/protoyaml"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
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
	label    string
	docs     []packs.Document
	problems []yamlproto.Problem
}

// readPacks reads a file of rule packs ('-' for standard input). A pack without a name has the id, or is called as the file is.
func (a *app) readPacks(path, id string) (packFile, error) {
	label, raw, err := a.readFile(path, yamlproto.MaxFile)
	if err != nil {
		return packFile{}, err
	}
	f := packFile{label: label}
	if id == "" {
		f.docs, f.problems = packs.Read(label, raw)
	} else {
		f.docs, f.problems = packs.ReadAs(id, raw)
	}
	return f, nil
}

// problemsFound is the error that ends a command whose files have problems.
func problemsFound(files ...packFile) error {
	problems, bad := 0, 0
	for _, f := range files {
		if problems += len(f.problems); len(f.problems) > 0 {
			bad++
		}
	}
	if problems == 0 {
		return nil
	}
	where := plural(int64(bad), "file")
	if len(files) == 1 {
		where = files[0].label
	}
	return errs.New(errs.Invalid, "RULE_PACK_INVALID", fmt.Sprintf("%s in %s", plural(int64(problems), "problem"), where))
}

// readFile reads a file ('-' for standard input) up to one byte more than a bound, and says what to call it.
func (a *app) readFile(path string, most int64) (label string, raw []byte, err error) {
	in, label := a.in, "standard input"
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return "", nil, usagef("%v", err)
		}
		defer func() { _ = f.Close() }() // only read
		in, label = f, path
	}
	raw, err = io.ReadAll(io.LimitReader(in, most+1))
	if err != nil {
		return label, nil, usagef("%s: %v", label, err)
	}
	return label, raw, nil
}

// readMessage reads a file ('-' for standard input) of YAML or JSON into a message. What does not fit is told with line and
// column.
func (a *app) readMessage(path string, m proto.Message) error {
	const most = 64 << 20
	name, raw, err := a.readFile(path, most)
	if err != nil {
		return err
	}
	if len(raw) > most {
		return errs.New(errs.Invalid, "INVALID_FIELD", name+" is larger than 64 MiB")
	}
	if err := (protoyaml.UnmarshalOptions{Path: name}).Unmarshal(raw, m); err != nil {
		msg := err.Error()
		if !strings.HasPrefix(msg, name) {
			msg = name + ": " + msg
		}
		return errs.New(errs.Invalid, "INVALID_FIELD", msg)
	}
	return nil
}
