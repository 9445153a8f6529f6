package due_test

import (
	"slices"
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// ordered is an event of the order that entry 100 opens.
func ordered(what due.OrderStep) due.Entry {
	return due.Entry{Kind: due.OrderEntry, Order: &due.OrderEvent{Order: entryID(100), What: what}}
}

func openedFor(activities ...string) due.Entry {
	e := ordered(due.OrderOpened)
	e.Activities = activities
	return e
}

// TestServiceOrdersHold takes orders to each of their ends: from their opening on nothing is handed out or filled.
func TestServiceOrdersHold(t *testing.T) {
	rule := ruleOf("r", "inspection", 120, 0)
	rule.Baselines = []due.Baseline{due.Manufacture}
	for name, c := range map[string]struct {
		give   func(h *history) // beside the opening of 9 March
		held   string           // the last day on which it is held; empty while it is for good
		reason string
		proof  int
		lifts  string // what would, while it is held
		free   []string
	}{
		"open": {func(h *history) {}, "", "On the bench: overhaul and inspection, since 2026-03-09.", 0, "The signature of its service order, or the order's closing if nobody worked on the unit.", nil},
		"worked on, and the activity passed elsewhere": {func(h *history) {
			h.add(2, "2026-03-10", ordered(due.Worked)).add(3, "2026-03-11", work(due.Pass, "overhaul"))
		}, "", "On the bench: overhaul and inspection, since 2026-03-09.", 0, "The signature of its service order, or the order's closing if nobody worked on the unit.", nil},
		"signed": {func(h *history) {
			h.add(2, "2026-03-10", ordered(due.Worked)).add(4, "2026-03-12", ordered(due.SignedPass)).add(5, "2026-03-13", ordered(due.SignedOther)).add(6, "2026-03-14", ordered(due.OrderClosed))
		}, "2026-03-11", "On the bench: overhaul and inspection, since 2026-03-09.", 4, "", nil},
		"signed as failed: its own entry holds then": {func(h *history) { h.add(4, "2026-03-12", ordered(due.SignedOther)) }, "2026-03-11", "On the bench: overhaul and inspection, since 2026-03-09.", 4, "", nil},
		"closed, untouched": {func(h *history) {
			h.add(2, "2026-03-10", ordered(due.OrderOther)).add(3, "2026-03-10", ordered(due.Withdrew)).add(4, "2026-03-12", ordered(due.OrderClosed))
		}, "2026-03-11", "On the bench: overhaul and inspection, since 2026-03-09.", 4, "", nil},
		"closed, worked on": {func(h *history) {
			h.add(2, "2026-03-10", ordered(due.Fitted)).add(4, "2026-03-12", ordered(due.OrderClosed)).add(5, "2026-03-12", work(due.Pass, "overhaul")).
				add(6, "2026-03-13", work(due.Pass, "calibration")).add(7, "2026-03-13", work(due.Fail, "calibration"))
		}, "", "Worked on in an order that was closed on 2026-03-12 without a signature: overhaul and inspection, since 2026-03-09.", 0, "A pass of overhaul or inspection after the order's closing and the last work in it.", nil},
		"closed, worked on, proved": {func(h *history) {
			h.add(2, "2026-03-10", ordered(due.TakenOut)).add(4, "2026-03-12", ordered(due.OrderClosed)).add(6, "2026-03-15", work(due.Pass, "inspection")).add(5, "2026-03-15", work(due.Pass, "overhaul"))
		}, "2026-03-14", "Worked on in an order that was closed on 2026-03-12 without a signature: overhaul and inspection, since 2026-03-09.", 5, "", nil},
		"closed, worked on as was withdrawn: parts may have moved": {func(h *history) {
			gone := ordered(due.Withdrew)
			gone.Order.Withdraws = entryID(2)
			h.add(2, "2026-03-10", ordered(due.Worked)).add(3, "2026-03-11", gone).add(4, "2026-03-12", ordered(due.OrderClosed))
		}, "", "Worked on in an order that was closed on 2026-03-12 without a signature: overhaul and inspection, since 2026-03-09.", 0, "A pass of overhaul or inspection after the order's closing and the last work in it.", nil},
		"closed while a bench went on, without a network": {func(h *history) {
			h.add(4, "2026-03-12", ordered(due.OrderClosed)).add(5, "2026-03-13", work(due.Pass, "overhaul")).add(2, "2026-03-14", ordered(due.Worked)).add(6, "2026-03-16", work(due.Pass, "overhaul"))
		}, "2026-03-15", "Worked on in an order that was closed on 2026-03-12 without a signature: overhaul and inspection, since 2026-03-09.", 6, "", []string{"2026-03-12", "2026-03-13"}},
		"signed after it was closed": {func(h *history) {
			h.add(2, "2026-03-10", ordered(due.Worked)).add(4, "2026-03-12", ordered(due.OrderClosed)).add(5, "2026-03-14", ordered(due.SignedPass))
		}, "2026-03-13", "Worked on in an order that was closed on 2026-03-12 without a signature: overhaul and inspection, since 2026-03-09.", 5, "", nil},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHistory(t, rule)
			h.add(100, "2026-03-09", openedFor("overhaul", "inspection"))
			c.give(h)
			h.add(90, "2026-03-10", due.Entry{Kind: due.Amendment, Corrects: entryID(100)}) // says nothing
			wantHeld := func(d civil.Date) bool {
				return d >= civil.New(2026, 3, 9) && (c.held == "" || d.String() <= c.held) && !slices.Contains(c.free, d.String())
			}
			for d := civil.New(2026, 3, 7); d <= civil.New(2026, 3, 20); d++ {
				s := h.stand(d.String())
				i := slices.IndexFunc(s.Holds, func(h *due.Hold) bool { return h.Cause == due.CauseOrder })
				if got := i >= 0; got != wantHeld(d) || got && (s.MayHandOut || s.MayFill) {
					t.Errorf("on %s: held %v, may be handed out %v, filled %v", d, got, s.MayHandOut, s.MayFill)
				}
				if i >= 0 && d == civil.New(2026, 3, 20) {
					j := slices.IndexFunc(s.Reasons, func(r due.Reason) bool { return r.Hold == s.Holds[i] })
					if got := s.Reasons[j].Clears(due.Names{}); got != c.lifts {
						t.Errorf("lifted by %q", got)
					}
				}
			}
			d := h.derive()
			i := slices.IndexFunc(d.Holds, func(h due.Hold) bool { return h.Cause == due.CauseOrder })
			if i < 0 {
				t.Fatal("nothing is kept")
			}
			got := d.Holds[i]
			if got.Reason != c.reason || got.ID != "order-"+entryID(100).String() || got.Entry != entryID(100) || got.Blocks != due.HandOut|due.Fill {
				t.Errorf("hold %+v", got)
			}
			if c.proof > 0 && got.Proof != entryID(c.proof) || c.proof == 0 && !got.Lifted.IsZero() {
				t.Errorf("lifted by %v at %v", got.Proof, got.Lifted)
			}
		})
	}
}

