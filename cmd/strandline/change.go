package main

import (
	"context"

	"github.com/spf13/cobra"

	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// withUnit runs fn with clients and the unit a person means.
func (a *app) withUnit(ctx context.Context, tag string, fn func(ctx context.Context, c *clients, u *registrypb.Unit) error) error {
	ctx, cancel := a.withTimeout(ctx)
	defer cancel()
	c, err := a.connect(ctx)
	if err != nil {
		return err
	}
	u, err := c.unit(ctx, tag)
	if err != nil {
		return err
	}
	return fn(ctx, c, u)
}

func newFitCmd(a *app) *cobra.Command {
	var to, place, at string
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "fit TAG",
		Short:       "fit a part to another unit; dives of that unit then count for the part",
		Example:     `  strandline fit GB-2ND-031 --to GB-REG-014 --place "second stage" --at 2026-06-05`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withUnit(cmd.Context(), args[0], func(ctx context.Context, c *clients, u *registrypb.Unit) error {
				host, err := c.unit(ctx, to)
				if err != nil {
					return err
				}
				when, err := c.instant(ctx, "at", at, u.GetShop(), dayStart)
				if err != nil {
					return err
				}
				if when == nil {
					when = timestamp(a.clk.Now())
				}
				r, err := c.Registry.FitUnit(ctx, &registrypb.FitUnitRequest{
					Parent: u.GetName(), FittingId: newID(), RequestId: newID(), ValidateOnly: dryRun,
					Fitting: &registrypb.Fitting{Host: host.GetName(), Place: place, FitTime: when},
				})
				if err != nil {
					return err
				}
				return a.told(c, r.GetPosition(), dryRun, r.GetFitting(), "%s is fitted to %s.", u.GetAssetTag(), host.GetAssetTag())
			})
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "`tag` of the unit it is fitted to")
	cmd.Flags().StringVar(&place, "place", "", "`where` on it, for example \"second stage\"")
	cmd.Flags().StringVar(&at, "at", "", "from this `instant` on (default now)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "to")
	return cmd
}

func newUnfitCmd(a *app) *cobra.Command {
	var at string
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "unfit TAG",
		Short:       "take a part off the unit it is fitted to",
		Example:     `  strandline unfit GB-2ND-031 --at "2026-06-05 11:30"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withUnit(cmd.Context(), args[0], func(ctx context.Context, c *clients, u *registrypb.Unit) error {
				when, err := c.instant(ctx, "at", at, u.GetShop(), dayStart)
				if err != nil {
					return err
				}
				r, err := c.Registry.UnfitUnit(ctx, &registrypb.UnfitUnitRequest{Name: u.GetName(), UnfitTime: when, RequestId: newID(), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				host := c.tags(ctx, []string{r.GetFitting().GetHost()})[r.GetFitting().GetHost()]
				return a.told(c, r.GetPosition(), dryRun, r.GetFitting(), "%s is taken off %s.", u.GetAssetTag(), host)
			})
		},
	}
	cmd.Flags().StringVar(&at, "at", "", "at this `instant` (default now)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	return cmd
}

func newTransferCmd(a *app) *cobra.Command {
	var to, at string
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "transfer TAG",
		Short:       "move a unit, with what is fitted to it, to another shop",
		Example:     `  strandline transfer GB-BCD-021 --to harbour --at 2026-06-05`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withUnit(cmd.Context(), args[0], func(ctx context.Context, c *clients, u *registrypb.Unit) error {
				when, err := c.instant(ctx, "at", at, u.GetShop(), dayStart)
				if err != nil {
					return err
				}
				r, err := c.Registry.TransferUnit(ctx, &registrypb.TransferUnitRequest{Name: u.GetName(), DestinationShop: c.shop(to), TransferTime: when, RequestId: newID(), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				return a.told(c, r.GetPosition(), dryRun, r.GetUnit(), "%s moves from %s to %s.", u.GetAssetTag(), lastID(u.GetShop()), lastID(c.shop(to)))
			})
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "`id` of the shop it moves to")
	cmd.Flags().StringVar(&at, "at", "", "from this `instant` on, in the zone of the shop it leaves (default now)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "to")
	return cmd
}

func newRetireCmd(a *app) *cobra.Command {
	var reason, at string
	var dryRun, yes bool
	cmd := &cobra.Command{
		Use:         "retire TAG",
		Short:       "take a unit out of the fleet for good; its history stays",
		Long:        `There is no way back: a unit that returns is registered anew. On a terminal it asks first; --yes answers that.`,
		Example:     `  strandline retire GB-CYL-003 --reason "condemned at requalification" --yes`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			if !dryRun && !yes {
				if err := a.confirm("Retire " + args[0] + " for good?"); err != nil {
					return err
				}
			}
			return a.withUnit(cmd.Context(), args[0], func(ctx context.Context, c *clients, u *registrypb.Unit) error {
				when, err := c.instant(ctx, "at", at, u.GetShop(), dayStart)
				if err != nil {
					return err
				}
				r, err := c.Registry.RetireUnit(ctx, &registrypb.RetireUnitRequest{Name: u.GetName(), Reason: reason, RetireTime: when, RequestId: newID(), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				return a.told(c, r.GetPosition(), dryRun, r.GetUnit(), "%s is retired.", u.GetAssetTag())
			})
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence")
	cmd.Flags().StringVar(&at, "at", "", "at this `instant` (default now)")
	cmd.Flags().BoolVar(&yes, "yes", false, "do not ask")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "reason")
	return cmd
}
