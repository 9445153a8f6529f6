package due

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
)

// OrderEvent is one thing that happened to a service order of a unit. The entry of an opening has the order's activities.
type OrderEvent struct {
	Order uuid.UUID // id of the entry that opened it
	What  OrderStep

	// Fitted, TakenOut.
	Lot   string // id of the lot: [a-z0-9-]{1,60}
	Part  string // id of the procedure's part
	Count int32

	// Withdrew.
	Withdraws uuid.UUID // the event of the order that never happened
}

// OrderStep is what happened to a service order, as far as anything depends on it. The values are stored.
type OrderStep uint8

// The steps. Somebody's hands were on the unit with Worked, Fitted and TakenOut.
const (
	OrderOpened OrderStep = iota + 1
	Worked                // a step was done or checked, parts of no lot were moved, a test was made, a station did its work
	Fitted                // parts of a lot were put in
	TakenOut              // parts of a lot that were put in in the order came out again
	SignedPass
	SignedOther
	OrderClosed
	Withdrew   // an event never happened
	OrderOther // taken up, waiting, something found
)

// work says whether the unit may not be as it was before.
func (s OrderStep) work() bool { return s == Worked || s == Fitted || s == TakenOut }

// OrderHold returns the id of the hold of a service order.
func OrderHold(order uuid.UUID) string { return "order-" + order.String() }

// serviceOrder is an order as its events tell it.
type serviceOrder struct {
	id      uuid.UUID
	first   *event // of all of them, the opening or not
	opening *event // nil while it has not arrived
	signed  *event // the first signature
	closed  *event // the first closing
	worked  *event // the last work; withdrawn work is work: parts may have moved
}

// orderHolds holds the unit for each of its service orders from its first event on, whether or not its opening is known. The first signature
// lifts it, whatever that says of the unit: a fail and a condemnation are entries of their own. So does a closing without one, if nobody ever
// worked on the unit. Otherwise it takes a pass of one of the order's activities, strictly after both the closing and the last work: nobody vouches
// for what was taken apart.
func (e *engine) orderHolds(d *Derived) {
	var orders []serviceOrder
	for i := range e.events {
		ev := &e.events[i]
		if ev.entry.Kind != OrderEntry || ev.unit != e.in.Unit || ev.entry.Order == nil {
			continue
		}
		at := slices.IndexFunc(orders, func(o serviceOrder) bool { return o.id == ev.entry.Order.Order })
		if at < 0 {
			at = len(orders)
			orders = append(orders, serviceOrder{id: ev.entry.Order.Order, first: ev})
		}
		orders[at].add(ev)
	}
	for i := range orders {
		d.Holds = append(d.Holds, e.orderHold(&orders[i]))
	}
}

// add adds the next event.
func (o *serviceOrder) add(ev *event) {
	first := func(p **event) {
		if *p == nil {
			*p = ev
		}
	}
	switch what := ev.entry.Order.What; {
	case what == OrderOpened:
		first(&o.opening)
	case what == SignedPass || what == SignedOther:
		first(&o.signed)
	case what == OrderClosed:
		first(&o.closed)
	case what.work():
		o.worked = ev
	}
}

func (e *engine) orderHold(o *serviceOrder) Hold {
	h := Hold{ID: OrderHold(o.id), Unit: e.in.Unit, Cause: CauseOrder, Blocks: HandOut | Fill, Opened: o.first.at, Entry: o.first.id}
	var activities []string
	if o.opening != nil {
		h.Entry, activities = o.opening.id, o.opening.entry.Activities
	}
	since := fmt.Sprintf(" since %s", e.day(h.Opened))
	switch {
	case o.opening == nil:
		since += "; the order's opening is not on record yet"
	case len(activities) > 0:
		since = ": " + list(activities, " and ") + "," + since
	}
	h.Reason = "On the bench" + since + "."
	lift := func(at time.Time, by uuid.UUID) {
		if h.Lifted.IsZero() || at.Before(h.Lifted) || at.Equal(h.Lifted) && compareIDs(by, h.Proof) < 0 {
			h.Lifted, h.Proof = at, by
		}
	}
	if o.signed != nil {
		lift(o.signed.at, o.signed.id)
	}
	if o.closed == nil || o.signed != nil && compareEvents(o.signed, o.closed) < 0 {
		return h
	}
	if o.worked == nil {
		lift(o.closed.at, o.closed.id)
		return h
	}
	h.Reason = fmt.Sprintf("Worked on in an order that was closed on %s without a signature%s.", e.day(o.closed.at), since)
	h.ClearedBy = activities
	after := o.closed.at
	if o.worked.at.After(after) {
		after = o.worked.at
	}
	for i := range e.passes {
		p := &e.passes[i]
		if p.occurred.After(after) && slices.ContainsFunc(p.activities, func(a string) bool { return slices.Contains(activities, a) }) {
			lift(p.occurred, p.entry)
			break
		}
	}
	return h
}
