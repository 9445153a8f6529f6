package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"strandline.example/strandline/internal/auth"
	authpb "strandline.example/strandline/proto/strandline/auth/v1"
)

// installHelp gives the tree our own help: what it is for, examples, how to call it, flags with their defaults; and pages
// on what concerns every command.
func installHelp(a *app, root *cobra.Command) {
	root.SetHelpFunc(func(cmd *cobra.Command, _ []string) { a.help(cmd.OutOrStdout(), cmd) })
	root.SetUsageFunc(func(cmd *cobra.Command) error { a.help(cmd.ErrOrStderr(), cmd); return nil })
	for _, t := range topics {
		text := t.text
		if t.build != nil {
			text = t.build()
		}
		root.AddCommand(&cobra.Command{Use: t.name, Short: t.short, Long: text})
	}
}

// help prints a command's help.
func (a *app) help(w io.Writer, cmd *cobra.Command) {
	width := a.columns
	if width <= 0 || width > 110 {
		width = 110
	}
	if cmd.IsAdditionalHelpTopicCommand() && !cmd.HasSubCommands() && cmd.Run == nil && cmd.RunE == nil && cmd.HasParent() {
		fmt.Fprintln(w, strings.TrimRight(cmd.Long, "\n"))
		return
	}
	fmt.Fprintf(w, "%s - %s\n", cmd.CommandPath(), cmd.Short)
	if cmd.Example != "" {
		fmt.Fprintf(w, "\nExamples\n%s\n", strings.TrimRight(cmd.Example, "\n"))
	}
	fmt.Fprintln(w, "\nUsage")
	if cmd.Runnable() && (!cmd.HasAvailableSubCommands() || cmd.Name() == "serve") {
		fmt.Fprintf(w, "  %s\n", strings.TrimSuffix(cmd.UseLine(), " [flags]")+flagHint(cmd))
	}
	if cmd.HasAvailableSubCommands() {
		fmt.Fprintf(w, "  %s COMMAND\n", cmd.CommandPath())
	}
	if cmd.Long != "" {
		fmt.Fprintln(w)
		for _, p := range strings.Split(strings.TrimSpace(cmd.Long), "\n\n") {
			if strings.HasPrefix(p, " ") || strings.Contains(p, "\n  ") {
				fmt.Fprintln(w, p) // laid out by hand
			} else {
				for _, l := range fold(strings.Join(strings.Fields(p), " "), width) {
					fmt.Fprintln(w, l)
				}
			}
			fmt.Fprintln(w)
		}
	} else {
		fmt.Fprintln(w)
	}
	helpCommands(w, cmd, width)
	if flags := flagTable(cmd.LocalNonPersistentFlags()); len(flags.rows) > 0 {
		fmt.Fprintln(w, "Flags")
		flags.write(w, "  ", width)
		fmt.Fprintln(w)
	}
	if !cmd.HasParent() {
		fmt.Fprintln(w, "Settings of every command")
		flagTable(cmd.PersistentFlags()).write(w, "  ", width)
		fmt.Fprintln(w, "\nMore: 'strandline help TOPIC' with one of")
		t := newTable("", "~")
		for _, topic := range topics {
			t.row(topic.name, topic.short)
		}
		for _, r := range t.rows {
			fmt.Fprintf(w, "  %-12s  %s\n", r[0], r[1])
		}
		return
	}
	fmt.Fprintln(w, "Settings such as --org, --server, --data and --output go with every command: 'strandline help settings'.")
}

func helpCommands(w io.Writer, cmd *cobra.Command, width int) {
	if !cmd.HasAvailableSubCommands() {
		return
	}
	groups := cmd.Groups()
	if len(groups) == 0 {
		groups = []*cobra.Group{{ID: "", Title: "Commands"}}
	}
	wide := 0
	for _, c := range cmd.Commands() {
		if c.IsAvailableCommand() {
			wide = max(wide, len(c.Name()))
		}
	}
	for _, g := range groups {
		fmt.Fprintln(w, g.Title)
		for _, c := range cmd.Commands() {
			if c.IsAvailableCommand() && c.GroupID == g.ID && c.Name() != "help" {
				for i, l := range fold(c.Short, width-wide-4) {
					name := c.Name()
					if i > 0 {
						name = ""
					}
					fmt.Fprintf(w, "  %-*s  %s\n", wide, name, l)
				}
			}
		}
		fmt.Fprintln(w)
	}
}

func flagHint(cmd *cobra.Command) string {
	if cmd.LocalNonPersistentFlags().HasAvailableFlags() && cmd.HasParent() {
		return " [flags]"
	}
	return ""
}

// flagTable returns flags with what they take, mean and default to.
func flagTable(fs *pflag.FlagSet) *table {
	t := newTable("", "~")
	fs.VisitAll(func(f *pflag.Flag) {
		if f.Hidden || f.Name == "help" {
			return
		}
		kind, usage := pflag.UnquoteUsage(f)
		if kind == "" && f.Value.Type() != "bool" {
			kind = "value"
		}
		left := "--" + f.Name
		if f.Shorthand != "" {
			left = "-" + f.Shorthand + ", " + left
		}
		if f.Value.Type() != "bool" {
			left += " " + strings.ToUpper(kind)
		}
		if f.DefValue != "" && f.DefValue != "false" && f.DefValue != "0" && f.DefValue != "[]" && f.DefValue != "0s" && !strings.Contains(usage, "default ") {
			usage += " (default " + f.DefValue + ")"
		}
		t.row(left, usage)
	})
	t.bare = true
	return t
}

