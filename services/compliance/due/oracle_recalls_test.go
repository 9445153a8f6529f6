package due_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// wRecall is a recall of a random world, with the units that were let off it.
type wRecall struct {
	id        string
	covers    wRule // only what it covers matters
	lots      []string
	blocks    string
	remedies  []string
	opened    time.Time
	withdrawn time.Time
	releases  []wRelease
}

type wRelease struct {
	unit int
	at   time.Time
}

func randomRecalls(r *rand.Rand, w *world, instant func() time.Time) (out []wRecall) {
	if w.with&recalls == 0 {
		return nil
	}
	for i := range 1 + r.IntN(4) {
		c := wRecall{id: fmt.Sprintf("notice-%d", i), covers: randomRule(r, "", 0), blocks: pick(r, "h", "f", "hf"), opened: instant()}
		for w.with&orders != 0 && r.IntN(2) == 0 && len(c.lots) < 2 {
			if c.lots = append(c.lots, pick(r, "a", "b", "c")); r.IntN(3) > 0 {
				c.covers = wRule{}
			}
		}
		for range r.IntN(3) {
			c.remedies = append(c.remedies, pick(r, deeds...))
		}
		if t := instant(); r.IntN(4) == 0 && t.After(c.opened) {
			c.withdrawn = t
		}
		for u := range w.units {
			if t := instant(); r.IntN(6) == 0 && t.After(c.opened) {
				c.releases = append(c.releases, wRelease{u, t})
			}
		}
		out = append(out, c)
	}
	return out
}

func (c *wRecall) put(in *due.Input) {
	in.Recalls = append(in.Recalls, due.Recall{
		ID: c.id, Title: "Notice", Scope: c.covers.rule("").Scope, Lots: c.lots, Blocks: useOf(c.blocks), RemediedBy: c.remedies, Opened: c.opened, Withdrawn: c.withdrawn,
		Withdrawer: "maker", WithdrawReason: "Not needed.",
	})
	for _, l := range c.releases {
		in.Releases = append(in.Releases, due.Release{Recall: c.id, Unit: unitID(l.unit), Released: l.at, Releaser: "manager", Reason: "Not of the lot."})
	}
}

// recalled holds a unit for every notice that covers it and was issued by then, unless the remedy was done after the notice, or the unit was let
// off, or the notice was taken back.
func (o *oracle) recalled(u int, hold func(id, code, blocks string)) {
	for _, c := range o.w.recalls {
		if c.opened.After(o.at) || !o.isKnown(c.opened) || !c.covers.covers(o.w.units[u], o.stay(u, o.at).jurisdiction) {
			continue
		}
		if len(c.lots) > 0 && !o.fitted(u, c.lots) {
			continue
		}
		over := !c.withdrawn.IsZero() && !c.withdrawn.After(o.at) && o.isKnown(c.withdrawn)
		for _, l := range c.releases {
			over = over || l.unit == u && !l.at.After(o.at) && o.isKnown(l.at)
		}
		for _, p := range o.told {
			if p.unit == u && p.what == "work" && p.outcome == "pass" && p.occurred.After(c.opened) {
				for _, d := range p.did {
					over = over || strings.Contains(" "+strings.Join(c.remedies, " ")+" ", " "+d+" ")
				}
			}
		}
		if !over {
			hold("recall-"+c.id, "HOLD_OPEN", c.blocks)
		}
	}
}

// fitted says whether some order put more parts of one of the lots into a unit than came out again before the order was signed or closed; what
// was withdrawn by then never happened.
func (o *oracle) fitted(u int, lots []string) bool {
	type use struct {
		order     int
		lot, part string
	}
	balance := map[use]int{}
	for i := range o.told {
		t := &o.told[i]
		if t.what != "order" || t.unit != u || t.step != "fitted" && t.step != "taken-out" {
			continue
		}
		while := func(e *told) bool { // the order was open
			for j := range o.told {
				end := &o.told[j]
				if end.what == "order" && end.unit == u && end.order == t.order && (end.step == "pass" || end.step == "fail" || end.step == "closed") && earlier(end, e) {
					return false
				}
			}
			return true
		}
		counts := t.step == "fitted" || while(t)
		for j := range o.told {
			w := &o.told[j]
			if w.what == "order" && w.unit == u && w.step == "withdrew" && w.order == t.order && w.withdraws == t.id && while(w) {
				counts = false
			}
		}
		switch k := (use{t.order, t.lot, t.part}); {
		case !counts:
		case t.step == "fitted":
			balance[k] += t.count
		default:
			balance[k] -= t.count
		}
	}
	for k, n := range balance {
		for _, l := range lots {
			if n > 0 && k.lot == l {
				return true
			}
		}
	}
	return false
}

// TestOracleRecallsOfLots compares histories with recalls of lots of parts that service orders put into units.
func TestOracleRecallsOfLots(t *testing.T) {
	compare(t, 2_500, recalls|orders, func(c *due.Clock, s *due.Standing, w *world) string {
		in := w.input(int(c.Unit[14])<<8 | int(c.Unit[15]))
		d := due.Derive(in, s.At, time.Time{})
		for _, h := range d.Holds {
			if h.Cause == due.CauseRecall && strings.Contains(h.Reason, "Parts of lot") {
				if h.OpenAt(s.At) {
					return "held"
				}
				return "lifted"
			}
		}
		if len(due.LotUses(in, s.At, time.Time{})) > 0 {
			return "parts of other lots"
		}
		return ""
	}, "held", "lifted", "parts of other lots")
}

// TestOracleRecalls compares histories with recalls: remedied, withdrawn, units let off them.
func TestOracleRecalls(t *testing.T) {
	compare(t, 2_500, recalls, func(c *due.Clock, s *due.Standing, w *world) string {
		d := due.Derive(w.input(int(c.Unit[14])<<8|int(c.Unit[15])), s.At, time.Time{})
		for _, h := range d.Holds {
			switch {
			case h.Cause != due.CauseRecall:
			case h.OpenAt(s.At):
				return "held"
			case h.Lifter == "maker":
				return "withdrawn"
			case h.Lifter == "manager":
				return "let off"
			default:
				return "remedied"
			}
		}
		return ""
	}, "held", "withdrawn", "let off", "remedied")
}
