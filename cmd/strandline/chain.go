package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/civil"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newChainCmd(a *app) *cobra.Command {
	var shop, kind, asOf string
	var days, spare int
	cmd := &cobra.Command{
		Use:   "chain",
		Short: "what each shop has ready, promised, out and short of on the next days, and what to move",
		Long: `A table for each shop: by kind, what there is on some of the next days, those among them on which something becomes short or is promised; the days in
between are in --output json. A unit counts on a day if it is so at any
time of it, and as ready if it may be handed out all day long, promised or not.

What is promised and cannot be kept is short; with --spare, so is what falls below so many units of each kind that are ready and not promised.
Below the tables stand the shortages, and what could be moved where.`,
		Example: `  strandline chain --kind bcd --days 14
  strandline chain --shop lagoon --spare 2`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if days < 1 || days > 90 {
				return usagef("--days %d: want 1 to 90", days)
			}
			if spare < 0 || spare > 10000 {
				return usagef("--spare %d: want 0 to 10000", spare)
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req := &compliancepb.SummarizeChainRequest{Parent: c.Org.Name(), Shop: c.shop(shop), Kind: kind, Days: int32(days), Spare: int32(spare)}
				var err error
				if req.Instant, err = c.instant(ctx, "as-of", asOf, req.GetShop(), dayStart); err != nil {
					return err
				}
				if req.AtLeast, err = c.atLeast(ctx); err != nil {
					return err
				}
				r, err := c.Availability.SummarizeChain(ctx, req)
				if err != nil {
					return err
				}
				if a.json() {
					return a.printJSON(r)
				}
				a.printChain(r, daysToShow(r.GetRows(), days))
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&shop, "shop", "", "only this `shop`; what could be moved to it is still looked for at the others")
	cmd.Flags().StringVar(&kind, "kind", "", "only this `kind`")
	cmd.Flags().IntVar(&days, "days", 90, "so many `days` (default 90, the most)")
	cmd.Flags().IntVar(&spare, "spare", 0, "how `many` units of each kind a shop wants ready and not promised on every day")
	cmd.Flags().StringVar(&asOf, "as-of", "", "the `instant` to begin with (default now)")
	return cmd
}

// chainColumns is how many days a table of the chain has room for.
const chainColumns = 10

// chainDays chooses the days that a table shows, counted from the first: all of a few, else the next days one by one and the later ones evenly apart.
func chainDays(days int) []int {
	if days <= chainColumns {
		out := make([]int, days)
		for i := range out {
			out[i] = i
		}
		return out
	}
	const near = 4
	out := []int{0, 1, 2, 3}
	step := max((days-near)/(chainColumns-near), 1)
	if step > 7 {
		step = (step / 7) * 7 // whole weeks are read with ease
	}
	for d := near - 1 + step; d < days && len(out) < chainColumns; d += step {
		out = append(out, d)
	}
	return out
}

// daysToShow are chainDays, with some of the later days on which something becomes short or is promised in the place of others.
func daysToShow(rows []*compliancepb.ChainRow, days int) []int {
	base := chainDays(days)
	if days <= chainColumns {
		return base
	}
	const near, most = 4, 4
	out := slices.Clone(base[:near])
	for _, counts := range []func(*compliancepb.ChainRow) []int64{(*compliancepb.ChainRow).GetShort, (*compliancepb.ChainRow).GetPromised} {
		for d := near; d < days && len(out) < near+most; d++ {
			if !slices.Contains(out, d) && slices.ContainsFunc(rows, func(r *compliancepb.ChainRow) bool { return at(counts(r), d) > at(counts(r), d-1) }) {
				out = append(out, d)
			}
		}
	}
	for _, d := range base[near:] {
		if len(out) < chainColumns && !slices.Contains(out, d) {
			out = append(out, d)
		}
	}
	slices.Sort(out)
	return out
}

// chainLine is a line of a kind's block: its word, and its numbers day by day.
type chainLine struct {
	word   string
	counts func(*compliancepb.ChainRow) []int64
	always bool // also where it is nothing
}

