package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newReturnCmd(a *app) *cobra.Command {
	var running, condition, note, id string
	var dives, fills int64
	var estimated, noteOnly bool
	var missing []string
	cmd := &cobra.Command{
		Use:   "return WHAT[=DIVES]...",
		Short: "take back what is out: dives, condition and missing parts go into the ledger",
		Long: whichHelp + ` Behind it, after an equals sign, stands how many dives were
made with each of those units, where that differs from --dives.

How much they were used has to be said, and nothing is assumed: for what was not used, --dives 0.

All of them come back or none. --condition says what happened to a unit: free-flow, flooding, leak, drop or another word of the trade; it pulls the
unit until it is inspected and passed, unless --note-only. --missing pulls it too. Where a unit differs from the others, return it by itself.`,
		Example: `  strandline return R-1041 --dives 2
  strandline return GB-REG-014=3 GB-BCD-021=3 GB-CMP-007=2
  strandline return GB-REG-014 --dives 1 --condition free-flow --note "at 18 m"
  strandline return GB-BCD-021 --dives 2 --missing hose,whistle`,
		Args:        some,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			time, err := parseRunning("running-time", running)
			if err != nil {
				return err
			}
			if noteOnly && condition == "" {
				return usagef("--note-only is for a --condition")
			}
			used := false // said for all
			for _, flag := range []string{"dives", "running-time", "fills"} {
				used = used || cmd.Flags().Changed(flag)
			}
			var what []string
			of := map[string]int64{}
			for _, arg := range args {
				name, count, given := strings.Cut(arg, "=")
				what = append(what, name)
				of[name] = dives
				if !given && !used {
					return usagef("%s: how many dives were made with it? Say --dives 2 or %[1]s=2, and 0 if it was not used", arg)
				}
				if given {
					if of[name], err = strconv.ParseInt(count, 10, 64); err != nil || of[name] < 0 || of[name] > 10000 {
						return usagef("%q: want a number of dives behind the equals sign, 0 to 10000", arg)
					}
				}
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				req := &compliancepb.ReturnUnitsRequest{Parent: c.Org.Name(), RequestId: requestID(id, false)}
				seen := map[string]bool{}
				for _, w := range what {
					all, err := c.chosen(ctx, []string{w}, compliancepb.Allocation_STATE_OUT)
					if err != nil {
						return err
					}
					for _, f := range all {
						if seen[f.GetName()] {
							continue
						}
						seen[f.GetName()] = true
						req.Returns = append(req.Returns, &compliancepb.ReturnUnitsRequest_Return{
							Allocation: f.GetName(), Dives: of[w], RunningTime: time, Fills: fills, Estimated: estimated, Condition: condition, NoteOnly: noteOnly, MissingParts: missing, Note: note,
						})
					}
				}
				if (condition != "" || len(missing) > 0) && len(req.GetReturns()) > 1 {
					return usagef("--condition and --missing go with one unit, and %s mean %d: return it by itself", strings.Join(what, ", "), len(req.GetReturns()))
				}
				r, err := c.Availability.ReturnUnits(ctx, req)
				if err != nil {
					return err
				}
				c.wrote(r.GetPosition())
				if a.json() {
					return a.printJSON(r)
				}
				a.printReturned(req, r)
				return nil
			})
		},
	}
	cmd.Flags().Int64Var(&dives, "dives", 0, "`number` of dives made with each; 0 if they were not used")
	cmd.Flags().StringVar(&running, "running-time", "", "running `time` of each")
	cmd.Flags().Int64Var(&fills, "fills", 0, "`number` of fills of each")
	cmd.Flags().BoolVar(&estimated, "estimated", false, "nobody knows exactly: the amounts count in full and are shown as estimates")
	cmd.Flags().StringVar(&condition, "condition", "", "what happened to it, a `word` of the trade")
	cmd.Flags().BoolVar(&noteOnly, "note-only", false, "the condition is only worth a note, and pulls nothing")
	cmd.Flags().StringSliceVar(&missing, "missing", nil, "`parts` that are missing, with commas between")
	cmd.Flags().StringVar(&note, "note", "", "free `text` for the entries")
	cmd.Flags().StringVar(&id, "id", "", "`UUID` of the request, so that a repeat gives the first answer (default a new one)")
	return cmd
}

// printReturned tells unit by unit what came back and where it stands now.
func (a *app) printReturned(req *compliancepb.ReturnUnitsRequest, r *compliancepb.ReturnUnitsResponse) {
	a.printf("%s came back.\n", plural(int64(len(r.GetAllocations())), "unit"))
	t := newTable("tag", "used", "may be handed out", "~why not")
	for i, f := range r.GetAllocations() {
		used := ""
		if i < len(req.GetReturns()) {
			b := req.GetReturns()[i]
			used = orWord(amountWords(b.GetDives(), showRunning(b.GetRunningTime()), b.GetFills()), "not used")
			if b.GetEstimated() {
				used += ", estimated"
			}
		}
		if i >= len(r.GetStandings()) {
			t.row(f.GetAssetTag(), used, "", "")
			continue
		}
		why := handOutReasons(r.GetStandings()[i])
		first := ""
		if len(why) > 0 {
			first = why[0]
		}
		t.row(f.GetAssetTag(), used, yesNo(r.GetStandings()[i].GetMayHandOut()), first)
		for _, w := range why[min(1, len(why)):] {
			t.row("", "", "", w)
		}
	}
	t.write(a.out, "", a.columns)
}

// handOutReasons says what keeps a unit from being handed out, each reason once.
func handOutReasons(s *compliancepb.Standing) []string {
	var out []string
	seen := map[string]bool{}
	for _, r := range s.GetReasons() {
		if !strings.Contains(usesWord(r.GetBlocks()), "hand-out") || seen[r.GetSentence()] {
			continue
		}
		seen[r.GetSentence()] = true
		text := r.GetSentence()
		if r.GetClears() != "" {
			text = fmt.Sprintf("%s Clears: %s", text, r.GetClears())
		}
		out = append(out, text)
	}
	return out
}
