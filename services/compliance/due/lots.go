package due

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
)

// LotUse says that parts of a lot were put into a unit in a service order, more than came out again in it.
type LotUse struct {
	Lot   string
	Order uuid.UUID
	Part  string
	Count int64 // above 0
}

// LotUses returns of which lots parts were put into in.Unit, by lot, order and part; at and known as in Derive.
//
// Parts that are replaced in a later order still count: nothing says which of them came out. An event that was withdrawn while its order was
// worked on counts for nothing. Once an order is signed or closed nothing takes parts of it out again: neither a withdrawal nor parts that came out.
func LotUses(in Input, at, known time.Time) []LotUse {
	e := engine{in: &in, at: at, known: known}
	var all []event
	in.All(func(h *History) {
		for i := range h.Entries {
			if said := &h.Entries[i]; said.Unit == in.Unit && said.Kind == OrderEntry && e.happened(said.Occurred) && e.wasKnown(said.Recorded) {
				all = append(all, event{id: said.ID, unit: said.Unit, at: said.Occurred, entry: said})
			}
		}
	})
	if len(all) == 0 {
		return nil
	}
	slices.SortFunc(all, func(a, b event) int { return compareEvents(&a, &b) })
	return lotUses(all, in.Unit)
}

// lotUses returns the uses that events of a unit come to, in the order in which they happened.
func lotUses(events []event, unit uuid.UUID) (out []LotUse) {
	var ended []uuid.UUID
	gone := map[uuid.UUID]uuid.UUID{} // by event that was withdrawn: in which order
	each := func(fn func(ev *event, o *OrderEvent, open bool)) {
		ended = ended[:0]
		for i := range events {
			ev := &events[i]
			o := ev.entry.Order
			if ev.entry.Kind != OrderEntry || ev.unit != unit || o == nil {
				continue
			}
			fn(ev, o, !slices.Contains(ended, o.Order))
			if o.What == SignedPass || o.What == SignedOther || o.What == OrderClosed {
				ended = append(ended, o.Order)
			}
		}
	}
	each(func(_ *event, o *OrderEvent, open bool) {
		if o.What == Withdrew && open {
			gone[o.Withdraws] = o.Order
		}
	})
	each(func(ev *event, o *OrderEvent, open bool) {
		n := int64(max(0, o.Count))
		if in, withdrawn := gone[ev.id]; withdrawn && in == o.Order {
			return
		}
		switch {
		case o.What == Fitted:
		case o.What == TakenOut && open:
			n = -n
		default:
			return
		}
		at := slices.IndexFunc(out, func(u LotUse) bool { return u.Lot == o.Lot && u.Order == o.Order && u.Part == o.Part })
		if at < 0 {
			at = len(out)
			out = append(out, LotUse{Lot: o.Lot, Order: o.Order, Part: o.Part})
		}
		out[at].Count += n
	})
	out = slices.DeleteFunc(out, func(u LotUse) bool { return u.Count <= 0 })
	slices.SortFunc(out, func(a, b LotUse) int {
		if c := strings.Compare(a.Lot, b.Lot); c != 0 {
			return c
		}
		if c := compareIDs(a.Order, b.Order); c != 0 {
			return c
		}
		return strings.Compare(a.Part, b.Part)
	})
	return out
}

// toldLots is how many lots a sentence names.
const toldLots = 3

// lotsText says which of the recall's lots parts were put in of, to go on a sentence; empty for a recall that is not about lots.
func (r *Recall) lotsText(uses []LotUse) string {
	if len(r.Lots) == 0 {
		return ""
	}
	var found []string
	for _, u := range uses {
		if slices.Contains(r.Lots, u.Lot) && !slices.Contains(found, u.Lot) {
			found = append(found, u.Lot)
		}
	}
	noun := "lot "
	if len(found) > 1 {
		noun = "lots "
	}
	if more := len(found) - toldLots; more > 0 {
		found = append(found[:toldLots], fmt.Sprintf("%d more", more))
	}
	return " Parts of " + noun + list(found, " and ") + " were put in."
}