var chainLines = []chainLine{
	{"ready", (*compliancepb.ChainRow).GetReady, true},
	{"promised", (*compliancepb.ChainRow).GetPromised, false},
	{"out", (*compliancepb.ChainRow).GetOut, false},
	{"pulled", (*compliancepb.ChainRow).GetPulled, false},
	{"due soon", (*compliancepb.ChainRow).GetDueSoon, false},
	{"overdue", (*compliancepb.ChainRow).GetOverdue, false},
	{"short", (*compliancepb.ChainRow).GetShort, false},
}

// printChain prints a table for each shop, then shortages and moves.
func (a *app) printChain(r *compliancepb.SummarizeChainResponse, days []int) {
	if len(r.GetRows()) == 0 {
		a.printf("No unit that is handed out on its own is of this kind and shop; 'strandline unit list' says which there are.\n")
		return
	}
	var t *table
	shop := ""
	flush := func() {
		if t != nil {
			a.printf("%s\n", shop)
			t.write(a.out, "  ", a.columns)
			a.printf("\n")
		}
	}
	for _, row := range r.GetRows() {
		if lastID(row.GetShop()) != shop || t == nil {
			flush()
			shop = lastID(row.GetShop())
			heads := []string{"kind", ">owned", ""}
			for _, d := range days {
				heads = append(heads, ">"+shortDay(chainDay(row, d)))
			}
			t = newTable(heads...)
		}
		kind, owned := row.GetKind(), fmt.Sprint(row.GetOwned())
		for _, l := range chainLines {
			cells := []string{kind, owned, l.word}
			some := l.always
			counts := l.counts(row)
			for _, d := range days {
				n := at(counts, d)
				some = some || n != 0
				text := "."
				if n != 0 || l.always {
					text = fmt.Sprint(n)
				}
				cells = append(cells, text)
			}
			if some {
				t.row(cells...)
				kind, owned = "", ""
			}
		}
	}
	flush()
	short := chainShortages(r.GetRows())
	for _, s := range short {
		a.paragraph(a.out, "", s)
	}
	switch {
	case len(r.GetMoves()) > 0:
		a.printf("\nWhat could be moved\n")
		for _, m := range r.GetMoves() {
			a.paragraph(a.out, "  ", m.GetSentence())
		}
	case len(short) > 0:
		a.printf("No other shop has any to spare.\n")
	default:
		a.printf("Nothing is short.\n")
	}
}

// at is the number of a day, 0 where the list has none.
func at(counts []int64, day int) int64 {
	if day < len(counts) {
		return counts[day]
	}
	return 0
}

// chainDay is a day of a row, counted from its first.
func chainDay(row *compliancepb.ChainRow, n int) civil.Date {
	first, _ := civilOf(row.GetFirstDate())
	return first.AddDays(n)
}

func shortDay(d civil.Date) string {
	y, m, day := d.Parts()
	return time.Date(y, m, day, 0, 0, 0, 0, time.UTC).Format("2 Jan")
}

// chainShortages says what is short where, in runs of days with one number.
func chainShortages(rows []*compliancepb.ChainRow) []string {
	var out []string
	for _, row := range rows {
		short := row.GetShort()
		var runs []string
		for i := 0; i < len(short); {
			j := i + 1
			for j < len(short) && short[j] == short[i] {
				j++
			}
			if short[i] > 0 {
				when := "on " + chainDay(row, i).String()
				if j > i+1 {
					when = fmt.Sprintf("from %s to %s", chainDay(row, i), chainDay(row, j-1))
				}
				runs = append(runs, fmt.Sprintf("%d %s", short[i], when))
			}
			i = j
		}
		if len(runs) > 0 {
			out = append(out, fmt.Sprintf("%s is short of %s: %s.", lastID(row.GetShop()), kindWords(row.GetKind()), strings.Join(runs, ", ")))
		}
	}
	return out
}
