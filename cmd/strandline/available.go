package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"google.golang.org/protobuf/proto"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newAvailableCmd(a *app) *cobra.Command {
	var q outfitQuestion
	var kind, size, shop, from, to, running string
	var dives, fills int64
	var gains bool
	cmd := &cobra.Command{
		Use:   "available",
		Short: "which units or whole outfits may be promised for a window, and why the others may not",
		Long: `Lists the units that match, those that may be promised first; for every other one, each reason. With --explain it says what would be gained where one
hold or one service were cleared.

With --want it is asked for whole outfits instead: how many of them each shop has for the window, and with --alternatives what else could be done.

` + outfitHelp + `

Days and times without a zone are by the clock of the shop; without --shop, by the clock of each.

It is advice for planning: 'strandline allocations allocate' promises, and the gate at 'strandline handout' decides.`,
		Example: `  strandline available --kind bcd --size M --shop lagoon --from 2026-06-05 --to 2026-06-07 --dives 4
  strandline available --kind regulator-set --from 2026-06-05 --to 2026-06-07 --explain
  strandline available --want "regulator-set, bcd:M, 2 cylinder:12 L" --divers 12 --dives-per-day 2 --shop lagoon \
    --from "2026-06-05 09:00" --to "2026-06-05 17:00" --alternatives
  strandline available --kind cylinder --from 2026-06-05T09:00:00+02:00 --to 2026-06-05T18:00:00+02:00 --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			expected, err := parseRunning("running-time", running)
			if err != nil {
				return err
			}
			if err := q.check(cmd); err != nil {
				return err
			}
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			at, err := c.atLeast(ctx)
			if err != nil {
				return err
			}
			shops, err := c.shopsApart(ctx, c.shop(shop), from, to)
			if err != nil {
				return err
			}
			reqs := make([]*compliancepb.SearchAvailabilityRequest, len(shops))
			for i, s := range shops {
				req := &compliancepb.SearchAvailabilityRequest{
					Parent: c.Org.Name(), Kind: kind, Size: size, Shop: s, ExpectedDives: dives, ExpectedFills: fills, ExpectedRunningTime: expected, Explain: gains, AtLeast: at,
				}
				if req.StartTime, err = c.instant(ctx, "from", from, s, dayStart); err != nil {
					return err
				}
				if req.EndTime, err = c.instant(ctx, "to", to, s, dayEnd); err != nil {
					return err
				}
				reqs[i] = req
			}
			if q.asked() {
				return a.availableOutfits(ctx, c, &q, reqs)
			}
			units, last, err := c.availableAt(ctx, reqs)
			if err != nil {
				return err
			}
			if a.json() {
				more := []any{"availableCount", last.GetAvailableCount(), "unavailableCount", last.GetUnavailableCount()}
				if gains {
					if more, err = withMessages(more, "gains", last.GetGains()); err != nil {
						return err
					}
				}
				return printList(a, units, more...)
			}
			if len(units) == 0 {
				a.printf("No unit is of this kind, size and shop; 'strandline unit list' says which there are.\n")
				return nil
			}
			a.printf("%d may be promised, %d may not\n", last.GetAvailableCount(), last.GetUnavailableCount())
			a.printAvailable(units)
			if gains {
				a.printGains(last.GetGains())
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&kind, "kind", "", "`kind` of equipment; every kind without it")
	cmd.Flags().StringVar(&size, "size", "", "`size`; any without it")
	cmd.Flags().StringVar(&shop, "shop", "", "`shop`; any without it")
	cmd.Flags().StringVar(&from, "from", "", "hand-out at this `instant`")
	cmd.Flags().StringVar(&to, "to", "", "return at this `instant`; a day alone means its end")
	cmd.Flags().Int64Var(&dives, "dives", 0, "`number` of dives expected")
	cmd.Flags().StringVar(&running, "running-time", "", "running `time` expected")
	cmd.Flags().Int64Var(&fills, "fills", 0, "`number` of fills expected")
	cmd.Flags().BoolVar(&gains, "explain", false, "also say how many more there would be if one hold or service were cleared")
	q.flags(cmd)
	required(cmd, "from", "to")
	return cmd
}

// available reads an availability search, every page of it, and the last page for its counts.
func (c *clients) available(ctx context.Context, req *compliancepb.SearchAvailabilityRequest) (units []*compliancepb.UnitAvailability, last *compliancepb.SearchAvailabilityResponse, err error) {
	req = proto.Clone(req).(*compliancepb.SearchAvailabilityRequest)
	units, err = pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*compliancepb.UnitAvailability, string, error) {
		req.PageSize, req.PageToken = size, token
		r, err := c.Availability.SearchAvailability(ctx, req)
		if err == nil {
			last = r
		}
		return r.GetUnits(), r.GetNextPageToken(), err
	})
	return units, last, err
}

func (a *app) printAvailable(units []*compliancepb.UnitAvailability) {
	if len(units) == 0 {
		return
	}
	t := newTable("", "tag", "kind", "size", "shop", "~why not")
	for _, u := range units {
		mark := "yes"
		if !u.GetAvailable() {
			mark = "no"
		}
		var why []string // parts of one set often have the same reason
		for _, r := range u.GetReasons() {
			if !slices.Contains(why, r.GetSentence()) {
				why = append(why, r.GetSentence())
			}
		}
		t.row(mark, u.GetAssetTag(), u.GetKind(), u.GetSize(), lastID(u.GetShop()), strings.Join(why[:min(1, len(why))], ""))
		for _, sentence := range why[min(1, len(why)):] {
			t.row("", "", "", "", "", sentence)
		}
	}
	t.write(a.out, "  ", a.columns)
}

func newSummaryCmd(a *app) *cobra.Command {
	var m moments
	var horizon int
	var kinds bool
	cmd := &cobra.Command{
		Use:   "summary",
		Short: "how many units each shop has ready, pulled, overdue and due",
		Example: `  strandline summary
  strandline summary --kinds --horizon 60
  strandline summary --as-of 2026-06-01 --as-known 2026-06-01`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if horizon < 1 || horizon > 3650 {
				return usagef("--horizon %d: want 1 to 3650 days", horizon)
			}
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			req := &compliancepb.SummarizeFleetRequest{Parent: c.Org.Name(), HorizonDays: int32(horizon)}
			if req.Instant, req.KnownTime, err = m.read(ctx, c, ""); err != nil {
				return err
			}
			if req.AtLeast, err = c.atLeast(ctx); err != nil {
				return err
			}
			r, err := c.Compliance.SummarizeFleet(ctx, req)
			if err != nil {
				return err
			}
			if a.json() {
				return a.printJSON(r)
			}
			m.tell(ctx, a, c, "", req.GetInstant(), req.GetKnownTime())
			a.printSummary(r, horizon, kinds)
			return nil
		},
	}
	m.flags(cmd, "", "")
	cmd.Flags().IntVar(&horizon, "horizon", 30, "`days` ahead for what will be due (default 30)")
	cmd.Flags().BoolVar(&kinds, "kinds", false, "also by kind of equipment")
	return cmd
}

func (a *app) printSummary(r *compliancepb.SummarizeFleetResponse, horizon int, kinds bool) {
	t := newTable("shop", "kind", ">units", ">ready", ">fitted", ">pulled", ">overdue", ">used up", fmt.Sprintf(">due in %d d", horizon))
	add := func(shop, kind string, n *compliancepb.FleetCounts) {
		t.row(shop, kind, fmt.Sprint(n.GetUnits()), fmt.Sprint(n.GetReady()), fmt.Sprint(n.GetFitted()), fmt.Sprint(n.GetPulled()), fmt.Sprint(n.GetOverdueByDate()), fmt.Sprint(n.GetDueByUsage()), fmt.Sprint(n.GetDueWithin()))
	}
	for _, s := range append(append([]*compliancepb.ShopSummary{}, r.GetShops()...), r.GetOrg()) {
		if s == nil {
			continue
		}
		name := lastID(s.GetShop())
		if s.GetShop() == "" {
			name = "all"
		}
		add(name, "", s.GetCounts())
		if kinds {
			for _, k := range s.GetKinds() {
				add("", k.GetKind(), k.GetCounts())
			}
		}
	}
	t.write(a.out, "", a.columns)
}
