package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func newHoldsCmd(a *app) *cobra.Command {
	var shop string
	var m moments
	var lifted bool
	var limit int
	cmd := &cobra.Command{
		Use:   "holds [TAG]",
		Short: "which units are pulled, since when, and what lifts it",
		Long: `With --as-of the holds there were at that instant; --lifted adds those that had been lifted by then. With --as-known only what was
recorded by then counts: what could be known on that day, not what is known now.`,
		Example: `  strandline holds --shop lagoon
  strandline holds GB-REG-014 --lifted
  strandline holds --as-of 2026-06-01 --as-known 2026-06-01`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			req := &compliancepb.ListHoldsRequest{Parent: c.Org.Name() + "/units/-", Shop: c.shop(shop), IncludeLifted: lifted}
			zoneShop := req.GetShop()
			if len(args) > 0 {
				u, err := c.unit(ctx, args[0])
				if err != nil {
					return err
				}
				req.Parent = u.GetName()
				zoneShop = u.GetShop()
			}
			if req.Instant, req.KnownTime, err = m.read(ctx, c, zoneShop); err != nil {
				return err
			}
			if req.AtLeast, err = c.atLeast(ctx); err != nil {
				return err
			}
			held, err := c.holds(ctx, req, limit)
			if err != nil {
				return err
			}
			if a.json() {
				return printList(a, held)
			}
			m.tell(ctx, a, c, zoneShop, req.GetInstant(), req.GetKnownTime())
			if len(held) == 0 {
				a.printf("No holds.\n")
				return nil
			}
			a.printHolds(held)
			return nil
		},
	}
	cmd.Flags().StringVar(&shop, "shop", "", "only of units at this `shop`")
	m.flags(cmd, "", "")
	cmd.Flags().BoolVar(&lifted, "lifted", false, "also holds that are lifted")
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many`; 0 for all")
	return cmd
}

// holds reads a list of holds, every page of it.
func (c *clients) holds(ctx context.Context, req *compliancepb.ListHoldsRequest, limit int) ([]*compliancepb.HeldUnit, error) {
	return pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*compliancepb.HeldUnit, string, error) {
		req.PageSize, req.PageToken = size, token
		r, err := c.Compliance.ListHolds(ctx, req)
		return r.GetHolds(), r.GetNextPageToken(), err
	})
}

func (a *app) printHolds(held []*compliancepb.HeldUnit) {
	t := newTable("since", "tag", "part of", "kind", "shop", "cause", "blocks", "~reason", "~lifted by", "lifted")
	for _, h := range held {
		by := liftedBy(h.GetHold())
		if h.GetHold().GetLiftTime() != nil {
			by = h.GetHold().GetLiftReason()
		}
		t.row(showInstant(h.GetHold().GetOpenTime(), nil), h.GetAssetTag(), h.GetHostTag(), h.GetKind(), lastID(h.GetShop()), causeWord(h.GetHold().GetCause()),
			usesWord(h.GetHold().GetBlocks()), h.GetHold().GetReason(), by, showInstant(h.GetHold().GetLiftTime(), nil))
	}
	t.write(a.out, "", a.columns)
}

func newHoldCmd(a *app) *cobra.Command {
	var reason, blocks string
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "hold TAG",
		Short:       "pull a unit by hand",
		Long:        `A failed test or a condition report pulls a unit by itself ('strandline log'). This is for everything else.`,
		Example:     `  strandline hold GB-BCD-021 --reason "customer says it leaks at the shoulder"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			uses, err := parseUses(blocks)
			if err != nil {
				return err
			}
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			u, err := c.unit(ctx, args[0])
			if err != nil {
				return err
			}
			r, err := c.Compliance.PlaceHold(ctx, &compliancepb.PlaceHoldRequest{
				Parent: u.GetName(), HoldId: newID(), RequestId: newID(), ValidateOnly: dryRun,
				Hold: &compliancepb.Hold{Reason: reason, Blocks: uses},
			})
			if err != nil {
				return err
			}
			if err := a.told(c, r.GetPosition(), dryRun, r.GetHold(), "%s is pulled (%s). Lift it with: strandline lift %[1]s --reason REASON", u.GetAssetTag(), usesWord(uses)); err != nil {
				return err
			}
			a.printAffected(c.zones(ctx), r.GetAffectedAllocations(), r.GetAffectedUnknown())
			return nil
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence")
	cmd.Flags().StringVar(&blocks, "blocks", "hand-out,fill", "`what` it may not be used for: hand-out, fill or both")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "reason")
	return cmd
}

