package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newAllocateCmd(a *app) *cobra.Command {
	var wants []string
	var divers int
	var shop, from, to, running, group, reference, id string
	var dives, fills int64
	var hold time.Duration
	var confirm, dryRun bool
	cmd := &cobra.Command{
		Use:   "allocate",
		Short: "promise units for a window: all that is wanted, or none",
		Long: outfitHelp + `

Of the units that would do it takes those with the least use to waste. What is not confirmed is held for 15 minutes, or as long as --hold-for says.
When not everything can be had, nothing is promised: what is missing is listed with the reasons, and the exit code is 14.`,
		Example: `  strandline allocations allocate --shop lagoon --from "2026-06-05 09:00" --to "2026-06-05 17:00" --dives 2 --divers 12 \
    --want "regulator-set, bcd:M, cylinder:12 L" --reference R-1041 --confirm
  strandline allocations allocate --shop lagoon --from 2026-06-05 --to 2026-06-07 --want "4: bcd:M" --want "2: bcd:L" --dry-run
  strandline allocations allocate --shop lagoon --from 2026-06-05 --to 2026-06-05 --want "@GB-CMP-007" --hold-for 2h`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, _ []string) error {
			wanted, err := parseOutfits(wants, divers)
			if err != nil {
				return err
			}
			expected, err := parseRunning("running-time", running)
			if err != nil {
				return err
			}
			if confirm && hold != 0 {
				return usagef("--hold-for is for what is not confirmed at once: leave out one of the two")
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req := &compliancepb.AllocateUnitsRequest{
					Parent: c.Org.Name(), Shop: c.shop(shop), ExpectedDives: dives, ExpectedRunningTime: expected, ExpectedFills: fills, Confirm: confirm, Group: group, Reference: reference,
					RequestId: requestID(id, dryRun), ValidateOnly: dryRun,
				}
				if hold != 0 {
					req.HoldFor = durationpb.New(hold)
				}
				if req.StartTime, err = c.instant(ctx, "from", from, req.GetShop(), dayStart); err != nil {
					return err
				}
				if req.EndTime, err = c.instant(ctx, "to", to, req.GetShop(), dayEnd); err != nil {
					return err
				}
				if req.Outfits, err = c.outfits(ctx, wanted); err != nil {
					return err
				}
				r, err := c.Availability.AllocateUnits(ctx, req)
				if err != nil {
					return a.refused(err, "It cannot be promised, so nothing was:")
				}
				if !dryRun {
					c.wrote(r.GetPosition())
				}
				if a.json() {
					return printList(a, r.GetAllocations())
				}
				if dryRun {
					a.talkf("Dry run: it can be promised, nothing was written. Without --dry-run:")
				}
				z := c.zones(ctx)
				a.printAllocations(z, r.GetAllocations())
				if all := r.GetAllocations(); !dryRun && len(all) > 0 {
					a.printf("\nGroup %s, %s.\n", all[0].GetGroup(), plural(int64(len(all)), "unit"))
					if until := all[0].GetExpireTime(); until != nil {
						a.talkf("Held until %s; make it firm with: strandline allocations confirm %s", showInstant(until, z.of(all[0].GetShop())), all[0].GetGroup())
					}
				}
				return nil
			})
		},
	}
	cmd.Flags().StringArrayVar(&wants, "want", nil, "an `outfit`; may be given several times")
	cmd.Flags().IntVar(&divers, "divers", 0, "so `many` of the outfit, one for each diver")
	cmd.Flags().StringVar(&shop, "shop", "", "the `shop` that will hand out")
	cmd.Flags().StringVar(&from, "from", "", "hand-out at this `instant`")
	cmd.Flags().StringVar(&to, "to", "", "return at this `instant`; a day alone means its end")
	cmd.Flags().Int64Var(&dives, "dives", 0, "`number` of dives expected of each unit in the window")
	cmd.Flags().StringVar(&running, "running-time", "", "running `time` expected of each")
	cmd.Flags().Int64Var(&fills, "fills", 0, "`number` of fills expected of each")
	cmd.Flags().BoolVar(&confirm, "confirm", false, "firm at once")
	cmd.Flags().DurationVar(&hold, "hold-for", 0, "how `long` it is held without confirmation (default 15m)")
	cmd.Flags().StringVar(&group, "group", "", "`UUID` of a group to join, for example in the place of what came back damaged (default a new one)")
	cmd.Flags().StringVar(&reference, "reference", "", "your own `reference`, such as a booking's number; no names of people")
	cmd.Flags().StringVar(&id, "id", "", "`UUID` of the request, so that a repeat gives the first answer (default a new one)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "say what would be promised, write nothing")
	required(cmd, "want", "shop", "from", "to")
	return cmd
}

// requestID returns the id of a request: the one given, or a new one.
func requestID(id string, dryRun bool) string {
	if id == "" && !dryRun {
		return newID()
	}
	return id
}
