package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// writes marks commands that change something, so that a refusal can say that nothing was written.
const writes = "writes"

const (
	groupLook   = "look"
	groupRecord = "record"
	groupSetUp  = "set-up"
	groupRun    = "run"
)

// newRootCmd returns the whole command tree.
func newRootCmd(a *app) *cobra.Command {
	root := &cobra.Command{
		Use:   "strandline",
		Short: "keeps rental dive gear safe to hand out",
		Long: `Strandline knows every rental unit of a chain of dive shops, everything that was ever done to it, what is due by date and
by dive count, which units are pulled from service and why, and which may be promised for a window.

Its answers are no better than what is recorded, and they do not replace judgement: local law, the maker's manual and a
qualified technician come first. Where Strandline cannot be sure, it says no.`,
		Example: `  strandline demo                              an invented chain of three shops to look around in
  strandline due --horizon 30                  what is overdue or due within 30 days
  strandline unit show GB-REG-014              what one unit may be used for, why not, what is due
  strandline log service GB-REG-014 --activity overhaul --outcome pass
  strandline available --kind bcd --size M --from 2026-06-05 --to 2026-06-07 --dives 4
  strandline serve                             everything as one server`,
		SilenceErrors:     true,
		SilenceUsage:      true,
		DisableAutoGenTag: true,
		CompletionOptions: cobra.CompletionOptions{DisableDefaultCmd: true},
		Args:              noSuchCommand,
		RunE:              func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		PersistentPreRunE: func(cmd *cobra.Command, _ []string) error {
			if err := missingFlags(cmd); err != nil {
				return err
			}
			if err := a.loadSettings(cmd); err != nil {
				return err
			}
			a.began = true
			// serve has its own way with signals; every other command ends in order at the first, and at once at the second.
			if !strings.HasPrefix(cmd.CommandPath(), "strandline serve") {
				ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
				context.AfterFunc(ctx, stop)
				cmd.SetContext(ctx)
			}
			return nil
		},
	}
	root.AddGroup(
		&cobra.Group{ID: groupLook, Title: "See where the fleet stands"},
		&cobra.Group{ID: groupRecord, Title: "Record what happened"},
		&cobra.Group{ID: groupSetUp, Title: "Set up shops, gear and rules"},
		&cobra.Group{ID: groupRun, Title: "Run and look after a server"},
	)
	addSettings(root.PersistentFlags(), &a.set, everyCommand)
	root.SetFlagErrorFunc(flagError)
	installHelp(a, root)

	add := func(group string, cmds ...*cobra.Command) {
		for _, c := range cmds {
			c.GroupID = group
			root.AddCommand(c)
		}
	}
	add(groupLook, newDemoCmd(a), newUnitCmd(a), newHistoryCmd(a), newDueCmd(a), newHoldsCmd(a), newNoticesCmd(a), newDigestCmd(a), newExplainCmd(a), newForecastCmd(a), newAvailableCmd(a), newChainCmd(a), newWatchCmd(a), newPaperCmd(a), newSummaryCmd(a), newEvaluateCmd(a), newJudgeCmd(a), newInstrumentsCmd(a), newCertificateCmd(a), newVerifyCmd(a))
	add(groupRecord, newAllocationsCmd(a), newHandoutCmd(a), newReturnCmd(a), newLogCmd(a), newHoldCmd(a), newLiftCmd(a), newWaiversCmd(a), newRecallsCmd(a), newOrdersCmd(a), newLotsCmd(a), newFitCmd(a), newUnfitCmd(a), newTransferCmd(a), newRetireCmd(a))
	add(groupSetUp, newImportCmd(a), newOrgCmd(a), newShopCmd(a), newTransferTimesCmd(a), newModelCmd(a), newTechnicianCmd(a), newRulesCmd(a), newProceduresCmd(a))
	add(groupRun, newServeCmd(a), newMigrateCmd(a), newHealthCmd(a), newTokenCmd(a), newKeyCmd(a), newRebuildCmd(a), newVersionCmd(a), newCompletionCmd(a))
	return root
}

// withTimeout bounds a command that asks for one answer.
func (a *app) withTimeout(ctx context.Context) (context.Context, context.CancelFunc) {
	if a.set.Timeout <= 0 {
		return context.WithCancel(ctx)
	}
	return context.WithTimeout(ctx, a.set.Timeout)
}

// noSuchCommand refuses arguments of a command that only groups others, with the nearest one there is.
func noSuchCommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	known := map[string]bool{}
	for _, c := range cmd.Commands() {
		known[c.Name()] = true
	}
	msg := fmt.Sprintf("%s has no command %q", cmd.CommandPath(), args[0])
	if n := nearest(args[0], known); n != "" {
		msg += fmt.Sprintf("; did you mean %q?", n)
	}
	return &usageError{msg: msg}
}

// flagError adds the nearest flag to what is said about an unknown one.
func flagError(cmd *cobra.Command, err error) error {
	msg := err.Error()
	var missing *pflag.NotExistError
	if errors.As(err, &missing) && len(missing.GetSpecifiedName()) > 1 {
		known := map[string]bool{}
		cmd.Flags().VisitAll(func(f *pflag.Flag) { known[f.Name] = true })
		if n := nearest(missing.GetSpecifiedName(), known); n != "" {
			msg += "; did you mean --" + n + "?"
		}
	}
	return &usageError{msg: msg}
}
