package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// outfitQuestion is what 'available' asks about whole outfits.
type outfitQuestion struct {
	wants        []string
	divers       int
	divesPerDay  int64
	alternatives bool

	wanted []wantedOutfit
}

func (q *outfitQuestion) flags(cmd *cobra.Command) {
	cmd.Flags().StringArrayVar(&q.wants, "want", nil, "an `outfit`; may be given several times")
	cmd.Flags().IntVar(&q.divers, "divers", 0, "with --want, so `many` of the outfit, one for each diver")
	cmd.Flags().Int64Var(&q.divesPerDay, "dives-per-day", 0, "with --want, `number` of dives expected of each unit on each day of the window")
	cmd.Flags().BoolVar(&q.alternatives, "alternatives", false, "with --want, look for other windows, sizes and shops where not everything can be had")
}

func (q *outfitQuestion) asked() bool { return len(q.wants) > 0 }

// check reads the outfits, and refuses flags that do not go together.
func (q *outfitQuestion) check(cmd *cobra.Command) (err error) {
	given := func(names ...string) string {
		for _, n := range names {
			if cmd.Flags().Changed(n) {
				return "--" + n
			}
		}
		return ""
	}
	if !q.asked() {
		if f := given("divers", "dives-per-day", "alternatives"); f != "" {
			return usagef("%s goes with --want", f)
		}
		return nil
	}
	if f := given("kind", "size", "explain", "dives", "running-time", "fills"); f != "" {
		hint := ""
		if f == "--dives" {
			hint = "; with it, --dives-per-day says how much each unit is used"
		}
		return usagef("%s does not go with --want%s", f, hint)
	}
	q.wanted, err = parseOutfits(q.wants, q.divers)
	return err
}

// availableOutfits asks which shops have whole outfits for the shops and windows of searches.
func (a *app) availableOutfits(ctx context.Context, c *clients, q *outfitQuestion, windows []*compliancepb.SearchAvailabilityRequest) error {
	outfits, err := c.outfits(ctx, q.wanted)
	if err != nil {
		return err
	}
	r := &compliancepb.SearchOutfitsResponse{}
	window := windows[0]
	for _, w := range windows {
		one, err := c.Availability.SearchOutfits(ctx, &compliancepb.SearchOutfitsRequest{
			Parent: w.GetParent(), Shop: w.GetShop(), StartTime: w.GetStartTime(), EndTime: w.GetEndTime(), Outfits: outfits,
			DivesPerDay: q.divesPerDay, Alternatives: q.alternatives && len(windows) == 1, AtLeast: w.GetAtLeast(),
		})
		if err != nil {
			return err
		}
		r.Shops, r.Alternatives, r.Position = append(r.Shops, one.GetShops()...), one.GetAlternatives(), one.GetPosition()
	}
	slices.SortStableFunc(r.Shops, func(a, b *compliancepb.OutfitAvailability) int {
		return rank(a.GetAvailable()) - rank(b.GetAvailable())
	})
	if a.json() {
		return a.printJSON(r)
	}
	a.printOutfits(r, outfits)
	if one := r.GetShops(); q.alternatives && len(windows) == 1 && window.GetShop() != "" && len(one) == 1 && !one[0].GetAvailable() && len(r.GetAlternatives()) == 0 {
		a.printf("\nNo window within 14 days and no other shop has all of it.\n")
	}
	return nil
}

// printOutfits prints shop by shop how many of the outfits there are, and what is missing.
func (a *app) printOutfits(r *compliancepb.SearchOutfitsResponse, outfits []*compliancepb.Outfit) {
	wanted := int64(0)
	for _, o := range outfits {
		wanted += int64(max(o.GetCount(), 1))
	}
	for i, s := range r.GetShops() {
		if i > 0 {
			a.printf("\n")
		}
		if s.GetAvailable() {
			a.printf("%s: all of it, %s\n", lastID(s.GetShop()), plural(wanted, "outfit"))
			a.paragraph(a.out, "  ", strings.Join(s.GetAssetTags(), ", "))
			if n := s.GetExpectedDives(); n > 0 {
				a.paragraph(a.out, "  ", fmt.Sprintf("That is %s of each unit: 'strandline allocations allocate' takes it as --dives %d.", plural(n, "dive"), n))
			}
			continue
		}
		a.printf("%s: %d of %s\n", lastID(s.GetShop()), s.GetOutfitCount(), plural(wanted, "outfit"))
		t := newTable("kind", "size", ">wanted", ">there are", "~of the others", "~other sizes")
		for _, item := range s.GetItems() {
			why := reasonCounts(item.GetReasons())
			if why == "" && item.GetAvailableCount() < item.GetWantedCount() {
				why = "there are none"
			}
			t.row(item.GetKind(), item.GetSize(), fmt.Sprint(item.GetWantedCount()), fmt.Sprint(item.GetAvailableCount()), why, sizeCounts(item.GetOtherSizes()))
		}
		t.write(a.out, "  ", a.columns)
	}
	if len(r.GetAlternatives()) > 0 {
		a.printf("\nWhat else could be done\n")
		for _, alt := range r.GetAlternatives() {
			a.paragraph(a.out, "  ", alt.GetSentence())
		}
	}
}

func reasonCounts(all []*compliancepb.OutfitAvailability_ReasonCount) string {
	parts := make([]string, len(all))
	for i, r := range all {
		parts[i] = fmt.Sprintf("%d %s", r.GetCount(), due.Code(r.GetReason()).Words())
	}
	return strings.Join(parts, ", ")
}

func sizeCounts(all []*compliancepb.OutfitAvailability_SizeCount) string {
	parts := make([]string, len(all))
	for i, s := range all {
		parts[i] = fmt.Sprintf("%d of %s", s.GetCount(), orWord(s.GetSize(), "no size"))
	}
	return strings.Join(parts, ", ")
}

// printGains prints how many more units there would be where one thing were cleared.
func (a *app) printGains(all []*compliancepb.Gain) {
	if len(all) == 0 {
		a.talkf("Clearing one thing alone would gain nothing.")
		return
	}
	a.printf("\nIf one thing were cleared, and nothing else\n")
	t := newTable(">more", "~what", "~units")
	for _, g := range all {
		t.row(fmt.Sprint(g.GetCount()), g.GetTitle(), strings.Join(g.GetAssetTags(), ", "))
	}
	t.write(a.out, "  ", a.columns)
}

// withMessages adds a member of messages to those that printList takes.
func withMessages[M proto.Message](more []any, name string, all []M) ([]any, error) {
	raws := make([]json.RawMessage, len(all))
	for i, m := range all {
		raw, err := compact(m)
		if err != nil {
			return nil, err
		}
		raws[i] = raw
	}
	return append(more, name, raws), nil
}
