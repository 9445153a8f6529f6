package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// handOutCaution stands beside every hand-out.
const handOutCaution = "Caution: the gate knows what was recorded. It replaces neither the checks that the maker's manual asks for before each dive nor local law; what fails them stays here."

func newHandoutCmd(a *app) *cobra.Command {
	var id string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "handout WHAT...",
		Short: "hand out what is promised, through the gate: all of it, or none",
		Long: whichHelp + `

The gate makes sure first that everything is known that registry and history hold for the org up to now, and then that every unit, with all that is
fitted to it, may be used through its window. What it refuses is listed reason by reason with what clears it, and the exit code is 14.

Where it cannot be sure it stays shut, and the exit code is 6: 'strandline paper' then prints what was safe when it last knew.`,
		Example: `  strandline handout R-1041
  strandline handout GB-REG-014 GB-BCD-021
  strandline handout R-1041 --dry-run`,
		Args:        some,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			a.alone = true
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				all, err := c.chosen(ctx, args, compliancepb.Allocation_STATE_HELD, compliancepb.Allocation_STATE_CONFIRMED)
				if err != nil {
					return err
				}
				r, err := c.Availability.HandOutUnits(ctx, &compliancepb.HandOutUnitsRequest{Parent: c.Org.Name(), Allocations: setOf(all), RequestId: requestID(id, dryRun), ValidateOnly: dryRun})
				if err != nil {
					return a.refused(err, "It may not be handed out, so nothing was:")
				}
				if !dryRun {
					c.wrote(r.GetPosition())
				}
				if a.json() {
					return printList(a, r.GetAllocations(), "cautions", append([]string{}, r.GetCautions()...), "position", r.GetPosition())
				}
				if dryRun {
					a.talkf("Dry run: the gate would let them through, nothing was written. Without --dry-run:")
				}
				a.printf("%s handed out. The gate had seen %d changes of the registry and %d entries of the ledger.\n", plural(int64(len(r.GetAllocations())), "unit"), r.GetPosition().GetRegistry(), r.GetPosition().GetHistory())
				a.printAllocations(c.zones(ctx), r.GetAllocations())
				if len(r.GetCautions()) > 0 {
					a.printf("\nCautions\n")
					for _, text := range r.GetCautions() {
						a.paragraph(a.out, "  ", text)
					}
				}
				a.talkf("%s", handOutCaution)
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&id, "id", "", "`UUID` of the request, so that a repeat gives the first answer (default a new one)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "ask the gate, write nothing")
	return cmd
}

func newPaperCmd(a *app) *cobra.Command {
	var shop string
	cmd := &cobra.Command{
		Use:   "paper",
		Short: "what was safe at a shop when compliance last knew, to be printed for a counter whose gate is shut",
		Long: `The list says until when everything is in it; of what happened later it knows nothing. It asks no service but compliance: with --org or a token, it comes
while the others are down.

What is written on it by hand is recorded when the gate opens again, before anything else is handed out: with 'strandline allocations allocate
--want @TAG' from when it went out, and 'strandline handout'. What the gate refuses then must not be dived with: call it back, and record the dives
that were made with 'strandline log usage'.`,
		Example: `  strandline paper --shop lagoon
  strandline paper --shop lagoon --org reefline > lagoon.txt`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			a.alone = true
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Availability.GetPaperList(ctx, &compliancepb.GetPaperListRequest{Shop: c.shop(shop)})
				if err != nil {
					return err
				}
				if a.json() {
					return a.printJSON(r.GetList())
				}
				fmt.Fprint(a.out, withEnd(r.GetList().GetText()))
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&shop, "shop", "", "the `shop`")
	required(cmd, "shop")
	return cmd
}

// withEnd ends a text with a line end.
func withEnd(text string) string {
	if len(text) > 0 && text[len(text)-1] != '\n' {
		return text + "\n"
	}
	return text
}
