package main

import (
	"context"
	"errors"
	"io"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newNoticesCmd(a *app) *cobra.Command {
	var shop string
	var m moments
	var after int64
	var limit int
	var follow bool
	cmd := &cobra.Command{
		Use:   "notices",
		Short: "what became due soon, due, overdue or fine again",
		Long: `Each change is told once, under a number of its own: when time makes it, from the beginning of a day at the shop; when something
recorded makes it, from when that became known. After an outage everything that happened meanwhile is told in its order.

What a unit is like when it is first seen is no notice, and neither is what becomes of it in the hour after: 'strandline due' has
all that is due.

With --as-of only what had changed by that instant, and with --as-known only what had been told by then.

With --follow the command goes on and prints notices as they come, until it is stopped. To go on later without a gap or a repeat, pass
the last number with --after.`,
		Example: `  strandline notices --shop lagoon
  strandline notices --after 120 --output json
  strandline notices --as-of 2026-06-01
  strandline notices --follow --after 120`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if after < 0 {
				return usagef("--after %d: want 0 or the number of a notice", after)
			}
			if follow && limit != 0 {
				return usagef("--follow and --limit do not go together")
			}
			if follow && m.given() {
				return usagef("--follow goes without --as-of and --as-known: it prints what is yet to come")
			}
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			if follow {
				return a.followNotices(cmd.Context(), c, &compliancepb.FollowNoticesRequest{Parent: c.Org.Name(), After: after, Shop: c.shop(shop)})
			}
			req := &compliancepb.ListNoticesRequest{Parent: c.Org.Name(), After: after, Shop: c.shop(shop)}
			if req.Instant, req.KnownTime, err = m.read(ctx, c, req.GetShop()); err != nil {
				return err
			}
			all, err := pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*compliancepb.Notice, string, error) {
				req.PageSize, req.PageToken = size, token
				r, err := c.Compliance.ListNotices(ctx, req)
				return r.GetNotices(), r.GetNextPageToken(), err
			})
			if err != nil {
				return err
			}
			if a.json() {
				return printList(a, all)
			}
			if len(all) == 0 {
				a.printf("No notices: nothing became due soon, due, overdue or fine again since the units were first seen.\n")
				return nil
			}
			a.printNotices(all)
			return nil
		},
	}
	cmd.Flags().StringVar(&shop, "shop", "", "only of units at this `shop`")
	m.flags(cmd, "only what had changed by this `instant`", "only what had been told by this `instant`")
	cmd.Flags().Int64Var(&after, "after", 0, "only after this `number`")
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many`; 0 for all")
	cmd.Flags().BoolVar(&follow, "follow", false, "go on, and print notices as they come; one JSON document a line with --output json")
	return cmd
}

// printNotices prints notices for people.
func (a *app) printNotices(all []*compliancepb.Notice) {
	t := newTable("number", "from", "shop", "~notice")
	for _, n := range all {
		t.row(strconv.FormatInt(n.GetNumber(), 10), showDate(n.GetEffectiveDate()), lastID(n.GetShop()), noticeWord(n))
	}
	t.write(a.out, "", a.columns)
}

// noticeWord is a notice's sentence, with a mark where the unit is blocked.
func noticeWord(n *compliancepb.Notice) string {
	if n.GetBlocking() {
		return n.GetSentence() + " *"
	}
	return n.GetSentence()
}

// followNotices prints notices as they come until ctx or the stream ends.
func (a *app) followNotices(ctx context.Context, c *clients, req *compliancepb.FollowNoticesRequest) error {
	stream, err := c.Compliance.FollowNotices(ctx, req)
	if err != nil {
		return err
	}
	for {
		m, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF), ctx.Err() != nil && status.Code(err) == codes.Canceled:
			return nil // whoever asked has had enough
		case err != nil:
			return err
		}
		n := m.GetNotice()
		if !a.json() {
			a.printf("%d  %s  %s  %s\n", n.GetNumber(), showDate(n.GetEffectiveDate()), lastID(n.GetShop()), noticeWord(n))
			continue
		}
		raw, err := compact(n)
		if err != nil {
			return err
		}
		if _, err := a.out.Write(append(raw, '\n')); err != nil {
			return err
		}
	}
}

func newDigestCmd(a *app) *cobra.Command {
	var day string
	var list bool
	var limit int
	cmd := &cobra.Command{
		Use:   "digest SHOP",
		Short: "what a shop's notices of a day come to",
		Long: `A shop's digest of a day is made at 06:00 of the next day on the clock on the shop's wall. It has the shop's notices since the
digest before, and how many rules were past what they allow and due soon when the day ended. Each notice is in one digest.`,
		Example: `  strandline digest lagoon
  strandline digest lagoon --date 2026-06-05
  strandline digest lagoon --list --limit 14`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			date, err := parseMark("date", day)
			if err != nil {
				return err
			}
			if date != nil && date.GetDay() == 0 {
				return usagef("--date %q: want a day such as 2026-06-05", day)
			}
			if list && date != nil || !list && limit != 0 {
				return usagef("--list goes without --date, and --limit with --list")
			}
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			if list {
				return a.listDigests(ctx, c, c.shop(args[0]), limit)
			}
			r, err := c.Compliance.GetDigest(ctx, &compliancepb.GetDigestRequest{Shop: c.shop(args[0]), Date: date})
			if err != nil {
				return err
			}
			if a.json() {
				return a.printJSON(r.GetDigest())
			}
			d := r.GetDigest()
			a.printf("%s, %s\n", lastID(d.GetShop()), showDate(d.GetDate()))
			for _, l := range d.GetLines() {
				a.paragraph(a.out, "  ", l)
			}
			if len(d.GetNotices()) > 0 {
				a.printf("\n")
				a.printNotices(d.GetNotices())
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&day, "date", "", "the `day` (default the latest that there is)")
	cmd.Flags().BoolVar(&list, "list", false, "list the digests there are, the latest first, without their notices")
	cmd.Flags().IntVar(&limit, "limit", 0, "with --list, at most this `many`; 0 for all")
	return cmd
}

// listDigests prints the digests of a shop, the latest first.
func (a *app) listDigests(ctx context.Context, c *clients, shop string, limit int) error {
	req := &compliancepb.ListDigestsRequest{Parent: shop}
	all, err := pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*compliancepb.Digest, string, error) {
		req.PageSize, req.PageToken = size, token
		r, err := c.Compliance.ListDigests(ctx, req)
		return r.GetDigests(), r.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	if a.json() {
		return printList(a, all)
	}
	if len(all) == 0 {
		a.printf("No digests.\n")
		return nil
	}
	t := newTable("date", "past the limit", "due soon", "~since the digest before")
	for _, d := range all {
		first := ""
		if len(d.GetLines()) > 0 {
			first = d.GetLines()[0]
		}
		t.row(showDate(d.GetDate()), strconv.FormatInt(d.GetBlockingCount(), 10), strconv.FormatInt(d.GetDueSoonCount(), 10), first)
	}
	t.write(a.out, "", a.columns)
	return nil
}
