package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func newOrdersRecordCmd(a *app) *cobra.Command {
	var by, at string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "record ORDER FILE",
		Short: "record what happened in an order, from a YAML or JSON file: all of it or none",
		Long: `FILE ('-' for standard input) holds 'events:', a list of OrderEvents of proto/strandline/history/v1/order.proto, as YAML or JSON:

  events:
    - {occurredTime: 2026-06-05T09:30:00Z, stepDone: {step: identify}}
    - occurredTime: 2026-06-05T09:50:00Z
      testMade: {step: hold, test: holds-air, readings: [{name: watched, quantity: 4 min}, {name: firm, yes: true}]}

A quantity is written as 135 psi gauge or 4 min, a technician or a lot by its id, an instrument by its tag. What an event does not state is
taken from --by and --at; those that share --at are kept in the order of the file, a microsecond apart. An event without eventId gets one
that follows from what it says, so the same file sent again is the same events.

A test is judged at once. If it does not pass, the unit is pulled, and the set it is fitted to. The exit code is 0 all the same: it is
recorded.`,
		Example: `  strandline orders record GB-BCD-021 morning.yaml --by mara
  strandline orders record GB-BCD-021 - --by mara --at "2026-06-05 09:30" < morning.yaml
  strandline orders record GB-BCD-021 morning.yaml --dry-run`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				f, err := a.orderFile(ctx, c, args[0], by, at)
				if err != nil {
					return err
				}
				events, err := a.readEvents(ctx, c, args[1], f)
				if err != nil {
					return err
				}
				r, err := c.Orders.RecordWork(ctx, &historypb.RecordWorkRequest{Name: f.order, Events: events, ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				if !dryRun {
					c.wrote(r.GetPosition())
				}
				if a.json() {
					return a.printJSON(r)
				}
				if dryRun {
					a.talkf("Dry run: everything is in order, nothing was written. Without --dry-run:")
				}
				a.printf("%s of order %s recorded; it is %s.\n", plural(int64(len(events)), "event"), lastID(f.order), orderStateWord(r.GetOrder().GetState()))
				a.printTests(r.GetOrder().GetEvents(), nil)
				if !dryRun {
					a.tellUnit(ctx, c, r.GetOrder().GetUnit(), r.GetPosition())
				}
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&by, "by", "", "`id` of the technician, for events that state none")
	cmd.Flags().StringVar(&at, "at", "", "the `instant`, for events that state none (default now, for a single event)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check and judge everything, write nothing")
	return cmd
}

// orderFile returns how a file of an order's events is read.
func (a *app) orderFile(ctx context.Context, c *clients, what, by, at string) (f orderFile, err error) {
	f = orderFile{by: c.technician(by), now: a.clk.Now()}
	if f.order, err = c.order(ctx, what); err != nil {
		return f, err
	}
	f.at, err = c.instant(ctx, "at", at, "", dayStart)
	return f, err
}

// printTests prints what tests came to, and why.
func (a *app) printTests(events []*historypb.OrderEvent, show func(*historypb.OrderEvent) string) {
	for _, e := range events {
		m := e.GetTestMade()
		if m == nil {
			continue
		}
		when := ""
		if show != nil {
			when = show(e) + "  "
		}
		a.paragraph(a.out, "", fmt.Sprintf("%s%s in %s: %s", when, m.GetTest(), m.GetStep(), verdictWord(m.GetJudgement().GetVerdict())))
		for _, r := range m.GetJudgement().GetReasons() {
			a.paragraph(a.out, "  ", r)
		}
		for _, r := range m.GetJudgement().GetResults() {
			a.paragraph(a.out, "  ", r.GetSentence())
		}
	}
}
