package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/type/date"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func newWaiversCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "waivers",
		Short: "signed exceptions: for a time, a rule's limits do not block a unit",
		Long: `A waiver excuses one unit from the limits of one rule, from a first to a last day at the unit's shop. Somebody signs for it and says why.
It never excuses from law, from the end of a unit's life, from missing history or from a hold. What is waived is still counted and
still listed as due.`,
		Args: noSuchCommand,
		RunE: needsCommand,
	}
	cmd.AddCommand(newWaiversGrantCmd(a), newWaiversRevokeCmd(a), newWaiversListCmd(a))
	return cmd
}

func newWaiversGrantCmd(a *app) *cobra.Command {
	var rule, signer, reason, from, until string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "grant TAG",
		Short: "excuse a unit from a rule for a time",
		Long: `The rule is named as PACK/RULE ('strandline rules show PACK' lists them). The first day is today unless --from says a later one, and the
last is at most 366 days after it; both are days at the unit's shop. A waiver is of one unit: one of a set does not excuse its
parts. It cannot be changed, only revoked.`,
		Example: `  strandline waivers grant GB-REG-014 --rule house/overhaul --signer "A. Keeper" --reason "kit on order" --until 2026-07-15
  strandline waivers grant GB-REG-014 --rule house/overhaul --signer "A. Keeper" --reason "kit on order" --until 2026-07-15 --dry-run`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			start, err := parseDay("from", from)
			if err != nil {
				return err
			}
			end, err := parseDay("until", until)
			if err != nil {
				return err
			}
			return a.withUnit(cmd.Context(), args[0], func(ctx context.Context, c *clients, u *registrypb.Unit) error {
				name, err := c.rule(rule)
				if err != nil {
					return err
				}
				r, err := c.Compliance.GrantWaiver(ctx, &compliancepb.GrantWaiverRequest{
					Parent: u.GetName(), WaiverId: newID(), RequestId: newID(), ValidateOnly: dryRun,
					Waiver: &compliancepb.Waiver{Rule: name, Signer: signer, Reason: reason, StartDate: start, EndDate: end},
				})
				if err != nil {
					return err
				}
				w := r.GetWaiver()
				if err := a.told(c, r.GetPosition(), dryRun, w, "%s is excused from %s from %s to %s, signed by %s.", u.GetAssetTag(), packAndRule(w.GetRule()), showDate(w.GetStartDate()), showDate(w.GetEndDate()), w.GetSigner()); err != nil {
					return err
				}
				a.talkf("Caution: law cannot be waived, and the maker's manual still stands: the waiver says who answers for it, not that the unit is safe.")
				if dryRun || a.json() {
					return nil
				}
				return a.afterWaiver(ctx, c, u, w, r)
			})
		},
	}
	cmd.Flags().StringVar(&rule, "rule", "", "`PACK/RULE` that is waived")
	cmd.Flags().StringVar(&signer, "signer", "", "`who` signs for it")
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence")
	cmd.Flags().StringVar(&until, "until", "", "last `day`, at the unit's shop")
	cmd.Flags().StringVar(&from, "from", "", "first `day`, at the unit's shop (default today)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "rule", "signer", "reason", "until")
	return cmd
}

// afterWaiver says what a waiver did for its unit: whether it may be handed out now, and what still stands against it.
func (a *app) afterWaiver(ctx context.Context, c *clients, u *registrypb.Unit, w *compliancepb.Waiver, r *compliancepb.GrantWaiverResponse) error {
	got, err := c.Compliance.GetStanding(ctx, &compliancepb.GetStandingRequest{Unit: u.GetName(), AtLeast: r.GetPosition()})
	if err != nil {
		return err
	}
	s := got.GetStanding()
	runs := false
	for _, k := range s.GetClocks() {
		runs = runs || k.GetUnit() == u.GetName() && k.GetRule() == w.GetRule()
	}
	if !runs {
		a.printf("That rule does not run on %s now: the waiver excuses it from nothing as things are.\n", u.GetAssetTag())
	}
	if s.GetMayHandOut() {
		a.printf("It may be handed out.\n")
		return nil
	}
	a.printf("It may not be handed out now:\n")
	v := standingView{a: a, s: s, tags: c.tags(ctx, s.GetParts())}
	for _, reason := range s.GetReasons() {
		a.paragraph(a.out, "  ", v.sentence(reason))
	}
	return nil
}

