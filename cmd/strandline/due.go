package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/civil"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newDueCmd(a *app) *cobra.Command {
	var shop, kind, by string
	var m moments
	var horizon, limit int
	var code bool
	cmd := &cobra.Command{
		Use:   "due",
		Short: "what is overdue or will be due, soonest first",
		Long: `By date: every rule whose last day of use has passed or comes within the horizon. By usage: every rule whose dives, hours
or fills are used up, nearly so, or expected to be within the horizon at the unit's present rate.

A part that is fitted to a set is listed with the set's tag: the set is due with it.

With --as-known only what was recorded by then counts: the list that could be made on that day, not the one that is right
for it now.`,
		Example: `  strandline due --horizon 30
  strandline due --by usage --shop lagoon
  strandline due --horizon 0 --exit-code || echo "something is overdue"
  strandline due --as-of 2026-06-01 --output json
  strandline due --as-of 2026-06-01 --as-known 2026-06-01`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			kinds, err := limitKinds(by)
			if err != nil {
				return err
			}
			if horizon < 0 || horizon > 3650 {
				return usagef("--horizon %d: want 0 to 3650 days", horizon)
			}
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			req := &compliancepb.ListDueRequest{Parent: c.Org.Name(), Shop: c.shop(shop), Kind: kind, HorizonDays: int32(horizon)}
			if req.Instant, req.KnownTime, err = m.read(ctx, c, req.GetShop()); err != nil {
				return err
			}
			if req.AtLeast, err = c.atLeast(ctx); err != nil {
				return err
			}
			m.tell(ctx, a, c, req.GetShop(), req.GetInstant(), req.GetKnownTime())
			at := a.clk.Now()
			if req.GetInstant() != nil {
				at = req.GetInstant().AsTime()
			}
			var all []*compliancepb.DueItem
			overdue := 0
			for i, k := range kinds {
				req.LimitKind = k
				items, err := c.due(ctx, req, limit)
				if err != nil {
					return err
				}
				for _, it := range items {
					if it.GetClock().GetBlocking() {
						overdue++
					}
				}
				all = append(all, items...)
				if !a.json() {
					if i > 0 {
						a.printf("\n")
					}
					a.printDue(k, items, horizon, at)
				}
			}
			if a.json() {
				if err := printList(a, all, "overdueCount", overdue); err != nil {
					return err
				}
			}
			if code && overdue > 0 {
				return exitError{code: exitOverdue}
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&shop, "shop", "", "only units at this `shop`")
	cmd.Flags().StringVar(&kind, "kind", "", "only this `kind`")
	cmd.Flags().IntVar(&horizon, "horizon", 30, "`days` ahead; 0 for what is due already (default 30)")
	cmd.Flags().StringVar(&by, "by", "", "`date` or usage; both without it")
	m.flags(cmd, "", "")
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many` of each; 0 for all")
	cmd.Flags().BoolVar(&code, "exit-code", false, "end with exit code 10 when something is past its limit")
	return cmd
}

// due reads a due list, every page of it.
func (c *clients) due(ctx context.Context, req *compliancepb.ListDueRequest, limit int) ([]*compliancepb.DueItem, error) {
	return pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*compliancepb.DueItem, string, error) {
		req.PageSize, req.PageToken = size, token
		r, err := c.Compliance.ListDue(ctx, req)
		return r.GetItems(), r.GetNextPageToken(), err
	})
}

func limitKinds(by string) ([]compliancepb.LimitKind, error) {
	switch by {
	case "":
		return []compliancepb.LimitKind{compliancepb.LimitKind_LIMIT_KIND_DATE, compliancepb.LimitKind_LIMIT_KIND_USAGE}, nil
	case "date":
		return []compliancepb.LimitKind{compliancepb.LimitKind_LIMIT_KIND_DATE}, nil
	case "usage":
		return []compliancepb.LimitKind{compliancepb.LimitKind_LIMIT_KIND_USAGE}, nil
	}
	return nil, usagef("--by %q: want date or usage", by)
}

// expectedWord is when a usage limit is expected to be reached. A day that has passed already says that it may be any day.
func expectedWord(c *compliancepb.Clock, at time.Time) string {
	d := c.GetExpectedDate()
	if d == nil || c.GetBlocking() || civil.New(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay())) > civil.In(at, time.UTC) {
		return showDate(d)
	}
	return "any day"
}

// printDue prints one due list for people, as of an instant.
func (a *app) printDue(k compliancepb.LimitKind, items []*compliancepb.DueItem, horizon int, at time.Time) {
	title := "By date"
	t := newTable("last day", "state", "tag", "part of", "kind", "shop", "activity", "limit", "by")
	if k == compliancepb.LimitKind_LIMIT_KIND_USAGE {
		title = "By usage"
		t = newTable("left", "state", "expected", "tag", "part of", "kind", "shop", "activity", "limit", "by")
	}
	blocked := 0
	for _, it := range items {
		c := it.GetClock()
		state := clockState(c)
		if c.GetBlocking() {
			blocked++
		}
		activity := c.GetActivity()
		if c.GetEndOfLife() {
			activity = "end of life"
		}
		rest := []string{it.GetAssetTag(), it.GetHostTag(), it.GetKind(), lastID(it.GetShop()), activity, limitWord(c.GetLimit()), authorityWord(c.GetAuthority())}
		if k == compliancepb.LimitKind_LIMIT_KIND_USAGE {
			t.row(append([]string{leftWord(c), state, expectedWord(c, at)}, rest...)...)
		} else {
			t.row(append([]string{showDate(c.GetDueDate()), state}, rest...)...)
		}
	}
	switch {
	case len(items) == 0 && horizon > 0:
		a.printf("%s: nothing is due, or will be within %s\n", title, plural(int64(horizon), "day"))
		return
	case len(items) == 0:
		a.printf("%s: nothing is due\n", title)
		return
	case blocked > 0:
		a.printf("%s: %d, of which %d past the limit (*)\n", title, len(items), blocked)
	default:
		a.printf("%s: %d\n", title, len(items))
	}
	t.write(a.out, "  ", a.columns)
}
