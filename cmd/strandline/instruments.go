package main

import (
	"context"

	"github.com/spf13/cobra"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func newInstrumentsCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "instruments", Short: "instruments of the bench: which tests a calibration vouches for", Args: noSuchCommand, RunE: needsCommand}
	cmd.AddCommand(newInstrumentsUsesCmd(a))
	return cmd
}

func newInstrumentsUsesCmd(a *app) *cobra.Command {
	var from, before string
	var limit int
	cmd := &cobra.Command{
		Use:   "uses UNIT",
		Short: "the tests that an instrument was used for, by when they were made",
		Long: `UNIT is the tag of an instrument, which is a unit of the fleet. When a calibration finds that it reads wrongly, every test made with it since
the last good one is in doubt: --from the day of that one lists them.`,
		Example: `  strandline instruments uses GB-MAN-001
  strandline instruments uses GB-MAN-001 --from 2026-03-01 --before 2026-06-05`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withUnit(cmd.Context(), args[0], func(ctx context.Context, c *clients, u *registrypb.Unit) error {
				req := &historypb.ListInstrumentUsesRequest{Parent: u.GetName()}
				var err error
				if req.OccurredFromTime, err = c.instant(ctx, "from", from, u.GetShop(), dayStart); err != nil {
					return err
				}
				if req.OccurredBeforeTime, err = c.instant(ctx, "before", before, u.GetShop(), dayStart); err != nil {
					return err
				}
				uses, err := pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*historypb.InstrumentUse, string, error) {
					req.PageSize, req.PageToken = size, token
					r, err := c.Orders.ListInstrumentUses(ctx, req)
					return r.GetUses(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, uses)
				}
				var names []string
				for _, n := range uses {
					names = append(names, n.GetUnit())
				}
				tags := c.tags(ctx, names)
				zone, _ := c.zone(ctx, u.GetShop())
				t := newTable("when", "tag", "test of", "order", "entry")
				for _, n := range uses {
					t.row(showInstant(n.GetOccurredTime(), zone), tags[n.GetUnit()], n.GetActivity(), lastID(n.GetOrder()), lastID(n.GetEntry()))
				}
				a.table(t, "No test was made with "+u.GetAssetTag()+" then.")
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&from, "from", "", "only tests made at or after this `instant`")
	cmd.Flags().StringVar(&before, "before", "", "only tests made before this `instant`")
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many`; 0 for all")
	return cmd
}
