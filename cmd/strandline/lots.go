package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func newLotsCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "lots",
		Short: "lots of parts: what came from whom, how long it may lie, and into which units it went",
		Long: `A lot is parts of one make and batch, registered when the bag comes in. Service orders name the lot of every new part, so that when a maker
calls a batch back, the units that have parts of it are found at once. No order is signed that names a lot nobody registered, or one past
its shelf life.`,
		Args: noSuchCommand,
		RunE: needsCommand,
	}
	cmd.AddCommand(newLotsCreateCmd(a), newLotsShowCmd(a), newLotsListCmd(a), newLotsTraceCmd(a))
	return cmd
}

func newLotsCreateCmd(a *app) *cobra.Command {
	var l historypb.Lot
	var expires string
	cmd := &cobra.Command{
		Use:   "create ID",
		Short: "register a lot, once and for good",
		Long: `ID is what orders call the lot: lower-case letters, digits and hyphens. The same again changes nothing; a lot does not change either, so what was
stated wrongly is registered again with another ID.`,
		Example: `  strandline lots create seats-26-118 --part seat --title "Seats, hard, part no. 4471" --lot-number "B 118" --supplier Northbay --expires 2028-03 --quantity 50
  strandline lots create kit-26-9 --title "Kit for the drift second stage" --lot-number K9`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			if l.ExpireDate, err = parseMark("expires", expires); err != nil {
				return err
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Lots.CreateLot(ctx, &historypb.CreateLotRequest{Parent: c.Org.Name(), LotId: args[0], Lot: &l})
				if err != nil {
					return err
				}
				return a.told(c, nil, false, r.GetLot(), "Lot %s is registered: %s.", args[0], lotWords(r.GetLot()))
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&l.Part, "part", "", "`part` as procedures call it; leave it out for a kit, of which parts of several kinds are fitted")
	f.StringVar(&l.Title, "title", "", "`what` the parts are, with the maker's part number")
	f.StringVar(&l.LotNumber, "lot-number", "", "the maker's `number` of the lot, as printed on the bag")
	f.StringVar(&l.Supplier, "supplier", "", "`who` supplied it")
	f.StringVar(&expires, "expires", "", "last `day` or month of the shelf life, such as 2028-03; leave it out if there is none")
	f.Int32Var(&l.Quantity, "quantity", 0, "how `many` parts came; 0 if nobody counted")
	required(cmd, "title")
	return cmd
}

func newLotsShowCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:     "show ID",
		Short:   "what a lot is, and who registered it",
		Example: "  strandline lots show seats-26-118",
		Args:    words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Lots.GetLot(ctx, &historypb.GetLotRequest{Name: c.lot(args[0])})
				if err != nil {
					return err
				}
				if a.json() {
					return a.printJSON(r.GetLot())
				}
				a.printLot(r.GetLot())
				return nil
			})
		},
	}
}

func (a *app) printLot(l *historypb.Lot) {
	a.paragraph(a.out, "", lastID(l.GetName())+": "+lotWords(l)+".")
	a.paragraph(a.out, "  ", fmt.Sprintf("Registered %s by %s.", showInstant(l.GetCreateTime(), nil), l.GetRecorder()))
}

func newLotsListCmd(a *app) *cobra.Command {
	var part string
	var limit int
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "lots by their ids",
		Example: "  strandline lots list\n  strandline lots list --part seat",
		Args:    words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				found, err := pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*historypb.Lot, string, error) {
					r, err := c.Lots.ListLots(ctx, &historypb.ListLotsRequest{Parent: c.Org.Name(), Part: part, PageSize: size, PageToken: token})
					return r.GetLots(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, found)
				}
				t := newTable("lot", "part", "~title", "lot number", "supplier", "shelf life to", ">came", "registered")
				for _, l := range found {
					came := ""
					if l.GetQuantity() > 0 {
						came = fmt.Sprint(l.GetQuantity())
					}
					t.row(lastID(l.GetName()), l.GetPart(), l.GetTitle(), l.GetLotNumber(), l.GetSupplier(), showDate(l.GetExpireDate()), came, showInstant(l.GetCreateTime(), nil))
				}
				a.table(t, "No lots.")
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&part, "part", "", "only lots of this `part`")
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many`; 0 for all")
	return cmd
}

// lotWords says what a lot is, in a line without a full stop.
func lotWords(l *historypb.Lot) string {
	text := l.GetTitle()
	if l.GetPart() != "" {
		text += " (" + l.GetPart() + ")"
	}
	if l.GetLotNumber() != "" {
		text += ", lot number " + l.GetLotNumber()
	}
	if l.GetSupplier() != "" {
		text += ", from " + l.GetSupplier()
	}
	if l.GetQuantity() > 0 {
		text += ", " + plural(int64(l.GetQuantity()), "part")
	}
	if d := showDate(l.GetExpireDate()); d != "" {
		return text + ", shelf life to the end of " + d
	}
	return text + ", no shelf life stated"
}

// lot returns the full name of a lot given by its id or its name.
func (c *clients) lot(id string) string { return c.name("lots", id) }
