package main

import (
	"bufio"
	"fmt"
	"strings"

	"strandline.example/strandline/internal/errs"
)

// confirm asks a question on the terminal. Without one, or with --no-input, it fails and says how to answer beforehand.
func (a *app) confirm(question string) error {
	if a.set.NoInput || !isTerminal(a.in) {
		return usagef("this asks for confirmation and nobody can answer: pass --yes")
	}
	fmt.Fprintf(a.err, "%s [y/N] ", question)
	line, _ := bufio.NewReader(a.in).ReadString('\n')
	switch strings.ToLower(strings.TrimSpace(line)) {
	case "y", "yes":
		return nil
	}
	return exitError{code: exitFailure, err: errs.New(errs.Canceled, "CANCELLED", "not confirmed; nothing was written")}
}