type topic struct {
	name, short, text string
	build             func() string
}

var topics = []topic{
	{name: "exit-codes", short: "what the exit code of a command says", text: `The exit code of a command

   0  done
   1  failed: an error that none of the others describes
   2  called wrongly: an unknown flag, a missing argument, a setting that does not read
   3  rejected: the input has a fault, or the state of things forbids it; nothing was written
   4  not found: no such org, shop, unit, hold or entry
   5  denied: no token, a token that does not hold, or a role that may not do this
   6  unavailable: no answer in time, nothing listens, somebody else got in between; try again
  10  something is overdue (only 'due --exit-code', which then prints its list all the same)
  11  a test fails (only 'judge', which prints the judgement all the same)
  12  a test is inconclusive, which holds a unit as a fail does (likewise)
  13  an order cannot be signed (only 'orders sign', which lists what keeps it from that); nothing was written
  14  something cannot be promised or handed out (only 'allocations' and 'handout', which list what stands against it);
      nothing was written

What was printed to standard output before a failure is not complete: go by the exit code.`},
	{name: "settings", short: "flags, environment variables and the configuration file", build: settingsTopic},
	{name: "output", short: "tables for people, JSON for programs", text: `What a command prints

Data goes to standard output, everything else (progress, hints, errors, logs) to standard error. There are no colours.

--output table, the default, is for people: it may change with any release. Columns in which no row says anything are
left out. On a terminal, lines are folded to its width (or to COLUMNS); elsewhere they stay whole.

--output json is for programs: one JSON document per command, in the JSON form of the messages in proto/strandline
(names in lowerCamelCase, 64-bit numbers as strings, instants as RFC 3339 in UTC). A list is an object whose member
"items" is the array, with every page in it; some have further members beside it. Fields are added, never renamed.`},
	{name: "time", short: "how to write days and instants", text: `Days and instants

An instant is written as RFC 3339 (2026-06-05T09:30:00+02:00, 2026-06-05T07:30:00Z), or as a day with or without a
time (2026-06-05, "2026-06-05 09:30") in the time zone of the shop that the command is about: the shop of --shop, or
the one where the unit is. A day alone means its first moment; as the end of a window, its last second.

A command about several shops in different zones takes a day alone as noon UTC of it, which is that day in nearly
every zone, and asks for RFC 3339 where the time of day matters.

A question has two times. --as-of is the instant it is about: what had happened by then, by all that is known now.
--as-known leaves out what was recorded later: what could be known then, with the rules published by then. Both
together give the answer that would have been given at the time, whatever was logged late or corrected since.

A date or month marked on a unit is written 2026-06-05 or 2026-06.

A running time is written 1h30m, 45m or 250h.`},
	{name: "roles", short: "who may do what", build: rolesTopic},
}

// rolesTopic prints the table that the services go by.
func rolesTopic() string {
	var b strings.Builder
	b.WriteString(`Roles

A token carries one role. 'strandline token' makes tokens; the commands make their own with the local key file, for
--role (default chain-manager). Every call in proto/strandline declares the permission it needs.

`)
	about := map[string]string{
		auth.RoleTechnician:   "works on units",
		auth.RoleShopManager:  "runs the fleet of a shop",
		auth.RoleChainManager: "runs the chain",
		auth.RoleClientApp:    "a booking site, a counter till",
		auth.RoleAuditor:      "reads everything, changes nothing",
		auth.RoleOperator:     "creates and lists orgs; sees into none",
		auth.RoleService:      "the services themselves",
	}
	for _, role := range auth.Roles() {
		fmt.Fprintf(&b, "  %s: %s\n", role, about[role])
		var may []string
		for n := range int32(len(authpb.Permission_name)) {
			if p := authpb.Permission(n); auth.Allows(role, p) && p != authpb.Permission_PERMISSION_AUTHENTICATED {
				may = append(may, strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(p.String(), "PERMISSION_")), "_", " "))
			}
		}
		for _, l := range fold(strings.Join(may, ", "), 100) {
			b.WriteString("    " + l + "\n")
		}
	}
	return b.String()
}

func settingsTopic() string {
	var b strings.Builder
	b.WriteString(`Settings

Each is a flag, an environment variable and, but for config itself, a key of the configuration file. A flag goes
before the environment, the environment before the file. The file is YAML, one key and value a line; an unknown key is
refused.

  # strandline.yaml, used with --config strandline.yaml or STRANDLINE_CONFIG=strandline.yaml
  org: reefline
  data: /var/lib/strandline

`)
	for _, part := range []struct {
		title string
		scope settingScope
	}{{"Of every command", everyCommand}, {"Of serve", serveOnly}} {
		t := newTable("flag", "environment", "key in the file", "~")
		for _, s := range settingTable {
			if s.scope != part.scope {
				continue
			}
			key := s.key()
			if s.noFile {
				key = "-"
			}
			t.row("--"+s.name, s.env(), key, "")
		}
		b.WriteString(part.title + "\n")
		t.write(&b, "  ", 0)
		b.WriteString("\n")
	}
	b.WriteString("'strandline --help' and 'strandline serve --help' say what each means and its default.")
	return b.String()
}
