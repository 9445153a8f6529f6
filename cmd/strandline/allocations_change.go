package main

import (
	"context"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// changed ends a command that changed allocations.
func (a *app) changed(ctx context.Context, c *clients, at *typepb.Position, dryRun bool, all []*compliancepb.Allocation, word string) error {
	if !dryRun {
		c.wrote(at)
	}
	if a.json() {
		return printList(a, all)
	}
	if dryRun {
		a.talkf("Dry run: it would do, nothing was written. Without --dry-run:")
	}
	a.printf("%s %s.\n", plural(int64(len(all)), "unit"), word)
	a.printAllocations(c.zones(ctx), all)
	return nil
}

func newConfirmCmd(a *app) *cobra.Command {
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "confirm WHAT...",
		Short:       "make what is held firm",
		Long:        whichHelp,
		Example:     "  strandline allocations confirm R-1041",
		Args:        some,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				all, err := c.chosen(ctx, args, compliancepb.Allocation_STATE_HELD)
				if err != nil {
					return err
				}
				r, err := c.Availability.ConfirmAllocations(ctx, &compliancepb.ConfirmAllocationsRequest{Parent: c.Org.Name(), Allocations: setOf(all), RequestId: requestID("", dryRun), ValidateOnly: dryRun})
				if err != nil {
					return a.refused(err, "It cannot be confirmed, so nothing was:")
				}
				return a.changed(ctx, c, r.GetPosition(), dryRun, r.GetAllocations(), "confirmed")
			})
		},
	}
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	return cmd
}

func newExtendCmd(a *app) *cobra.Command {
	var to string
	var dives int64
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "extend WHAT...",
		Short: "move the end of a window, also of units that are out",
		Long: whichHelp + `

All of them or none: what stands against it is listed, and the exit code is 14. The new end may be earlier, too.`,
		Example: `  strandline allocations extend R-1041 --to "2026-06-06 17:00"
  strandline allocations extend GB-BCD-021 --to 2026-06-06 --dives 4`,
		Args:        some,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				all, err := c.chosen(ctx, args, live...)
				if err != nil {
					return err
				}
				req := &compliancepb.ExtendAllocationsRequest{Parent: c.Org.Name(), Allocations: setOf(all), RequestId: requestID("", dryRun), ValidateOnly: dryRun}
				if cmd.Flags().Changed("dives") {
					req.ExpectedDives = proto.Int64(dives)
				}
				for _, f := range all {
					end, err := c.instant(ctx, "to", to, f.GetShop(), dayEnd)
					if err != nil {
						return err
					}
					if req.EndTime != nil && !proto.Equal(end, req.EndTime) {
						return usagef("--to %q: these are of shops in different time zones; write it with its zone such as 2026-06-05T17:00:00Z, or extend them shop by shop", to)
					}
					req.EndTime = end
				}
				r, err := c.Availability.ExtendAllocations(ctx, req)
				if err != nil {
					return a.refused(err, "It cannot be extended, so nothing was:")
				}
				return a.changed(ctx, c, r.GetPosition(), dryRun, r.GetAllocations(), "extended")
			})
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "the new `instant` of the return; a day alone means its end")
	cmd.Flags().Int64Var(&dives, "dives", 0, "`number` of dives now expected of each unit in the whole window (default as before)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "to")
	return cmd
}

func newSwapCmd(a *app) *cobra.Command {
	var unit, reason string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "swap WHAT",
		Short: "give an allocation another unit",
		Long: whichHelp + ` It means one allocation that is held or confirmed. Without --unit
the unit takes its place that fits best.`,
		Example: `  strandline allocations swap GB-BCD-021 --reason "the diver wants it a size smaller next time"
  strandline allocations swap GB-BCD-021 --unit GB-BCD-014`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				all, err := c.chosen(ctx, args, compliancepb.Allocation_STATE_HELD, compliancepb.Allocation_STATE_CONFIRMED)
				if err != nil {
					return err
				}
				if len(all) != 1 {
					return usagef("%s means %d allocations; say which by the tag of its unit", args[0], len(all))
				}
				req := &compliancepb.SwapAllocationRequest{Name: all[0].GetName(), Reason: reason, RequestId: requestID("", dryRun), ValidateOnly: dryRun}
				if unit != "" {
					u, err := c.unit(ctx, unit)
					if err != nil {
						return err
					}
					req.Unit = u.GetName()
				}
				r, err := c.Availability.SwapAllocation(ctx, req)
				if err != nil {
					title := "No other unit can take its place:"
					if unit != "" {
						title = unit + " cannot take its place:"
					}
					return a.refused(err, title)
				}
				return a.told(c, r.GetPosition(), dryRun, r.GetAllocation(), "%s takes the place of %s.", r.GetAllocation().GetAssetTag(), all[0].GetAssetTag())
			})
		},
	}
	cmd.Flags().StringVar(&unit, "unit", "", "`tag` of the unit that is to take its place (default the one that fits best)")
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "say which unit it would be, write nothing")
	return cmd
}

func newReleaseCmd(a *app) *cobra.Command {
	var reason string
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "release WHAT...",
		Short:       "give up what was promised and not handed out",
		Long:        whichHelp,
		Example:     `  strandline allocations release R-1041 --reason "the boat does not sail"`,
		Args:        some,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				all, err := c.chosen(ctx, args, compliancepb.Allocation_STATE_HELD, compliancepb.Allocation_STATE_CONFIRMED)
				if err != nil {
					return err
				}
				r, err := c.Availability.ReleaseAllocations(ctx, &compliancepb.ReleaseAllocationsRequest{Parent: c.Org.Name(), Allocations: setOf(all), Reason: reason, RequestId: requestID("", dryRun), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				return a.changed(ctx, c, r.GetPosition(), dryRun, r.GetAllocations(), "released")
			})
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	return cmd
}
