package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func newExplainCmd(a *app) *cobra.Command {
	var rule string
	var m moments
	var uses bool
	cmd := &cobra.Command{
		Use:   "explain TAG",
		Short: "how each rule on a unit comes to its answer, in sentences to read aloud",
		Long: `For every rule that runs on the unit and on what is fitted to it: the rule, who says so and where; what it counts from; work
that did not count, and why; the interval, and what hard use or evidence did to it; what was used; and the answer on the day.
With --uses also every use that counts, latest first, by its number in the ledger.

With --as-known only what was recorded by then counts: what could be known on that day, not what is known now.`,
		Example: `  strandline explain GB-REG-014
  strandline explain GB-CYL-003 --rule law/requalification --as-of 2026-03-31
  strandline explain GB-REG-014 --uses
  strandline explain GB-REG-014 --as-of 2026-02-01 --as-known 2026-02-01 --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				u, err := c.unit(ctx, args[0])
				if err != nil {
					return err
				}
				req := &compliancepb.ExplainUnitRequest{Unit: u.GetName()}
				if rule != "" {
					if req.Rule, err = c.rule(rule); err != nil {
						return err
					}
				}
				if req.Instant, req.KnownTime, err = m.read(ctx, c, u.GetShop()); err != nil {
					return err
				}
				if req.AtLeast, err = c.atLeast(ctx); err != nil {
					return err
				}
				r, err := c.Compliance.ExplainUnit(ctx, req)
				if err != nil {
					return err
				}
				if a.json() {
					return a.printJSON(r)
				}
				s := r.GetStanding()
				zone, _ := c.zone(ctx, s.GetShop())
				named := append(append([]string{s.GetHost(), s.GetUnit()}, s.GetParts()...), usedUnits(r)...)
				explainView{
					standingView: standingView{a: a, s: s, zone: zone, tags: c.tags(ctx, named), title: unitTitle(u, s)},
					uses:         uses, numbers: c.numbers(ctx, r, uses),
				}.print(r)
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&rule, "rule", "", "only this rule, as `PACK/RULE`")
	m.flags(cmd, "", "")
	cmd.Flags().BoolVar(&uses, "uses", false, "list every use that counts against a limit")
	return cmd
}

// explainView prints the clocks of a unit link by link.
type explainView struct {
	standingView
	uses    bool
	numbers map[string]int64 // in the ledger, by entry name
}

func (v explainView) print(r *compliancepb.ExplainUnitResponse) {
	a, s := v.a, v.s
	a.paragraph(a.out, "", v.title)
	a.printf("%s:\n", v.when())
	if len(r.GetClocks()) == 0 {
		a.printf("\nNo rule runs on it")
		if s.GetHost() == "" {
			a.printf(", so nothing vouches for it")
		}
		a.printf(".\n")
		return
	}
	for _, c := range r.GetClocks() {
		k := c.GetClock()
		head := packAndRule(k.GetRule())
		if part := v.part(k.GetUnit()); part != "" {
			head += " on " + part
		}
		head += ": " + stateWord(k.GetState())
		if k.GetBlocking() {
			head += ", past what the rule allows"
		}
		a.printf("\n")
		a.paragraph(a.out, "", head)
		for _, step := range c.GetSteps() {
			a.paragraph(a.out, "  ", v.sentence(step))
		}
		if v.uses && (len(c.GetUses()) > 0 || limited(k)) {
			v.printUses(c)
		}
	}
	if len(s.GetCautions()) > 0 {
		a.printf("\nCautions\n")
		for _, c := range s.GetCautions() {
			a.paragraph(a.out, "  ", c)
		}
	}
}

// sentence is a step's, with the entry it speaks of by its number in the ledger.
func (v explainView) sentence(s *compliancepb.ExplanationStep) string {
	n, ok := v.numbers[s.GetEntry()]
	if !ok {
		return s.GetSentence()
	}
	return strings.Replace(s.GetSentence(), "entry "+lastID(s.GetEntry())[:8], fmt.Sprintf("entry %d of the ledger", n), 1)
}

func (v explainView) printUses(c *compliancepb.ClockExplanation) {
	a := v.a
	if len(c.GetUses()) == 0 {
		a.printf("    No use counts so far.\n")
		return
	}
	t := newTable(">no.", "when", "of", "counts", "")
	for _, u := range c.GetUses() {
		number := ""
		if n, ok := v.numbers[u.GetEntry()]; ok {
			number = fmt.Sprint(n)
		}
		of := ""
		if unit := unitOf(u.GetEntry()); unit != c.GetClock().GetUnit() {
			of = v.tag(unit)
		}
		var how []string
		if u.GetEstimated() {
			how = append(how, "an estimate")
		}
		if u.GetMetered() {
			how = append(how, "by the meter")
		}
		t.row(number, showInstant(u.GetOccurredTime(), v.zone), of, amountWords(u.GetDives(), showRunning(u.GetRunningTime()), u.GetFills()), strings.Join(how, ", "))
	}
	t.write(a.out, "    ", a.columns)
	if n := c.GetOmittedUseCount(); n > 0 {
		a.printf("    and %s before\n", plural(n, "use"))
	}
}

// limited says whether a clock has a usage limit.
func limited(c *compliancepb.Clock) bool {
	l := c.GetLimit()
	return l.GetDives() > 0 || l.GetFills() > 0 || l.GetRunningTime() != nil
}

// usedUnits returns the units whose uses an explanation lists.
func usedUnits(r *compliancepb.ExplainUnitResponse) []string {
	var out []string
	for _, c := range r.GetClocks() {
		for _, u := range c.GetUses() {
			if unit := unitOf(u.GetEntry()); !slices.Contains(out, unit) {
				out = append(out, unit)
			}
		}
	}
	return out
}

// numbers returns the numbers in the ledger of the entries that an explanation speaks of, and of those it lists as uses if asked for.
// Without a number an entry is told by its id, which is better than no answer.
func (c *clients) numbers(ctx context.Context, r *compliancepb.ExplainUnitResponse, uses bool) map[string]int64 {
	out := map[string]int64{}
	if uses {
		for _, unit := range usedUnits(r) {
			entries, _ := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*historypb.Entry, string, error) {
				r, err := c.History.ListEntries(ctx, &historypb.ListEntriesRequest{Parent: unit, PageSize: size, PageToken: token})
				return r.GetEntries(), r.GetNextPageToken(), err
			})
			for _, e := range entries {
				out[e.GetName()] = e.GetSequence()
			}
		}
	}
	for _, k := range r.GetClocks() {
		for _, s := range k.GetSteps() {
			if _, known := out[s.GetEntry()]; known || s.GetEntry() == "" {
				continue
			}
			if e, err := c.History.GetEntry(ctx, &historypb.GetEntryRequest{Name: s.GetEntry()}); err == nil {
				out[s.GetEntry()] = e.GetEntry().GetSequence()
			}
		}
	}
	return out
}

// when says what instant an answer is about, and what was known.
func (v standingView) when() string {
	text := "At " + showInstant(v.s.GetInstant(), v.zone)
	if v.s.GetKnownTime() != nil {
		text += ", as known at " + showInstant(v.s.GetKnownTime(), v.zone)
	}
	if v.s.GetHost() != "" {
		text += ", fitted to " + v.tag(v.s.GetHost())
	}
	return text
}
