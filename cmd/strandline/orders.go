package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/errs"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// signatureCaution stands beside a signature.
const signatureCaution = "Caution: a signature says that the procedure was followed as recorded. Local code, the maker's manual and licensed practice come first."

func newOrdersCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "orders",
		Short: "service orders: work on a unit by a procedure, from intake to signature",
		Long: `A unit is held from the moment an order is opened until it is signed. What happens on the bench is recorded as events, in any pieces, late
or twice: an event's UUID makes a repeat the same event. A test is judged as it is recorded, and one that does not pass pulls the unit at once.

Where a command wants an ORDER, its UUID or its full name goes, and so does the tag of a unit that has one open order.`,
		Args: noSuchCommand,
		RunE: needsCommand,
	}
	cmd.AddCommand(newOrdersOpenCmd(a), newOrdersRecordCmd(a), newOrdersSignCmd(a), newOrdersCloseCmd(a), newOrdersShowCmd(a), newOrdersListCmd(a))
	return cmd
}

// order returns the full name of the order that a person means: by UUID, by full name, or by the tag of a unit that has one open order.
func (c *clients) order(ctx context.Context, what string) (string, error) {
	if id, err := uuid.Parse(what); err == nil && len(what) == 36 {
		return c.Org.Name() + "/orders/" + id.String(), nil
	}
	if strings.HasPrefix(what, "orgs/") && strings.Contains(what, "/orders/") {
		return what, nil
	}
	u, err := c.unit(ctx, what)
	if err != nil {
		return "", err
	}
	open, err := c.orders(ctx, &historypb.ListOrdersRequest{Parent: c.Org.Name(), Unit: u.GetName(), Open: true})
	if err != nil {
		return "", err
	}
	switch len(open) {
	case 0:
		return "", errs.New(errs.NotFound, "NOT_FOUND", u.GetAssetTag()+" has no open order; 'strandline orders list --unit "+u.GetAssetTag()+"' lists those there were")
	case 1:
		return open[0].GetName(), nil
	}
	var lines []string
	for _, o := range open {
		lines = append(lines, fmt.Sprintf("  %s  %s", lastID(o.GetName()), o.GetPurpose()))
	}
	return "", &usageError{msg: fmt.Sprintf("%s has several open orders; say which:\n%s", u.GetAssetTag(), strings.Join(lines, "\n")), quiet: true}
}

// orders reads a list of orders, every page of it.
func (c *clients) orders(ctx context.Context, req *historypb.ListOrdersRequest) ([]*historypb.Order, error) {
	return pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*historypb.Order, string, error) {
		req.PageSize, req.PageToken = size, token
		r, err := c.Orders.ListOrders(ctx, req)
		return r.GetOrders(), r.GetNextPageToken(), err
	})
}

// tellUnit tells where the unit of an order stands now.
func (a *app) tellUnit(ctx context.Context, c *clients, name string, at positioned) {
	u, err := c.unit(ctx, name)
	if err != nil {
		f := explain(err)
		a.talkf("It is recorded; what it means for the unit cannot be told now: %s.", f.message)
		return
	}
	a.tellStanding(ctx, c, u, at)
}

func newOrdersOpenCmd(a *app) *cobra.Command {
	var by, intake, at, shop, id string
	var revision int32
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "open UNIT PROCEDURE",
		Short: "open an order: the unit is held until it is signed",
		Long: `UNIT is an asset tag or a UUID; PROCEDURE is one of 'strandline procedures list --own'. A unit has at most one open order for each
purpose. All of the order is worked by the revision that it was opened with.`,
		Example: `  strandline orders open GB-BCD-021 bcd-inspection --by mara --intake "sand in the inflator"
  strandline orders open GB-REG-014 regulator-set-inspection --by mara --at "2026-06-05 09:30"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withUnit(cmd.Context(), args[0], func(ctx context.Context, c *clients, u *registrypb.Unit) error {
				req := &historypb.OpenOrderRequest{
					Parent: c.Org.Name(), OrderId: strings.ToLower(id), Unit: u.GetName(), Procedure: args[1], Revision: revision, Shop: c.shop(shop), Technician: c.technician(by), Intake: intake, ValidateOnly: dryRun,
				}
				if id == "" {
					req.OrderId = newID()
				}
				var err error
				if req.OccurredTime, err = c.instant(ctx, "at", at, u.GetShop(), dayStart); err != nil {
					return err
				}
				if req.GetOccurredTime() == nil {
					req.OccurredTime = timestamp(a.clk.Now())
				}
				r, err := c.Orders.OpenOrder(ctx, req)
				if err != nil {
					return err
				}
				p := r.GetProcedure()
				if err := a.told(c, r.GetPosition(), dryRun, r.GetOrder(), "Order %s is open: %s, %s revision %d.", req.GetOrderId(), u.GetAssetTag(), lastID(p.GetName()), p.GetRevision()); err != nil || a.json() {
					return err
				}
				a.printf("Cautions\n")
				for _, text := range p.GetCautions() {
					a.paragraph(a.out, "  ", text)
				}
				if !dryRun {
					a.tellStanding(ctx, c, u, r.GetPosition())
				}
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&by, "by", "", "`id` of the technician who opens it")
	cmd.Flags().StringVar(&intake, "intake", "", "how the unit came in: free `text`")
	cmd.Flags().StringVar(&at, "at", "", "the `instant` it was opened (default now)")
	cmd.Flags().StringVar(&shop, "shop", "", "the `shop` where it is worked (default where the unit is)")
	cmd.Flags().Int32Var(&revision, "revision", 0, "`number` of the procedure's revision (default the last)")
	cmd.Flags().StringVar(&id, "id", "", "`UUID` of the order, so that a repeat with the same --at is the same order (default a new one)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "by")
	return cmd
}

func newOrdersCloseCmd(a *app) *cobra.Command {
	var by, reason, at, id string
	cmd := &cobra.Command{
		Use:   "close ORDER",
		Short: "close an order: after its signature, or without one for a reason",
		Long:  `A unit that was worked on and not signed for stays held until the work is done in another order.`,
		Example: `  strandline orders close GB-BCD-021 --by mara --reason "wrong unit on the bench"
  strandline orders close 0197a0f2-1c7e-7b11-9f2a-5d0c3e8b6a41 --by mara`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				name, err := c.order(ctx, args[0])
				if err != nil {
					return err
				}
				req := &historypb.CloseOrderRequest{Name: name, EventId: strings.ToLower(id), Technician: c.technician(by), Reason: reason}
				if id == "" {
					req.EventId = newID()
				}
				if req.OccurredTime, err = c.instant(ctx, "at", at, "", dayStart); err != nil {
					return err
				}
				if req.GetOccurredTime() == nil {
					req.OccurredTime = timestamp(a.clk.Now())
				}
				r, err := c.Orders.CloseOrder(ctx, req)
				if err != nil {
					return err
				}
				if err := a.told(c, r.GetPosition(), false, r.GetOrder(), "Order %s is closed.", lastID(name)); err != nil || a.json() {
					return err
				}
				a.tellUnit(ctx, c, r.GetOrder().GetUnit(), r.GetPosition())
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&by, "by", "", "`id` of the technician who closes it")
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence; of an order that was not signed it is needed")
	cmd.Flags().StringVar(&at, "at", "", "the `instant` it was closed (default now)")
	cmd.Flags().StringVar(&id, "id", "", "`UUID` of the closing, so that a repeat with the same --at is the same closing (default a new one)")
	required(cmd, "by")
	return cmd
}
