package compliance

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// Gain is how many more units could be promised if one thing were cleared, and nothing else: the work of one rule, one recall, or one hold of neither.
type Gain struct {
	Pack, Rule string
	Recall     string
	Held       uuid.UUID // the unit of Hold: the one that could be promised, or a part of it
	Hold       string
	Title      string
	Count      int64
	Units      []uuid.UUID // at most mostGained
	Tags       []string
}

const (
	mostGained = 100 // units that a gain names
	mostGains  = 500 // gains that are told
)

// Gains works out what would be gained. Units are added in the order in which a gain names them.
type Gains struct {
	At       time.Time // when the work would be done
	Window   promise.Window
	Expected due.Amount

	all map[gainKey]*Gain
}

type gainKey struct {
	pack, rule, recall string
	held               uuid.UUID
	hold               string
}

// Add adds a unit that may not be promised, with all that stands against it.
func (g *Gains) Add(u *promise.Unit, set *Set, reasons []due.Reason) {
	var key gainKey
	var title string
	for i := range reasons {
		k, t, ok := g.clears(u, set, &reasons[i])
		if !ok || i > 0 && k != key {
			return
		}
		key, title = k, t
	}
	if len(reasons) == 0 {
		return
	}
	if g.all == nil {
		g.all = map[gainKey]*Gain{}
	}
	gain := g.all[key]
	if gain == nil {
		gain = &Gain{Pack: key.pack, Rule: key.rule, Recall: key.recall, Held: key.held, Hold: key.hold, Title: strings.TrimSuffix(title, ".")}
		g.all[key] = gain
	}
	if gain.Count++; len(gain.Units) < mostGained {
		gain.Units, gain.Tags = append(gain.Units, u.ID), append(gain.Tags, u.Tag)
	}
}

// clears returns the one thing that would clear a reason; ok is false if there is none.
func (g *Gains) clears(u *promise.Unit, set *Set, r *due.Reason) (k gainKey, title string, ok bool) {
	switch r.Code {
	case due.DateLimitPassed, due.DateLimitBeforeReturn, due.UsageLimitReached, due.UsageLeftTooLittle, due.MissingHistory, due.HoldOpen:
	default:
		return k, "", false // nothing clears it, or nothing that is done at a bench
	}
	switch h := r.Hold; {
	case r.Clock != nil:
		c := r.Clock
		return gainKey{pack: c.Pack.ID, rule: c.Rule.ID}, c.Rule.Title, c.Rule.Activity != "" && !c.Rule.EndOfLife && g.enough(u, set, c)
	case h == nil:
		return k, "", false
	case h.Cause == due.CauseRecall:
		return gainKey{recall: strings.TrimPrefix(h.ID, due.RecallHold(""))}, h.Reason, true
	}
	return gainKey{held: r.Unit, hold: r.Hold.ID}, r.Hold.Reason, true
}

// enough says whether the unit could go through the window, with all that is promised of it, had the rule's work been done.
func (g *Gains) enough(u *promise.Unit, set *Set, c *due.Clock) bool {
	want := u.Promised(uuid.Nil).Plus(g.Expected)
	l := c.Rule.Limit
	if l.Dives > 0 && want.Dives > l.Dives || l.Hours > 0 && want.Hours > l.Hours || l.Fills > 0 && want.Fills > l.Fills {
		return false
	}
	loc := set.Self.Stay.Zone
	if loc == nil {
		loc = time.UTC
	}
	return c.Rule.Months <= 0 || civil.In(g.Window.End, loc) <= civil.In(g.At, loc).AddMonths(c.Rule.Months)
}

// List returns the gains, the most first, and at most mostGains of them.
func (g *Gains) List() []Gain {
	out := make([]Gain, 0, len(g.all))
	for _, gain := range g.all {
		out = append(out, *gain)
	}
	slices.SortFunc(out, func(a, b Gain) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Pack, b.Pack), cmp.Compare(a.Rule, b.Rule), cmp.Compare(a.Recall, b.Recall), slices.Compare(a.Tags, b.Tags), cmp.Compare(a.Hold, b.Hold))
	})
	return out[:min(len(out), mostGains)]
}