func parseUses(text string) ([]compliancepb.Use, error) {
	var uses []compliancepb.Use
	for _, w := range strings.Split(text, ",") {
		switch strings.TrimSpace(w) {
		case "hand-out":
			uses = append(uses, compliancepb.Use_USE_HAND_OUT)
		case "fill":
			uses = append(uses, compliancepb.Use_USE_FILL)
		default:
			return nil, usagef("--blocks %q: want hand-out, fill or hand-out,fill", text)
		}
	}
	return uses, nil
}

func newLiftCmd(a *app) *cobra.Command {
	var reason, hold string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "lift TAG",
		Short: "lift a hold that a person placed",
		Long: `Only holds placed by hand are lifted by hand. The others lift by themselves when the work they ask for is recorded with
the outcome pass; condemned is final.`,
		Example: `  strandline lift GB-BCD-021 --reason "bladder replaced and leak-tested"
  strandline lift GB-BCD-021 --hold 0197a0f2-1c7e-7b11-9f2a-5d0c3e8b6a41 --reason "entered twice"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			u, err := c.unit(ctx, args[0])
			if err != nil {
				return err
			}
			name, err := c.holdToLift(ctx, u, hold)
			if err != nil {
				return err
			}
			r, err := c.Compliance.LiftHold(ctx, &compliancepb.LiftHoldRequest{Name: name, Reason: reason, RequestId: newID(), ValidateOnly: dryRun})
			if err != nil {
				return err
			}
			return a.told(c, r.GetPosition(), dryRun, r.GetHold(), "The hold on %s is lifted (%s).", u.GetAssetTag(), r.GetHold().GetReason())
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence")
	cmd.Flags().StringVar(&hold, "hold", "", "`id` of the hold, when the unit has several")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "reason")
	return cmd
}

// holdToLift returns the name of the hold that is meant: the one asked for, or the only open one placed by hand.
func (c *clients) holdToLift(ctx context.Context, u *registrypb.Unit, id string) (string, error) {
	if strings.HasPrefix(id, "orgs/") {
		return id, nil
	}
	if id != "" {
		return u.GetName() + "/holds/" + id, nil
	}
	at, err := c.atLeast(ctx)
	if err != nil {
		return "", err
	}
	held, err := c.holds(ctx, &compliancepb.ListHoldsRequest{Parent: u.GetName(), AtLeast: at}, 0)
	if err != nil {
		return "", err
	}
	var manual, other []string
	for _, h := range held {
		line := fmt.Sprintf("  --hold %s  %s", lastID(h.GetHold().GetName()), h.GetHold().GetReason())
		if h.GetHold().GetCause() == compliancepb.Hold_CAUSE_MANUAL {
			manual = append(manual, h.GetHold().GetName())
			other = append(other, line)
		}
	}
	switch {
	case len(manual) == 1:
		return manual[0], nil
	case len(manual) > 1:
		return "", &usageError{msg: u.GetAssetTag() + " has several holds; say which:\n" + strings.Join(other, "\n"), quiet: true}
	case len(held) > 0:
		return "", errs.New(errs.Precondition, "HOLD_NEEDS_PROOF", fmt.Sprintf("no open hold of %s was placed by hand; %q is lifted by %s", u.GetAssetTag(), held[0].GetHold().GetReason(), liftedBy(held[0].GetHold())))
	}
	return "", errs.New(errs.NotFound, "NOT_FOUND", u.GetAssetTag()+" has no open hold")
}