// TestUnknownOrdersHold: an event of an order whose opening has not arrived holds from its own instant on, and a set with the unit in it too.
func TestUnknownOrdersHold(t *testing.T) {
	rule := ruleOf("r", "inspection", 120, 0)
	rule.Baselines = []due.Baseline{due.Manufacture}
	h := newHistory(t, rule)
	h.add(1, "2026-03-10", ordered(due.Worked))
	wantCodes(t, h.stand("2026-03-09"))
	s := h.stand("2026-03-10")
	wantCodes(t, s, "HOLD_OPEN")
	if r := s.Reasons[0].Sentence(due.Names{}); r != "On the bench since 2026-03-10; the order's opening is not on record yet." {
		t.Errorf("%q", r)
	}
	h.add(100, "2026-03-08", openedFor("overhaul"))
	wantCodes(t, h.stand("2026-03-08"), "HOLD_OPEN")

	set := newHistory(t, rule)
	part := set.unit(2, set.in.Units[0].Kind)
	part.Manufactured = set.in.Units[0].Manufactured
	set.in.Fittings = []due.Fitting{{Part: part.Unit, Host: set.in.Unit, From: h0(t, "2026-01-01")}}
	e := openedFor("overhaul")
	e.ID, e.Unit, e.Occurred = entryID(100), part.Unit, h0(t, "2026-03-09")
	e.Recorded = e.Occurred
	set.in.Entries = append(set.in.Entries, e)
	whole, _, _ := stand(set.in, h0(t, "2026-03-10"), time.Time{})
	if whole.MayHandOut || whole.MayFill || len(whole.Holds) != 1 || whole.Holds[0].Unit != part.Unit {
		t.Errorf("a set with a part on the bench: %+v", whole)
	}
}
