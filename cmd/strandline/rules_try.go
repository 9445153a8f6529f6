package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/type/date"

	"strandline.example/strandline/internal/civil"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// The bounds of what a report shows; JSON has all.
const (
	shownDays  = 21 // more are shown by week
	shownUnits = 25
	barWidth   = 30
)

func newRulesTryCmd(a *app) *cobra.Command {
	var id, shop string
	var m moments
	var shipped []string
	var horizon int
	cmd := &cobra.Command{
		Use:   "try [FILE]",
		Short: "what a rule pack would do to the fleet: who would be out, what is due when; writes nothing",
		Long: `FILE ('-' for standard input) is one pack as 'strandline rules publish' takes it. It is tried on the fleet as it is, as if it were
published now and in force from its effective date: how many units may be handed out before and after, what becomes due on which day,
how much bench work that is, what happens to each rule, and which units would be out from the first day, and why.

Only what the rules do counts; holds are set aside. A rule that is new or tighter lands on units that were there before it over its phase-in
(phaseIn, 90 days unless it says otherwise; a law and an end of life bind at once), so what it asks for is spread over days.`,
		Example: `  strandline rules try house.yaml
  strandline rules try house.yaml --horizon 180 --shop lagoon
  strandline rules try --shipped us-cylinders
  strandline rules try house.yaml --as-of 2026-06-01 --as-known 2026-05-01 --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			if horizon < 1 || horizon > 730 {
				return usagef("--horizon %d: want 1 to 730 days", horizon)
			}
			docs, err := a.packsOf("try", args, id, shipped)
			if err != nil {
				return err
			}
			if len(docs) != 1 {
				return usagef("%d packs or revisions: want one at a time, each on the fleet as it is; 'strandline rules try - --id ID' takes one from standard input", len(docs))
			}
			doc := docs[0]
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				if err := c.ownPack(doc); err != nil {
					return err
				}
				req := &compliancepb.TryRulePackRequest{Parent: c.Org.Name(), RulePackId: doc.ID, RulePack: doc.Message, HorizonDays: int32(horizon), Shop: c.shop(shop)}
				var err error
				if req.Instant, req.KnownTime, err = m.read(ctx, c, req.GetShop()); err != nil {
					return err
				}
				if req.AtLeast, err = c.atLeast(ctx); err != nil {
					return err
				}
				r, err := c.Compliance.TryRulePack(ctx, req)
				if err != nil {
					return err
				}
				if a.json() {
					return a.printJSON(r)
				}
				first, err := c.firstDay(ctx, req, a.clk.Now())
				if err != nil {
					return err
				}
				a.printTried(doc.ID, doc.Message, first, horizon, r)
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&id, "id", "", "`id` of a pack that states no name (default what the file is called)")
	cmd.Flags().StringSliceVar(&shipped, "shipped", nil, "try the shipped pack of this `id`")
	cmd.Flags().IntVar(&horizon, "horizon", 90, "`days` to look ahead (default 90)")
	cmd.Flags().StringVar(&shop, "shop", "", "only units at this `shop`")
	m.flags(cmd, "the `instant` from which is looked ahead (default now)", "")
	return cmd
}

// firstDay is the day from which a trial looks ahead, where the units are; in UTC if they are in several time zones.
func (c *clients) firstDay(ctx context.Context, req *compliancepb.TryRulePackRequest, now time.Time) (civil.Date, error) {
	zone, err := c.zone(ctx, req.GetShop())
	if err != nil {
		return 0, err
	}
	if zone == nil {
		zone = time.UTC
	}
	if req.GetInstant() != nil {
		return civil.In(req.GetInstant().AsTime(), zone), nil
	}
	return civil.In(now, zone), nil
}

// printTried prints what a revision would do.
func (a *app) printTried(id string, p *compliancepb.RulePack, first civil.Date, horizon int, r *compliancepb.TryRulePackResponse) {
	a.paragraph(a.out, "", fmt.Sprintf("%s, tried: %s, in force from %s", id, p.GetTitle(), showDate(p.GetEffectiveDate())))
	a.paragraph(a.out, "", fmt.Sprintf("%s looked at, %d with a clock of this pack that would change.", plural(r.GetUnitCount(), "unit"), r.GetChangedUnitCount()))
	a.printf("\n")
	b, f := r.GetBefore(), r.GetAfter()
	ahead := "due within " + plural(int64(horizon), "day")
	t := newTable("", ">as it is", ">tried", ">change")
	count := func(label string, before, after int64) {
		t.row(label, fmt.Sprint(before), fmt.Sprint(after), signed(after-before))
	}
	count("units that rules let be handed out", b.GetUnblockedUnits(), f.GetUnblockedUnits())
	count("clocks past their limit", b.GetBlockingClocks(), f.GetBlockingClocks())
	count("clocks "+ahead, b.GetDueClocks(), f.GetDueClocks())
	if b.GetBenchMinutes() > 0 || f.GetBenchMinutes() > 0 {
		t.row("bench work for both", minutesWord(b.GetBenchMinutes()), minutesWord(f.GetBenchMinutes()), "")
	}
	t.write(a.out, "  ", a.columns)

	a.printTriedRules(ahead, r.GetRules())
	a.printTriedDays(r.GetDays())
	a.printTriedUnits("Out from the first day", "not out before", r.GetNewlyBlocked(), r.GetNewlyBlockedCount())
	a.printTriedUnits("Back from the first day", "out before", r.GetNewlyFree(), r.GetNewlyFreeCount())
	if r.GetNewlyBlockedCount() == 0 {
		a.printf("\nNo unit would be out from the first day that is not out as it is. Nothing was written.\n")
	} else {
		a.printf("\nNothing was written.\n")
	}
	if note := triedNote(p, first, horizon, r.GetNewlyBlockedCount()); note != "" {
		a.printf("\n")
		a.paragraph(a.out, "", note)
	}
}

// triedNote says what the effective date of a revision means for what was looked at; nothing for one from about the first day on.
func triedNote(p *compliancepb.RulePack, first civil.Date, horizon int, blocked int64) string {
	d := p.GetEffectiveDate()
	effective := civil.New(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()))
	switch {
	case effective > first.AddDays(horizon):
		return fmt.Sprintf("It is in force only from %s, after the days looked at: look further ahead with --horizon, or from then with --as-of.", effective)
	case effective > first:
		return fmt.Sprintf("It is in force only from %s: until then nothing changes.", effective)
	case effective < first && blocked > 0:
		return fmt.Sprintf("Its effective date, %s, has passed, and phase-ins count from it: with a later one the work is spread over the days after that.", effective)
	}
	return ""
}

func (a *app) printTriedRules(ahead string, rules []*compliancepb.TriedRule) {
	if len(rules) == 0 {
		return
	}
	a.printf("\nRules\n")
	t := newTable("rule", "change", ">units", ">past it", ">"+ahead, "~title")
	idle := int64(0) // rules that stay as they are and cover nothing
	for _, r := range rules {
		if r.GetChange() == compliancepb.TriedRule_CHANGE_SAME && r.GetUnitsBefore() == 0 && r.GetUnitsAfter() == 0 {
			idle++
			continue
		}
		t.row(r.GetRule(), changeWord(r.GetChange()), fromTo(r.GetUnitsBefore(), r.GetUnitsAfter()), fromTo(r.GetBlockedBefore(), r.GetBlockedAfter()),
			fromTo(r.GetDueBefore(), r.GetDueAfter()), r.GetTitle())
	}
	if len(t.rows) > 0 {
		t.write(a.out, "  ", a.columns)
	}
	if idle > 0 {
		a.printf("  %s that the revision leaves alone, without a unit\n", plural(idle, "rule"))
	}
}

// printTriedDays prints what is due on which day, or in which week when there are many; a bar is as long as what is due under the
// revision. Bench work is shown if a rule states its minutes.
func (a *app) printTriedDays(days []*compliancepb.TriedDay) {
	if len(days) == 0 {
		return
	}
	head := "day"
	if len(days) > shownDays {
		head, days = "week from", weeks(days)
	}
	most, bench := int64(1), false
	for _, d := range days {
		most, bench = max(most, d.GetDueAfter()), bench || d.GetBenchMinutesAfter() > 0
	}
	a.printf("\nDue by its last day of use, or when a usage limit is expected to be reached\n")
	t := newTable(head, ">as it is", ">tried", ">bench work", "")
	for _, d := range days {
		bar := strings.Repeat("#", int((d.GetDueAfter()*barWidth+most-1)/most))
		work := ""
		if bench {
			work = minutesWord(d.GetBenchMinutesAfter())
		}
		t.row(showDate(d.GetDate()), fmt.Sprint(d.GetDueBefore()), fmt.Sprint(d.GetDueAfter()), work, bar)
	}
	t.write(a.out, "  ", a.columns)
}

// weeks adds days up by weeks from Monday; weeks without anything due in between are there too, so that the bars show how it is spread.
func weeks(days []*compliancepb.TriedDay) []*compliancepb.TriedDay {
	var out []*compliancepb.TriedDay
	var last civil.Date
	for _, d := range days {
		day := civil.New(int(d.GetDate().GetYear()), time.Month(d.GetDate().GetMonth()), int(d.GetDate().GetDay()))
		week := day.AddDays(-((int(day.Start(time.UTC).Weekday()) + 6) % 7))
		for len(out) == 0 || last < week {
			last = last.AddDays(7)
			if len(out) == 0 {
				last = week
			}
			y, m, n := last.Parts()
			out = append(out, &compliancepb.TriedDay{Date: &date.Date{Year: int32(y), Month: int32(m), Day: int32(n)}})
		}
		w := out[len(out)-1]
		w.DueBefore, w.DueAfter = w.GetDueBefore()+d.GetDueBefore(), w.GetDueAfter()+d.GetDueAfter()
		w.BenchMinutesBefore, w.BenchMinutesAfter = w.GetBenchMinutesBefore()+d.GetBenchMinutesBefore(), w.GetBenchMinutesAfter()+d.GetBenchMinutesAfter()
	}
	return out
}

func (a *app) printTriedUnits(title, otherwise string, units []*compliancepb.TriedUnit, count int64) {
	if count == 0 {
		return
	}
	a.printf("\n%s, and %s: %d\n", title, otherwise, count)
	t := newTable("tag", "kind", "shop", "~why")
	for _, u := range units[:min(len(units), shownUnits)] {
		t.row(u.GetAssetTag(), u.GetKind(), lastID(u.GetShop()), u.GetSentence())
	}
	t.write(a.out, "  ", a.columns)
	if more := count - int64(min(len(units), shownUnits)); more > 0 {
		a.printf("  and %d more; with --output json up to 200 are named\n", more)
	}
}

func changeWord(c compliancepb.TriedRule_Change) string {
	return strings.ToLower(strings.TrimPrefix(c.String(), "CHANGE_"))
}

// fromTo prints a number before and after.
func fromTo(before, after int64) string {
	if before == after {
		return fmt.Sprint(before)
	}
	return fmt.Sprintf("%d > %d", before, after)
}

// signed prints a difference; nothing for none.
func signed(n int64) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("%+d", n)
}

// minutesWord prints minutes as hours and minutes.
func minutesWord(n int64) string {
	switch h, m := n/60, n%60; {
	case n == 0:
		return "0"
	case h == 0:
		return fmt.Sprintf("%dm", m)
	case m == 0:
		return fmt.Sprintf("%dh", h)
	default:
		return fmt.Sprintf("%dh%02dm", h, m)
	}
}
