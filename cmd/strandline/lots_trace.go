package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// traceCaution stands beside every trace.
const traceCaution = "Caution: a trace knows what was recorded. Parts that were fitted outside of an order, or not said from which lot, are not in it."

func newLotsTraceCmd(a *app) *cobra.Command {
	var unit string
	cmd := &cobra.Command{
		Use:   "trace [LOT]",
		Short: "into which units a lot went, or from which lots a unit has parts",
		Long: `Units that have parts of the lot come first, then those that had some. A later order takes parts out without saying from which lot they were: a
unit stays among those that have it, and 'later fitted' says from which lot a part of that name was put in since. Look at the unit before
you take it for free of the lot.`,
		Example: `  strandline lots trace seats-26-118
  strandline lots trace --unit GB-SND-014
  strandline lots trace seats-26-118 --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case len(args) == 0 && unit == "":
				return usagef("%s needs a LOT, or --unit", cmd.CommandPath())
			case len(args) > 0 && unit != "":
				return usagef("a trace is of a LOT or of a --unit, not of both")
			case unit != "":
				return a.withUnit(cmd.Context(), unit, a.traceUnit)
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error { return a.traceLot(ctx, c, c.lot(args[0])) })
		},
	}
	cmd.Flags().StringVar(&unit, "unit", "", "trace this unit's parts: asset `tag`, UUID or name")
	return cmd
}

// traced is what became of the parts of one id from one lot in one unit.
type traced struct {
	Unit        string `json:"unit"`
	AssetTag    string `json:"assetTag"`
	Lot         string `json:"lot"`
	Part        string `json:"part"`
	Now         int32  `json:"now"`    // in the unit as far as is recorded
	Fitted      int32  `json:"fitted"` // that ever went in
	Out         int32  `json:"out"`    // that came out again, or never went in
	LaterFitted string `json:"laterFitted"`

	first, last *timestamppb.Timestamp
	orders      map[string]bool
}

// tracesOf sums uses of parts by unit, lot and part, in the order in which they come first.
func tracesOf(uses []*historypb.PartUse) (out []*traced) {
	at := map[[3]string]*traced{}
	for _, u := range uses {
		key := [3]string{u.GetUnit(), u.GetLot(), u.GetPart()}
		t := at[key]
		if t == nil {
			t = &traced{Unit: u.GetUnit(), AssetTag: lastID(u.GetUnit()), Lot: u.GetLot(), Part: u.GetPart(), first: u.GetOccurredTime(), last: u.GetOccurredTime(), orders: map[string]bool{}}
			at[key] = t
			out = append(out, t)
		}
		t.orders[u.GetOrder()] = true
		if t.Now += u.GetCount(); u.GetCount() > 0 {
			t.Fitted += u.GetCount()
		} else {
			t.Out -= u.GetCount()
		}
		if when := u.GetOccurredTime().AsTime(); when.Before(t.first.AsTime()) {
			t.first = u.GetOccurredTime()
		} else if when.After(t.last.AsTime()) {
			t.last = u.GetOccurredTime()
		}
	}
	return out
}

// since sets what was fitted later in place of what is traced, from all uses of parts in the unit: parts of the same id from other lots, in other orders.
func (t *traced) since(uses []*historypb.PartUse) {
	var later []string
	for _, o := range tracesOf(uses) {
		if o.Part != t.Part || o.Lot == t.Lot || o.Now <= 0 || !o.last.AsTime().After(t.last.AsTime()) {
			continue
		}
		for order := range t.orders {
			delete(o.orders, order)
		}
		if len(o.orders) > 0 {
			later = append(later, fmt.Sprintf("%d from %s, %s", o.Now, lastID(o.Lot), showInstant(o.last, nil)))
		}
	}
	t.LaterFitted = strings.Join(later, "; ")
}

// partUses reads all uses of parts of a lot, or in a unit.
func (c *clients) partUses(ctx context.Context, parent string) ([]*historypb.PartUse, error) {
	return pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*historypb.PartUse, string, error) {
		r, err := c.Lots.ListPartUses(ctx, &historypb.ListPartUsesRequest{Parent: parent, PageSize: size, PageToken: token})
		return r.GetUses(), r.GetNextPageToken(), err
	})
}

func (a *app) traceLot(ctx context.Context, c *clients, name string) error {
	lot, err := c.Lots.GetLot(ctx, &historypb.GetLotRequest{Name: name})
	if err != nil {
		return err
	}
	uses, err := c.partUses(ctx, name)
	if err != nil {
		return err
	}
	rows := tracesOf(uses)
	var names []string
	for _, r := range rows {
		names = append(names, r.Unit)
	}
	tags := c.tags(ctx, names)
	var fitted, out int32
	units := map[string]bool{}
	for _, r := range rows {
		r.AssetTag = tags[r.Unit]
		fitted, out = fitted+r.Fitted, out+r.Out
		if r.Now <= 0 {
			continue
		}
		units[r.Unit] = true
		all, err := c.partUses(ctx, r.Unit)
		if err != nil {
			return err
		}
		r.since(all)
	}
	slices.SortStableFunc(rows, func(x, y *traced) int {
		return cmp.Or(heldFirst(y.Now > 0)-heldFirst(x.Now > 0), cmp.Compare(x.AssetTag, y.AssetTag), cmp.Compare(x.Part, y.Part))
	})
	a.talkf("%s", traceCaution)
	if a.json() {
		return printList(a, uses, "lot", lot.GetLot(), "units", rows)
	}
	a.printLot(lot.GetLot())
	a.paragraph(a.out, "  ", fmt.Sprintf("%d fitted, %d of them out again: %s of it.", fitted, out, haveWords(len(units))))
	if len(rows) == 0 {
		return nil
	}
	a.printf("\n")
	t := newTable("tag", "part", ">in it now", ">fitted", ">out again", "first", "last", "~later fitted", "~look at")
	for _, r := range rows {
		t.row(r.AssetTag, r.Part, fmt.Sprint(r.Now), fmt.Sprint(r.Fitted), fmt.Sprint(r.Out), showInstant(r.first, nil), showInstant(r.last, nil), r.LaterFitted, lookAt(r))
	}
	a.table(t, "")
	return nil
}

func (a *app) traceUnit(ctx context.Context, c *clients, u *registrypb.Unit) error {
	uses, err := c.partUses(ctx, u.GetName())
	if err != nil {
		return err
	}
	rows := tracesOf(uses)
	lots := map[string]*historypb.Lot{}
	for _, r := range rows {
		r.AssetTag = u.GetAssetTag()
		r.since(uses)
		if _, ok := lots[r.Lot]; ok {
			continue
		}
		switch l, err := c.Lots.GetLot(ctx, &historypb.GetLotRequest{Name: r.Lot}); status.Code(err) {
		case codes.OK:
			lots[r.Lot] = l.GetLot()
		case codes.NotFound: // an order named it, and nobody has registered it yet
			lots[r.Lot] = nil
		default:
			return err
		}
	}
	slices.SortStableFunc(rows, func(x, y *traced) int {
		return cmp.Or(heldFirst(y.Now > 0)-heldFirst(x.Now > 0), y.last.AsTime().Compare(x.last.AsTime()), cmp.Compare(x.Part, y.Part), cmp.Compare(x.Lot, y.Lot))
	})
	a.talkf("%s", traceCaution)
	if a.json() {
		return printList(a, uses, "units", rows)
	}
	t := newTable("part", "lot", "~what", "lot number", "shelf life to", ">in it now", ">fitted", ">out again", "first", "last", "~later fitted", "~look at")
	for _, r := range rows {
		l, look := lots[r.Lot], lookAt(r)
		if l == nil {
			look = strings.TrimPrefix(look+"; the lot is not registered", "; ")
		}
		t.row(r.Part, lastID(r.Lot), l.GetTitle(), l.GetLotNumber(), showDate(l.GetExpireDate()), fmt.Sprint(r.Now), fmt.Sprint(r.Fitted), fmt.Sprint(r.Out), showInstant(r.first, nil), showInstant(r.last, nil),
			r.LaterFitted, look)
	}
	a.table(t, "No part of "+u.GetAssetTag()+" is recorded as fitted from a lot.")
	return nil
}

// lookAt says what in a trace cannot be as it is recorded.
func lookAt(r *traced) string {
	if r.Now < 0 {
		return "more came out than went in"
	}
	return ""
}

func haveWords(units int) string {
	switch units {
	case 0:
		return "no unit has parts"
	case 1:
		return "1 unit has parts"
	}
	return fmt.Sprintf("%d units have parts", units)
}

// heldFirst puts what holds before what does not.
func heldFirst(holds bool) int {
	if holds {
		return 1
	}
	return 0
}
