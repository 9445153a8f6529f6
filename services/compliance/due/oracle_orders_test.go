package due_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// wOrder is what happened to a service order.
type wOrder struct {
	order     int    // id of the entry that opens it, whether there is one or not
	step      string // opened, work, fitted, taken-out, pass, fail, closed, withdrew, other
	lot, part string
	count     int
	withdraws int
}

var orderSteps = map[string]due.OrderStep{
	"opened": due.OrderOpened, "work": due.Worked, "fitted": due.Fitted, "taken-out": due.TakenOut, "pass": due.SignedPass, "fail": due.SignedOther,
	"closed": due.OrderClosed, "withdrew": due.Withdrew, "other": due.OrderOther,
}

// randomOrders adds service orders: sensible ones, and some that nobody opened, that were worked on before their opening, after their
// closing, or that were signed and closed twice.
func randomOrders(r *rand.Rand, w *world, instant func() time.Time) {
	if w.with&orders == 0 {
		return
	}
	n := 0
	add := func(e wEntry) int {
		e.id, e.celsius = 8000+1000*r.IntN(4)+n, noCelsius
		if n++; e.recorded.IsZero() {
			e.recorded = e.occurred
			if r.IntN(2) == 0 {
				e.recorded = e.occurred.Add(time.Duration(r.IntN(60*24)) * time.Hour)
			}
		}
		w.entries = append(w.entries, e)
		return e.id
	}
	for range 1 + r.IntN(4) {
		unit, at := r.IntN(len(w.units)), instant()
		var did []string
		for range 1 + r.IntN(2) {
			did = append(did, pick(r, deeds...))
		}
		order := add(wEntry{what: "order", unit: unit, occurred: at, did: did, wOrder: wOrder{step: "opened"}})
		opening := len(w.entries) - 1
		w.entries[opening].order = order
		if r.IntN(6) == 0 { // it never comes
			w.entries = w.entries[:opening]
		}
		happens := func(o wOrder) int {
			o.order = order
			if r.IntN(4) > 0 {
				at = at.Add(time.Duration(r.IntN(72)) * time.Hour)
			}
			when := at
			if r.IntN(12) == 0 {
				when = instant()
			}
			return add(wEntry{what: "order", unit: unit, occurred: when, wOrder: o})
		}
		var moved []int
		move := func(step string) {
			moved = append(moved, happens(wOrder{step: step, lot: pick(r, "a", "b"), part: pick(r, "seat", "seal"), count: 1 + r.IntN(2)}))
		}
		if r.IntN(4) > 0 {
			happens(wOrder{step: "other"})
		}
		if r.IntN(3) > 0 {
			for range 1 + r.IntN(6) {
				switch r.IntN(5) {
				case 0:
					happens(wOrder{step: "work"})
				case 1, 2:
					move("fitted")
				case 3:
					move("taken-out")
				case 4:
					if len(moved) > 0 {
						happens(wOrder{step: "withdrew", withdraws: moved[r.IntN(len(moved))]})
					}
				}
			}
		}
		for r.IntN(3) > 0 {
			step := pick(r, "pass", "fail", "closed", "closed")
			happens(wOrder{step: step})
			last := w.entries[len(w.entries)-1]
			if step == "pass" && r.IntN(2) == 0 { // as the ledger has it: with the work that was signed
				add(wEntry{what: "work", unit: unit, occurred: last.occurred, recorded: last.recorded, did: did, outcome: "pass"})
			}
			if step == "closed" && r.IntN(3) == 0 {
				add(wEntry{what: "work", unit: unit, occurred: last.occurred.Add(time.Duration(r.IntN(300)) * time.Hour), did: did[:1], outcome: "pass"})
			}
		}
		if r.IntN(4) == 0 { // nothing amends what happened to an order
			e := w.entries[len(w.entries)-1]
			for _, o := range w.entries {
				if o.what == "order" && o.order == order {
					e = o
				}
			}
			add(wEntry{what: "amendment", unit: e.unit, corrects: e.id, occurred: instant()})
		}
	}
}

func (o *wOrder) event() *due.OrderEvent {
	e := &due.OrderEvent{Order: entryID(o.order), What: orderSteps[o.step], Lot: o.lot, Part: o.part, Count: int32(o.count)}
	if o.withdraws != 0 {
		e.Withdraws = entryID(o.withdraws)
	}
	return e
}

// benched holds a unit for every order of it that anything is known of: until a signature, until a closing if nobody ever put a hand on it, and
// otherwise until one of the order's activities passed after the closing and after every hand on it.
func (o *oracle) benched(u int, hold func(id, code, blocks string)) {
	seen := map[int]bool{}
	for _, any := range o.told {
		if any.what != "order" || any.unit != u || seen[any.order] {
			continue
		}
		seen[any.order] = true
		free := false
		var closed, touched time.Time
		var forWhat []string
		for _, t := range o.told {
			if t.what != "order" || t.unit != u || t.order != any.order {
				continue
			}
			switch t.step {
			case "opened":
				forWhat = t.did
			case "pass", "fail":
				free = true
			case "closed":
				if closed.IsZero() || t.occurred.Before(closed) {
					closed = t.occurred
				}
			case "work", "fitted", "taken-out":
				if t.occurred.After(touched) {
					touched = t.occurred
				}
			}
		}
		if !closed.IsZero() && touched.IsZero() {
			free = true
		}
		for _, p := range o.told {
			if closed.IsZero() || p.what != "work" || p.unit != u || p.outcome != "pass" || !p.occurred.After(closed) || !p.occurred.After(touched) {
				continue
			}
			for _, d := range p.did {
				for _, f := range forWhat {
					free = free || d == f
				}
			}
		}
		if !free {
			hold("order-"+entryID(any.order).String(), "HOLD_OPEN", "hf")
		}
	}
}

// TestOracleOrders compares histories with service orders: open, signed, closed with and without work on them.
func TestOracleOrders(t *testing.T) {
	compare(t, 2_500, orders, func(c *due.Clock, s *due.Standing, w *world) string {
		d := due.Derive(w.input(int(c.Unit[14])<<8|int(c.Unit[15])), s.At, time.Time{})
		for _, h := range d.Holds {
			if h.Cause != due.CauseOrder {
				continue
			}
			by := ""
			for i := range w.entries {
				if entryID(w.entries[i].id) == h.Proof {
					by = w.entries[i].what + w.entries[i].step
				}
			}
			switch {
			case h.OpenAt(s.At) && len(h.ClearedBy) > 0:
				return "closed, worked on"
			case h.OpenAt(s.At):
				return "on the bench"
			case by != "":
				return by
			}
		}
		return ""
	}, "on the bench", "closed, worked on", "orderpass", "orderfail", "orderclosed", "work")
}