func newWaiversRevokeCmd(a *app) *cobra.Command {
	var reason, waiver string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "revoke TAG",
		Short: "end a waiver now",
		Long:  `From today on, at the unit's shop, the unit is not excused any more. The waiver stays on record with who revoked it and why.`,
		Example: `  strandline waivers revoke GB-REG-014 --reason "the kit came"
  strandline waivers revoke GB-REG-014 --waiver 0197a0f2-1c7e-7b11-9f2a-5d0c3e8b6a41 --reason "granted twice"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withUnit(cmd.Context(), args[0], func(ctx context.Context, c *clients, u *registrypb.Unit) error {
				name, err := c.waiverToRevoke(ctx, u, waiver)
				if err != nil {
					return err
				}
				r, err := c.Compliance.RevokeWaiver(ctx, &compliancepb.RevokeWaiverRequest{Name: name, Reason: reason, RequestId: newID(), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				return a.told(c, r.GetPosition(), dryRun, r.GetWaiver(), "%s is not excused from %s any more.", u.GetAssetTag(), packAndRule(r.GetWaiver().GetRule()))
			})
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence")
	cmd.Flags().StringVar(&waiver, "waiver", "", "`id` of the waiver, when the unit has several")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "reason")
	return cmd
}

// waiverToRevoke returns the name of the waiver that is meant: the one asked for, or the only one that stands.
func (c *clients) waiverToRevoke(ctx context.Context, u *registrypb.Unit, id string) (string, error) {
	if strings.HasPrefix(id, "orgs/") {
		return id, nil
	}
	if id != "" {
		return u.GetName() + "/waivers/" + id, nil
	}
	standing, err := c.waivers(ctx, &compliancepb.ListWaiversRequest{Parent: u.GetName()}, 0)
	if err != nil {
		return "", err
	}
	switch len(standing) {
	case 0:
		return "", errs.New(errs.NotFound, "NOT_FOUND", u.GetAssetTag()+" has no waiver that stands")
	case 1:
		return standing[0].GetName(), nil
	}
	lines := []string{u.GetAssetTag() + " has several waivers; say which:"}
	for _, w := range standing {
		lines = append(lines, fmt.Sprintf("  --waiver %s  %s, %s to %s", lastID(w.GetName()), packAndRule(w.GetRule()), showDate(w.GetStartDate()), showDate(w.GetEndDate())))
	}
	return "", &usageError{msg: strings.Join(lines, "\n"), quiet: true}
}

func newWaiversListCmd(a *app) *cobra.Command {
	var all bool
	var m moments
	var limit int
	cmd := &cobra.Command{
		Use:   "list [TAG]",
		Short: "waivers that stand or are yet to begin, the last granted first",
		Long: `With --as-of the waivers that stood at that instant, or were yet to begin; --all adds those that had ended by then. With --as-known
only what was recorded by then counts: a revocation that came later does not show.`,
		Example: `  strandline waivers list
  strandline waivers list GB-REG-014 --all
  strandline waivers list --as-of 2026-06-01 --as-known 2026-06-01`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req := &compliancepb.ListWaiversRequest{Parent: c.Org.Name() + "/units/-", IncludeEnded: all}
				zoneShop := ""
				if len(args) > 0 {
					u, err := c.unit(ctx, args[0])
					if err != nil {
						return err
					}
					req.Parent, zoneShop = u.GetName(), u.GetShop()
				}
				var err error
				if req.Instant, req.KnownTime, err = m.read(ctx, c, zoneShop); err != nil {
					return err
				}
				waivers, err := c.waivers(ctx, req, limit)
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, waivers)
				}
				names := make([]string, len(waivers))
				for i, w := range waivers {
					names[i] = unitOf(w.GetName())
				}
				a.table(waiverTable(waivers, c.tags(ctx, names)), "No waivers.")
				return nil
			})
		},
	}
	m.flags(cmd, "", "")
	cmd.Flags().BoolVar(&all, "all", false, "also waivers that have ended or were revoked")
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many`; 0 for all")
	return cmd
}

// waivers reads a list of waivers, every page of it.
func (c *clients) waivers(ctx context.Context, req *compliancepb.ListWaiversRequest, limit int) ([]*compliancepb.Waiver, error) {
	return pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*compliancepb.Waiver, string, error) {
		req.PageSize, req.PageToken = size, token
		r, err := c.Compliance.ListWaivers(ctx, req)
		return r.GetWaivers(), r.GetNextPageToken(), err
	})
}

func waiverTable(waivers []*compliancepb.Waiver, tags map[string]string) *table {
	t := newTable("tag", "rule", "from", "to", "~signed by", "~reason", "granted", "revoked", "~why", "waiver")
	for _, w := range waivers {
		t.row(tags[unitOf(w.GetName())], packAndRule(w.GetRule()), showDate(w.GetStartDate()), showDate(w.GetEndDate()), w.GetSigner(), w.GetReason(), showInstant(w.GetGrantTime(), nil),
			showInstant(w.GetRevokeTime(), nil), w.GetRevokeReason(), lastID(w.GetName()))
	}
	return t
}

// rule returns the full name of a rule given as PACK/RULE or by its full name.
func (c *clients) rule(what string) (string, error) {
	if strings.HasPrefix(what, "orgs/") {
		return what, nil
	}
	pack, rule, ok := strings.Cut(what, "/")
	if !ok || pack == "" || rule == "" || strings.Contains(rule, "/") {
		return "", usagef("--rule %q: want PACK/RULE such as house/overhaul; 'strandline rules list' and 'rules show PACK' say which there are", what)
	}
	return c.rulePack(pack) + "/rules/" + rule, nil
}

// packAndRule is what people call a rule: PACK/RULE.
func packAndRule(name string) string {
	pack, rule, _ := strings.Cut(name, "/rules/")
	return lastID(pack) + "/" + rule
}

// parseDay reads a whole date; nil for empty text.
func parseDay(flag, text string) (*date.Date, error) {
	d, err := parseMark(flag, text)
	if err == nil && d != nil && d.GetDay() == 0 {
		return nil, usagef("--%s %q: want a day such as 2026-06-05", flag, text)
	}
	return d, err
}
