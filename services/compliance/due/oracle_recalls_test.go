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
		ID: c.id, Title: "Notice", Scope: c.covers.rule("").Scope, Blocks: useOf(c.blocks), RemediedBy: c.remedies, Opened: c.opened, Withdrawn: c.withdrawn,
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
