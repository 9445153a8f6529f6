package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newAllocationsListCmd(a *app) *cobra.Command {
	var shop, unit, group, reference, from, before string
	var states []string
	var conflicts, all bool
	var limit int
	cmd := &cobra.Command{
		Use:   "list",
		Short: "what is promised and what is out, by the start of the window",
		Example: `  strandline allocations list --shop lagoon --from 2026-06-05 --before 2026-06-06
  strandline allocations list --in-conflict
  strandline allocations list --unit GB-BCD-021 --all`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			req := &compliancepb.ListAllocationsRequest{Group: group, InConflict: conflicts}
			for _, s := range states {
				state, ok := allocationStates[s]
				if !ok {
					return usagef("--state %q: want %s", s, orList(sortedKeys(allocationStates)))
				}
				req.States = append(req.States, state)
			}
			if all && len(states) > 0 {
				return usagef("--all and --state do not go together")
			}
			if all {
				req.States = append(slices.Clone(live), compliancepb.Allocation_STATE_RETURNED, compliancepb.Allocation_STATE_RELEASED, compliancepb.Allocation_STATE_EXPIRED)
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req.Shop = c.shop(shop)
				if unit != "" {
					u, err := c.unit(ctx, unit)
					if err != nil {
						return err
					}
					req.Unit = u.GetName()
				}
				var err error
				if req.FromTime, err = c.instant(ctx, "from", from, req.GetShop(), dayStart); err != nil {
					return err
				}
				if req.BeforeTime, err = c.instant(ctx, "before", before, req.GetShop(), dayStart); err != nil {
					return err
				}
				if req.AtLeast, err = c.atLeast(ctx); err != nil {
					return err
				}
				most := limit
				if reference != "" {
					most = 0 // looked for here
				}
				found, err := c.listAllocations(ctx, req, most)
				if err != nil {
					return err
				}
				if reference != "" {
					found = slices.DeleteFunc(found, func(f *compliancepb.Allocation) bool { return f.GetReference() != reference })
					if limit > 0 {
						found = found[:min(limit, len(found))]
					}
				}
				if a.json() {
					return printList(a, found)
				}
				if len(found) == 0 {
					a.talkf("No allocations.")
				}
				a.printAllocations(c.zones(ctx), found)
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&shop, "shop", "", "only of this `shop`")
	cmd.Flags().StringVar(&unit, "unit", "", "only of the unit with this `tag`")
	cmd.Flags().StringVar(&group, "group", "", "only of the group with this `UUID`")
	cmd.Flags().StringVar(&reference, "reference", "", "only with this `reference`")
	cmd.Flags().StringVar(&from, "from", "", "only those whose window reaches beyond this `instant`")
	cmd.Flags().StringVar(&before, "before", "", "only those whose window begins before this `instant`")
	cmd.Flags().StringSliceVar(&states, "state", nil, "only in these `states`: held, confirmed, out, returned, released, expired (default the first three)")
	cmd.Flags().BoolVar(&conflicts, "in-conflict", false, "only promises that cannot be kept as things are")
	cmd.Flags().BoolVar(&all, "all", false, "in every state")
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many`; 0 for all")
	return cmd
}

func newAllocationsShowCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "show WHAT",
		Short: "allocations whole: units they had before, conflicts, what the return recorded",
		Long:  whichHelp,
		Example: `  strandline allocations show GB-BCD-021
  strandline allocations show R-1041`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				found, err := c.chosen(ctx, args, live...)
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, found)
				}
				z := c.zones(ctx)
				for i, f := range found {
					if i > 0 {
						a.printf("\n")
					}
					a.printAllocation(z, f)
				}
				return nil
			})
		},
	}
	return cmd
}

// printAllocation prints everything that an allocation says.
func (a *app) printAllocation(z *zones, f *compliancepb.Allocation) {
	loc := z.of(f.GetShop())
	head := []string{f.GetAssetTag(), f.GetKind()}
	if f.GetSize() != "" {
		head = append(head, f.GetSize())
	}
	a.paragraph(a.out, "", fmt.Sprintf("%s at %s: %s", strings.Join(head, ", "), lastID(f.GetShop()), allocationWord(f.GetState())))
	say := func(format string, args ...any) { a.paragraph(a.out, "  ", fmt.Sprintf(format, args...)) }
	say("From %s to %s.", showInstant(f.GetStartTime(), loc), showInstant(f.GetEndTime(), loc))
	if expected := amountWords(f.GetExpectedDives(), showRunning(f.GetExpectedRunningTime()), f.GetExpectedFills()); expected != "" {
		say("Expected: %s.", expected)
	}
	if f.GetReference() != "" {
		say("Reference %s.", f.GetReference())
	}
	if f.GetPinned() {
		say("This very unit was asked for.")
	}
	say("Made %s by %s.", showInstant(f.GetCreateTime(), loc), f.GetCreator())
	if f.GetState() == compliancepb.Allocation_STATE_HELD {
		say("Held until %s.", showInstant(f.GetExpireTime(), loc))
	}
	if f.GetConfirmTime() != nil {
		say("Confirmed %s.", showInstant(f.GetConfirmTime(), loc))
	}
	for _, s := range f.GetSubstitutions() {
		by := ""
		if s.GetActor() != "" {
			by = " by " + s.GetActor()
		}
		say("Had %s until %s, changed%s: %s", s.GetAssetTag(), showInstant(s.GetSubstituteTime(), loc), by, orWord(s.GetReason(), "no reason given."))
	}
	if f.GetHandOutTime() != nil {
		p := f.GetHandOutPosition()
		say("Handed out %s by %s; the gate had seen %d changes of the registry and %d entries of the ledger.", showInstant(f.GetHandOutTime(), loc), f.GetHander(), p.GetRegistry(), p.GetHistory())
	}
	if f.GetFinishTime() != nil {
		by := ""
		if f.GetFinisher() != "" {
			by = " by " + f.GetFinisher()
		}
		say("%s %s%s.%s", strings.ToUpper(allocationWord(f.GetState())[:1])+allocationWord(f.GetState())[1:], showInstant(f.GetFinishTime(), loc), by, strings.TrimRight(" "+f.GetFinishReason(), " "))
	}
	if n := len(f.GetEntries()); n > 0 {
		say("Its return made %s of the ledger; 'strandline history %s' shows them.", entriesWord(int64(n)), f.GetAssetTag())
	}
	for _, c := range f.GetConflicts() {
		say("Cannot be kept, known since %s: %s", showInstant(c.GetKnownTime(), loc), c.GetReason().GetSentence())
		if c.GetReason().GetClears() != "" {
			a.paragraph(a.out, "    ", "clears: "+c.GetReason().GetClears())
		}
	}
	say("Allocation %s, outfit %d of group %s.", lastID(f.GetName()), f.GetOutfit(), f.GetGroup())
}
