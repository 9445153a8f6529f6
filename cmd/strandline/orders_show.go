package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func newOrdersShowCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "show ORDER",
		Short: "an order: what happened, parts, what tests came to, and what keeps it from being signed",
		Example: `  strandline orders show GB-BCD-021
  strandline orders show 0197a0f2-1c7e-7b11-9f2a-5d0c3e8b6a41 --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				name, err := c.order(ctx, args[0])
				if err != nil {
					return err
				}
				r, err := c.Orders.GetOrder(ctx, &historypb.GetOrderRequest{Name: name})
				if err != nil {
					return err
				}
				if a.json() {
					return a.printJSON(r.GetOrder())
				}
				o := r.GetOrder()
				zone, _ := c.zone(ctx, o.GetShop())
				a.printOrder(o, c.tags(ctx, []string{o.GetUnit()})[o.GetUnit()], zone)
				return nil
			})
		},
	}
}

// printOrder prints an order with all that happened to it, in the time of its shop.
func (a *app) printOrder(o *historypb.Order, tag string, zone *time.Location) {
	a.paragraph(a.out, "", fmt.Sprintf("%s  %s of %s, %s", lastID(o.GetName()), o.GetPurpose(), tag, orderStateWord(o.GetState())))
	var l labels
	l.add("by", fmt.Sprintf("%s revision %d", o.GetProcedure(), o.GetRevision()))
	l.add("at", lastID(o.GetShop()))
	l.add("opened", showInstant(o.GetOpenTime(), zone)+" by "+lastID(o.GetOpener()))
	l.add("came in", o.GetIntake())
	l.add("waits for", o.GetWaitingFor())
	if o.GetSignTime() != nil {
		l.add("signed", fmt.Sprintf("%s by %s: %s", showInstant(o.GetSignTime(), zone), lastID(o.GetSigner()), signatureWord(o.GetOutcome())))
	}
	l.add("closed", showInstant(o.GetCloseTime(), zone))
	a.rows("  ", l)

	a.printf("\nWhat happened\n")
	gone := map[string]bool{}
	for _, e := range o.GetEvents() {
		if w := e.GetWithdrawn(); w != nil {
			gone[w.GetEvent()] = true
		}
	}
	t := newTable("when", "who", "~what", "~note", "event")
	for _, e := range o.GetEvents() {
		what := eventWords(e)
		if gone[e.GetEventId()] {
			what += " [withdrawn]"
		}
		t.row(showInstant(e.GetOccurredTime(), zone), lastID(e.GetTechnician()), what, e.GetNote(), e.GetEventId())
	}
	t.write(a.out, "  ", a.columns)

	if len(o.GetParts()) > 0 {
		a.printf("\nParts\n")
		t := newTable("part", ">removed", ">absent", ">discarded", ">fitted", ">refitted", "~lots")
		for _, p := range o.GetParts() {
			var lots []string
			for _, n := range p.GetLots() {
				lots = append(lots, lastID(n))
			}
			t.row(p.GetPart(), countWord(p.GetRemoved()), countWord(p.GetAbsent()), countWord(p.GetDiscarded()), countWord(p.GetFitted()), countWord(p.GetRefitted()), joined(lots))
		}
		t.write(a.out, "  ", a.columns)
	}
	for _, e := range o.GetEvents() {
		if e.GetTestMade() != nil {
			a.printf("\nTests\n")
			a.printTests(o.GetEvents(), func(e *historypb.OrderEvent) string { return showInstant(e.GetOccurredTime(), zone) })
			break
		}
	}
	if len(o.GetProblems()) > 0 {
		a.printf("\n")
		a.printAbout(o.GetProblems())
	}
}

// countWord prints a count; nothing for none.
func countWord(n int32) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprint(n)
}

func newOrdersListCmd(a *app) *cobra.Command {
	var unit, shop string
	var open bool
	cmd := &cobra.Command{
		Use:   "list",
		Short: "service orders, the last opened first",
		Example: `  strandline orders list --open --shop lagoon
  strandline orders list --unit GB-BCD-021`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req := &historypb.ListOrdersRequest{Parent: c.Org.Name(), Shop: c.shop(shop), Open: open}
				zoneShop := req.GetShop()
				if unit != "" {
					u, err := c.unit(ctx, unit)
					if err != nil {
						return err
					}
					req.Unit = u.GetName()
					if zoneShop == "" {
						zoneShop = u.GetShop()
					}
				}
				found, err := c.orders(ctx, req)
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, found)
				}
				var zone *time.Location
				if zoneShop != "" {
					zone, _ = c.zone(ctx, zoneShop)
				}
				var names []string
				for _, o := range found {
					names = append(names, o.GetUnit())
				}
				tags := c.tags(ctx, names)
				t := newTable("opened", "tag", "shop", "procedure", ">revision", "state", "signed", "outcome", "~waits for", "order")
				for _, o := range found {
					t.row(showInstant(o.GetOpenTime(), zone), tags[o.GetUnit()], lastID(o.GetShop()), o.GetProcedure(), fmt.Sprint(o.GetRevision()), orderStateWord(o.GetState()),
						showInstant(o.GetSignTime(), zone), signatureWord(o.GetOutcome()), o.GetWaitingFor(), lastID(o.GetName()))
				}
				a.table(t, "No orders.")
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&unit, "unit", "", "only orders of the unit with this `tag`")
	cmd.Flags().StringVar(&shop, "shop", "", "only orders of this `shop`")
	cmd.Flags().BoolVar(&open, "open", false, "only orders that are neither signed nor closed")
	return cmd
}

func orderStateWord(s historypb.OrderState) string {
	switch s {
	case historypb.OrderState_ORDER_STATE_OPENED:
		return "opened"
	case historypb.OrderState_ORDER_STATE_ON_THE_BENCH:
		return "on the bench"
	case historypb.OrderState_ORDER_STATE_AWAITING_PARTS:
		return "awaiting parts"
	case historypb.OrderState_ORDER_STATE_SIGNED:
		return "signed"
	case historypb.OrderState_ORDER_STATE_CLOSED:
		return "closed"
	}
	return "not known"
}

// signatureWord prints what was signed for; nothing for an order that was not.
func signatureWord(o historypb.SignatureOutcome) string {
	for word, is := range signatures {
		if is == o {
			return word
		}
	}
	return ""
}

// eventWords says what an event tells of.
func eventWords(e *historypb.OrderEvent) string {
	in := func(step string) string {
		if step == "" {
			return ""
		}
		return " in " + step
	}
	switch {
	case e.GetOpened() != nil:
		return "opened"
	case e.GetTakenUp() != nil:
		return "put on the bench"
	case e.GetWaiting() != nil:
		return "waits for " + e.GetWaiting().GetFor()
	case e.GetResumed() != nil:
		return "taken up again"
	case e.GetStepDone() != nil:
		s := e.GetStepDone()
		text := "did " + s.GetStep()
		for _, m := range s.GetMeasured() {
			text += fmt.Sprintf("; %s %s", m.GetBound(), quantityText(m.GetQuantity()))
		}
		if s.GetChecker() != "" {
			text += "; checked by " + lastID(s.GetChecker())
		}
		return text
	case e.GetStepChecked() != nil:
		return "checked " + e.GetStepChecked().GetStep()
	case e.GetPartMoved() != nil:
		m := e.GetPartMoved()
		text := fmt.Sprintf("%s %d %s", strings.ToLower(strings.TrimPrefix(m.GetMove().String(), "PART_MOVE_")), m.GetCount(), m.GetPart())
		if m.GetLot() != "" {
			text += " from lot " + lastID(m.GetLot())
		}
		return text + in(m.GetStep())
	case e.GetTestMade() != nil:
		m := e.GetTestMade()
		return fmt.Sprintf("tested %s in %s: %s", m.GetTest(), m.GetStep(), verdictWord(m.GetJudgement().GetVerdict()))
	case e.GetFound() != nil:
		return "found" + in(e.GetFound().GetStep()) + ": " + e.GetFound().GetFinding()
	case e.GetStationWork() != nil:
		s := e.GetStationWork()
		text := fmt.Sprintf("%s by %s, approval %s", s.GetActivity(), s.GetProvider(), s.GetApproval())
		if s.GetMarkDate() != nil {
			text += ", marked " + showDate(s.GetMarkDate())
		}
		if !s.GetPassed() {
			text += ": did not pass"
		}
		return text
	case e.GetWithdrawn() != nil:
		return fmt.Sprintf("withdrew %s: %s", e.GetWithdrawn().GetEvent(), e.GetWithdrawn().GetReason())
	case e.GetSigned() != nil:
		return "signed: " + signatureWord(e.GetSigned().GetOutcome())
	case e.GetClosed() != nil:
		return strings.TrimSuffix("closed: "+e.GetClosed().GetReason(), ": ")
	}
	return "something that this version does not know"
}
