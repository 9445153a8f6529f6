package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// words returns an Args function that wants as many arguments as the command's usage line names; those in brackets may be left
// out. What is missing is told by its name.
func words(cmd *cobra.Command, args []string) error {
	var needed, allowed []string
	for _, w := range strings.Fields(cmd.Use)[1:] {
		allowed = append(allowed, strings.Trim(w, "[]"))
		if !strings.HasPrefix(w, "[") {
			needed = append(needed, w)
		}
	}
	switch {
	case len(args) < len(needed):
		return &usageError{msg: fmt.Sprintf("%s needs %s", cmd.CommandPath(), strings.Join(needed[len(args):], " and "))}
	case len(args) > len(allowed) && len(allowed) == 0:
		return &usageError{msg: fmt.Sprintf("%s takes no arguments, so what is %q for?", cmd.CommandPath(), args[0])}
	case len(args) > len(allowed):
		return &usageError{msg: fmt.Sprintf("%s takes %s and no more, so what is %q for? An argument with spaces goes in quotes", cmd.CommandPath(), strings.Join(allowed, " and "), args[len(allowed)])}
	}
	return nil
}

// required marks flags that a command cannot do without.
func required(cmd *cobra.Command, names ...string) {
	for _, n := range names {
		if err := cmd.MarkFlagRequired(n); err != nil {
			panic(err)
		}
		f := cmd.Flags().Lookup(n)
		f.Usage += " (needed)"
	}
}

// missingFlags says which flags that a command cannot do without are not there.
func missingFlags(cmd *cobra.Command) error {
	var missing []string
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		if len(f.Annotations[cobra.BashCompOneRequiredFlag]) > 0 && !f.Changed {
			missing = append(missing, "--"+f.Name)
		}
	})
	slices.Sort(missing)
	switch len(missing) {
	case 0:
		return nil
	case 1:
		return &usageError{msg: fmt.Sprintf("%s needs %s", cmd.CommandPath(), missing[0])}
	}
	last := len(missing) - 1
	return &usageError{msg: fmt.Sprintf("%s needs %s and %s", cmd.CommandPath(), strings.Join(missing[:last], ", "), missing[last])}
}
