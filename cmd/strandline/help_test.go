package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

func TestHelp(t *testing.T) {
	for _, give := range []string{"", "due", "available", "allocations", "allocations allocate", "allocations list", "allocations show", "allocations confirm", "allocations extend", "allocations swap", "allocations release", "handout", "return", "paper", "chain", "transfer-times", "transfer-times set", "watch", "notices", "digest", "explain", "forecast", "judge", "serve", "log", "log amend", "waivers", "waivers grant", "recalls", "recalls preview", "recalls open", "recalls release", "lots", "lots create", "lots trace", "orders", "orders open", "orders record", "orders sign", "orders close", "orders show", "orders list", "instruments uses", "certificate", "procedures", "procedures check", "procedures publish", "procedures list", "procedures show", "rules", "rules check", "rules try", "rules publish", "rules list", "rules show", "unit", "unit show", "holds", "waivers list", "help exit-codes", "help settings", "help roles", "help time", "help output"} {
		name := strings.ReplaceAll(give, " ", "-")
		if name == "" {
			name = "root"
		}
		t.Run(name, func(t *testing.T) {
			args := strings.Fields(give)
			if !strings.HasPrefix(give, "help ") {
				args = append(args, "--help")
			}
			got := command(t, nil, args...)
			if got.code != exitOK || got.err != "" {
				t.Errorf("exit code %d, standard error %q; want 0 and nothing", got.code, got.err)
			}
			golden(t, "help/"+name+".txt", got.stdout)
		})
	}
}

// TestTwoTimes: every question about the fleet and its rules takes both times, by the same names.
func TestTwoTimes(t *testing.T) {
	root := newRootCmd(&app{})
	for _, path := range []string{"due", "explain", "forecast", "holds", "notices", "summary", "unit show", "rules list", "rules show", "rules try", "waivers list"} {
		cmd, rest, err := root.Find(strings.Fields(path))
		if err != nil || len(rest) > 0 {
			t.Fatalf("%s: %v %v", path, rest, err)
		}
		for _, name := range []string{"as-of", "as-known"} {
			if f := cmd.Flags().Lookup(name); f == nil || !strings.Contains(f.Usage, "`instant`") && !strings.Contains(f.Usage, "`day`") {
				t.Errorf("%s has no --%s that says what it is", path, name)
			}
		}
		if cmd.Flags().Lookup("known") != nil {
			t.Errorf("%s has a --known beside --as-known", path)
		}
	}
}

// TestHelpIsComplete walks the whole tree: every command says what it is for, its examples use commands and flags that exist, and its
// help fits a terminal.
func TestHelpIsComplete(t *testing.T) {
	root := newRootCmd(&app{})
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		t.Run(c.CommandPath(), func(t *testing.T) {
			if c.Short == "" || strings.HasSuffix(c.Short, ".") {
				t.Errorf("the short help is %q; want a line without a full stop", c.Short)
			}
			if c.GroupID == "" && c.HasParent() && c.Parent() == root && c.IsAvailableCommand() {
				t.Errorf("it stands in no group of the root's help")
			}
			c.Flags().VisitAll(func(f *pflag.Flag) {
				if f.Usage == "" {
					t.Errorf("--%s has no help", f.Name)
				}
			})
			for line := range strings.Lines(c.Example) {
				checkExample(t, root, line)
			}
			var page bytes.Buffer
			(&app{}).help(&page, c)
			for line := range strings.Lines(page.String()) {
				if utf8.RuneCountInString(line) > 125 && !strings.HasPrefix(line, "  strandline ") {
					t.Errorf("a line of the help is %d columns wide: %s", len(line), line)
				}
			}
		})
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(root)
}

// checkExample checks that an example line calls a command that exists with flags that it has.
func checkExample(t *testing.T, root *cobra.Command, line string) {
	t.Helper()
	_, call, ok := strings.Cut(" "+line, " strandline ")
	if !ok {
		return
	}
	for _, stop := range []string{" | ", " || ", " > ", " < ", ")"} {
		call, _, _ = strings.Cut(call, stop)
	}
	words := strings.Fields(call)
	cmd, _, err := root.Find(words)
	if err != nil || cmd == root && !strings.HasPrefix(words[0], "-") {
		t.Errorf("example %q calls a command that does not exist", strings.TrimSpace(line))
		return
	}
	for _, w := range words {
		name, ok := strings.CutPrefix(w, "--")
		name, _, _ = strings.Cut(name, "=")
		if ok && cmd.Flags().Lookup(name) == nil && cmd.InheritedFlags().Lookup(name) == nil && root.PersistentFlags().Lookup(name) == nil {
			t.Errorf("example %q: %s has no flag --%s", strings.TrimSpace(line), cmd.CommandPath(), name)
		}
	}
}

func TestCompletion(t *testing.T) {
	for shell, want := range map[string]string{"bash": "__start_strandline", "zsh": "#compdef strandline", "fish": "complete -c strandline", "powershell": "Register-ArgumentCompleter"} {
		got := command(t, nil, "completion", shell)
		if got.code != exitOK || !strings.Contains(got.stdout, want) {
			t.Errorf("completion %s: exit code %d, and %q is not in it", shell, got.code, want)
		}
	}
	if got := command(t, nil, "completion", "tcsh"); got.code != exitUsage {
		t.Errorf("completion tcsh: exit code %d, want %d", got.code, exitUsage)
	}
}
