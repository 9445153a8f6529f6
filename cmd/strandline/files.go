package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"buf.build/go/protoyaml"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/yamlproto"
)

// checkedFile is a file that people wrote, and what is wrong with it.
type checkedFile struct {
	label    string
	problems []yamlproto.Problem
}

// problemsFound is the error that ends a command whose files have problems; nil if none has.
func problemsFound(reason string, files ...checkedFile) error {
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
	return errs.New(errs.Invalid, reason, fmt.Sprintf("%s in %s", plural(int64(problems), "problem"), where))
}

// printProblems prints the problems of files, each on a line.
func (a *app) printProblems(files []checkedFile) {
	for _, f := range files {
		for _, p := range f.problems {
			a.printf("%s\n", p.At(f.label))
		}
	}
}

// toldProblem is a problem as programs read it.
type toldProblem struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Column int    `json:"column"`
	Field  string `json:"field"`
	Value  string `json:"value"`
	Text   string `json:"text"`
}

// toldProblems are the problems of files for programs; never nil.
func toldProblems(files []checkedFile) []toldProblem {
	out := []toldProblem{}
	for _, f := range files {
		for _, p := range f.problems {
			out = append(out, toldProblem{f.label, p.Line, p.Column, p.Field, p.Value, p.Text})
		}
	}
	return out
}

// called returns what a file is called where its documents state no name: standard input is called something too.
func called(path string) string {
	if path == "-" {
		return "standard-input"
	}
	return ""
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
