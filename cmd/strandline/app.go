package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/services/compliance/packs"
	"strandline.example/strandline/services/history/procedure"
)

// app is one run of the command: its streams, its settings, and the server it talks to once it needs one.
type app struct {
	in  io.Reader
	out io.Writer // data
	err io.Writer // talk
	env map[string]string
	clk clock.Clock

	shipped    packs.Library     // the rule packs that come with Strandline
	procedures procedure.Library // the procedures that come with it

	set     settings
	columns int // width of standard output; 0 when it is not a terminal, so that lines stay whole

	alone bool // the command asks compliance alone, and has to go on when the other services are down
	began bool // a command's own code has begun: errors from now on are no longer mistakes of usage

	mu      sync.Mutex
	backend *backend
}

// run executes one command line and returns the exit code.
func run(ctx context.Context, args []string, in io.Reader, out, errw io.Writer, environ []string) int {
	return newApp(in, out, errw, environ).run(ctx, args)
}

func newApp(in io.Reader, out, errw io.Writer, environ []string) *app {
	a := &app{in: in, out: out, err: errw, env: map[string]string{}, clk: clock.System{}, shipped: packs.Shipped, procedures: procedure.Shipped}
	for _, kv := range environ {
		if k, v, ok := strings.Cut(kv, "="); ok {
			a.env[k] = v
		}
	}
	a.columns = columns(out, a.env)
	return a
}

func (a *app) run(ctx context.Context, args []string) int {
	root := newRootCmd(a)
	root.SetArgs(args)
	root.SetIn(a.in)
	root.SetOut(a.out)
	root.SetErr(a.err)
	cmd, err := root.ExecuteContextC(ctx)
	if cerr := a.close(); err == nil && cerr != nil {
		err = cerr
	}
	return a.report(cmd, err)
}

// close stops what the run started in its own process.
func (a *app) close() error {
	a.mu.Lock()
	b := a.backend
	a.backend = nil
	a.mu.Unlock()
	if b == nil {
		return nil
	}
	return b.close()
}

// report prints an error the way a person can act on and returns the exit code.
func (a *app) report(cmd *cobra.Command, err error) int {
	if err == nil {
		return exitOK
	}
	var code exitError
	if errors.As(err, &code) && code.err == nil {
		return code.code
	}
	var u *usageError
	if !a.began || errors.As(err, &u) {
		fmt.Fprintf(a.err, "strandline: %s\n", strings.TrimPrefix(strings.TrimSpace(err.Error()), "strandline "))
		path := "strandline"
		if cmd != nil {
			path = cmd.CommandPath()
		}
		if !errors.As(err, &u) || !u.quiet {
			fmt.Fprintf(a.err, "See '%s --help'.\n", path)
		}
		return exitUsage
	}
	return printError(a.err, err, cmd != nil && cmd.Annotations[writes] != "")
}

// talkf writes a line to standard error.
func (a *app) talkf(format string, args ...any) {
	fmt.Fprintf(a.err, format+"\n", args...)
}

// usagef returns a mistake in how the command was called: exit code 2.
func usagef(format string, args ...any) error {
	return &usageError{msg: fmt.Sprintf(format, args...)}
}

type usageError struct {
	msg   string
	quiet bool // the message says what to do; do not point to --help
}

func (u *usageError) Error() string { return u.msg }
