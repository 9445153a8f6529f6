package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func newHistoryCmd(a *app) *cobra.Command {
	var kind, shop, from, before, asKnown string
	var limit int
	cmd := &cobra.Command{
		Use:   "history [TAG]",
		Short: "what was done to a unit, or to all: the ledger's entries in its order",
		Example: `  strandline history GB-REG-014
  strandline history GB-REG-014 --kind service --output json
  strandline history --shop lagoon --from 2026-05-01 --before 2026-06-01
  strandline history GB-REG-014 --as-known 2026-06-01`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			kinds := map[string]historypb.EntryKind{"": 0, "usage": historypb.EntryKind_ENTRY_KIND_USAGE, "service": historypb.EntryKind_ENTRY_KIND_SERVICE, "test": historypb.EntryKind_ENTRY_KIND_TEST, "condition": historypb.EntryKind_ENTRY_KIND_CONDITION, "amendment": historypb.EntryKind_ENTRY_KIND_AMENDMENT}
			k, ok := kinds[kind]
			if !ok {
				return usagef("--kind %q: want usage, service, test, condition or amendment", kind)
			}
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			req := &historypb.ListEntriesRequest{Parent: c.Org.Name() + "/units/-", Kind: k, Shop: c.shop(shop)}
			zoneShop := req.GetShop()
			if len(args) > 0 {
				u, err := c.unit(ctx, args[0])
				if err != nil {
					return err
				}
				req.Parent = u.GetName()
				if zoneShop == "" {
					zoneShop = u.GetShop()
				}
			}
			if req.OccurredFromTime, err = c.instant(ctx, "from", from, zoneShop, dayStart); err != nil {
				return err
			}
			if req.OccurredBeforeTime, err = c.instant(ctx, "before", before, zoneShop, dayStart); err != nil {
				return err
			}
			if req.RecordedBeforeTime, err = c.instant(ctx, "as-known", asKnown, zoneShop, dayStart); err != nil {
				return err
			}
			if t := req.GetRecordedBeforeTime(); t != nil { // what was recorded at that instant was known at it
				req.RecordedBeforeTime = timestamppb.New(t.AsTime().Add(time.Microsecond))
			}
			entries, err := pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*historypb.Entry, string, error) {
				req.PageSize, req.PageToken = size, token
				r, err := c.History.ListEntries(ctx, req)
				return r.GetEntries(), r.GetNextPageToken(), err
			})
			if err != nil {
				return err
			}
			if a.json() {
				return printList(a, entries)
			}
			if len(entries) == 0 {
				a.printf("No entries.\n")
				return nil
			}
			var zone *time.Location
			if zoneShop != "" {
				zone, _ = c.zone(ctx, zoneShop)
			}
			a.printEntries(entries, zone, c.entryTags(ctx, entries, len(args) > 0))
			return nil
		},
	}
	cmd.Flags().StringVar(&kind, "kind", "", "only this `kind` of entry: usage, service, test, condition or amendment")
	cmd.Flags().StringVar(&shop, "shop", "", "only what happened at this `shop`")
	cmd.Flags().StringVar(&from, "from", "", "only what happened at or after this `instant`")
	cmd.Flags().StringVar(&before, "before", "", "only what happened before this `instant`")
	cmd.Flags().StringVar(&asKnown, "as-known", "", "only what was recorded by this `instant`")
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many`; 0 for all")
	return cmd
}

// entryTags returns the tags of the entries' units, or nothing when they are all of one.
func (c *clients) entryTags(ctx context.Context, entries []*historypb.Entry, one bool) map[string]string {
	if one {
		return nil
	}
	var names []string
	for _, e := range entries {
		names = append(names, unitOf(e.GetName()))
	}
	return c.tags(ctx, names)
}

func (a *app) printEntries(entries []*historypb.Entry, zone *time.Location, tags map[string]string) {
	numbers := map[string]int64{}
	for _, e := range entries {
		numbers[e.GetName()] = e.GetSequence()
	}
	t := newTable(">no.", "occurred", "recorded", "tag", "shop", "kind", "~what", "~note", "technician", "recorded by")
	for _, e := range entries {
		kind, what := entryWords(e, numbers)
		tech := ""
		if e.GetTechnician() != "" {
			tech = lastID(e.GetTechnician())
		}
		t.row(fmt.Sprint(e.GetSequence()), showInstant(e.GetOccurredTime(), zone), showInstant(e.GetRecordedTime(), zone), tags[unitOf(e.GetName())], lastID(e.GetShop()), kind, what, e.GetNote(), tech, e.GetRecorder())
	}
	t.write(a.out, "", a.columns)
}

// entryWords says what an entry tells of, and what.
func entryWords(e *historypb.Entry, numbers map[string]int64) (kind, what string) {
	switch d := e.GetDetail().(type) {
	case *historypb.Entry_Usage:
		return "usage", usageWords(d.Usage)
	case *historypb.Entry_Service:
		return "service", serviceWords(d.Service)
	case *historypb.Entry_Test:
		return "test", testWords(d.Test)
	case *historypb.Entry_Condition:
		return "condition", conditionWords(d.Condition)
	case *historypb.Entry_Amendment:
		am := d.Amendment
		target := lastID(am.GetCorrectedEntry())
		if n := numbers[am.GetCorrectedEntry()]; n > 0 {
			target = fmt.Sprintf("no. %d", n)
		}
		text := "never happened"
		switch r := am.GetReplacement().GetDetail().(type) {
		case *historypb.Replacement_Usage:
			text = usageWords(r.Usage)
		case *historypb.Replacement_Service:
			text = serviceWords(r.Service)
		case *historypb.Replacement_Test:
			text = testWords(r.Test)
		case *historypb.Replacement_Condition:
			text = conditionWords(r.Condition)
		}
		return "amendment", fmt.Sprintf("of %s: %s (%s)", target, text, am.GetReason())
	}
	return "", ""
}

func usageWords(u *historypb.Usage) string {
	text := ""
	if i := u.GetIncrement(); i != nil {
		text = amountWords(i.GetDives(), showRunning(i.GetRunningTime()), i.GetFills())
	} else if r := u.GetReading(); r != nil {
		switch v := r.GetValue().(type) {
		case *historypb.MeterReading_Dives:
			text = "meter shows " + plural(v.Dives, "dive")
		case *historypb.MeterReading_RunningTime:
			text = "meter shows " + showRunning(v.RunningTime)
		case *historypb.MeterReading_Fills:
			text = "meter shows " + plural(v.Fills, "fill")
		}
		if r.ReplacementStart != nil {
			text += fmt.Sprintf("; replaced, the new one starts at %d", r.GetReplacementStart())
		}
		if r.GetRollover() > 0 {
			text += "; began again at zero after " + rolloverWords(r)
		}
	}
	if u.IntakeCelsius != nil {
		text += fmt.Sprintf(", drawn in at %d °C", u.GetIntakeCelsius())
	}
	if u.GetEstimated() {
		text += " (estimate)"
	}
	if u.GetReference() != "" {
		text += " [" + u.GetReference() + "]"
	}
	return text
}

// rolloverWords says how many counts a reading's meter has.
func rolloverWords(r *historypb.MeterReading) string {
	if _, ok := r.GetValue().(*historypb.MeterReading_RunningTime); ok {
		return showRunning(&durationpb.Duration{Seconds: r.GetRollover()})
	}
	return fmt.Sprint(r.GetRollover())
}

func serviceWords(s *historypb.Service) string {
	return workWords(strings.Join(s.GetActivities(), ", "), outcomeWord(s.GetOutcome()), showDate(s.GetMarkDate()), s.GetProvider())
}

func testWords(t *historypb.Test) string {
	return workWords(t.GetActivity(), outcomeWord(t.GetOutcome()), showDate(t.GetMarkDate()), t.GetProvider())
}

func workWords(activity, outcome, mark, provider string) string {
	text := activity + ": " + outcome
	if mark != "" {
		text += ", marked " + mark
	}
	if provider != "" {
		text += ", by " + provider
	}
	return text
}

func conditionWords(c *historypb.Condition) string {
	if c.GetSeverity() == historypb.Condition_SEVERITY_PULL {
		return c.GetCondition() + ": pulled"
	}
	return c.GetCondition() + ": noted"
}
