package due_test

import (
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// TestCounterexamples keeps the histories on which the engine once disagreed with the oracle, made small.
func TestCounterexamples(t *testing.T) {
	visual := func(change func(*due.Rule)) due.Rule {
		r := ruleOf("visual", "visual-inspection", 12, 0)
		change(&r)
		return r
	}
	assessed := due.Evidence{Activity: "risk-assessment", Valid: 60, Months: 24}
	uses := due.Intense{Use: due.Amount{Dives: 30}, Days: 30, Months: 3}
	for _, tt := range []struct {
		name  string
		rule  due.Rule
		build func(h *history)
		want  string // last day of use
	}{
		{"work within the interval that evidence allows is not late", visual(func(r *due.Rule) { r.Late, r.Evidence = due.FromDue, assessed }), func(h *history) {
			h.add(1, "2020-01-10", work(due.Pass, "visual-inspection", "risk-assessment")).
				add(2, "2021-09-10", work(due.Pass, "visual-inspection")).
				add(3, "2021-10-10", work(due.Fail, "risk-assessment"))
		}, "2022-09-10"},
		{"and evidence that came later does not make it in time", visual(func(r *due.Rule) { r.Late, r.Evidence = due.FromDue, assessed }), func(h *history) {
			h.add(1, "2020-01-10", work(due.Pass, "visual-inspection")).
				add(2, "2021-09-10", work(due.Pass, "visual-inspection")).
				add(3, "2021-09-11", work(due.Pass, "risk-assessment"))
		}, "2023-01-10"}, // from 10 January 2021, 24 months
		{"work after the shorter limit of hard use is late", visual(func(r *due.Rule) { r.Late, r.Intense = due.FromDue, []due.Intense{uses} }), func(h *history) {
			h.add(1, "2020-01-10", work(due.Pass, "visual-inspection")).add(2, "2020-01-20", dives(30)).
				add(3, "2020-06-10", work(due.Pass, "visual-inspection"))
		}, "2021-04-10"}, // it should have been done by 10 April
		{"evidence does not outlast a conditional limit", visual(func(r *due.Rule) {
			r.Evidence, r.Intense = assessed, []due.Intense{{Use: due.Amount{Dives: 30}, Days: 30, Months: 18, Limit: due.Amount{Fills: 500}}}
		}), func(h *history) {
			h.add(1, "2020-01-10", work(due.Pass, "visual-inspection", "risk-assessment")).add(2, "2020-01-20", dives(30))
		}, "2021-07-10"},
		{"work that is late by whole intervals still counts for the rest of one", visual(func(r *due.Rule) { r.Late, r.Baselines = due.FromDue, []due.Baseline{due.Manufacture} }), func(h *history) {
			h.add(1, "2026-05-10", work(due.Pass, "visual-inspection")) // made in March 2020, due every 1 March
		}, "2027-03-01"},
		{"an unused unit's first work can be late", visual(func(r *due.Rule) {
			r.Late, r.Baselines, r.Storage = due.FromDue, []due.Baseline{due.FirstUse}, due.Storage{Months: 24, Baselines: []due.Baseline{due.Manufacture}}
		}), func(h *history) {
			h.add(1, "2022-05-10", work(due.Pass, "visual-inspection")).add(2, "2022-05-11", dives(1)) // on the shelf to 1 March 2022
		}, "2023-03-01"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			h := newHistory(t, tt.rule)
			tt.build(h)
			if got := h.derive().Clocks[0]; got.DueOn.String() != tt.want {
				t.Errorf("due %s, want %s: %+v", got.DueOn, tt.want, got)
			}
		})
	}
}

// TestPhaseInFreesNothing: a tighter revision is phased in, but never frees a unit that the one before it blocks.
func TestPhaseInFreesNothing(t *testing.T) {
	loose, tight := ruleOf("r", "inspection", 24, 0), ruleOf("r", "inspection", 6, 0)
	loose.PhaseInDays, tight.PhaseInDays = 300, 300
	h := newHistory(t, loose)
	h.in.Units[0].Commissioned = civil.Day(civil.New(2010, 1, 1))
	h.in.Packs = append(h.in.Packs, due.Pack{ID: "pack", Revision: 2, Effective: civil.New(2026, 1, 1), Rules: []due.Rule{tight}})
	for _, tt := range []struct{ work, want string }{
		{"2023-06-10", "2023-12-10"}, // overdue under both
		{"2024-01-05", "2026-01-05"}, // fine under the old text to 5 January, and so long
	} {
		h.in.Entries = nil
		h.add(1, tt.work, work(due.Pass, "inspection"))
		if c := h.derive().Clocks[1]; c.DueOn.String() != tt.want {
			t.Errorf("work of %s: due %s, want %s", tt.work, c.DueOn, tt.want)
		}
	}
	h.in.Entries = nil
	h.add(1, "2025-03-01", work(due.Pass, "inspection"))
	if c := h.derive().Clocks[1]; c.PhaseIn.IsZero() || c.DueOn != c.PhaseIn || c.DueOn.First() < civil.New(2026, 1, 1) || c.DueOn.First() >= civil.New(2026, 1, 1)+300 {
		t.Errorf("fine under the old text and overdue under the new: due %s, phased in to %s", c.DueOn, c.PhaseIn)
	}
	t.Run("new for the unit", func(t *testing.T) {
		h.in.Packs[0].Rules[0].Scope.Kinds = []string{"suit"} // the old text was not for cylinders
		h.in.Entries = nil
		h.add(1, "2023-06-10", work(due.Pass, "inspection"))
		d := h.derive()
		if c := d.Clocks[0]; len(d.Clocks) != 1 || c.PhaseIn.IsZero() || c.DueOn.First() < civil.New(2026, 1, 1) {
			t.Errorf("%+v", c)
		}
	})
	t.Run("late work within the phase-in is in time", func(t *testing.T) {
		h.in.Packs = h.in.Packs[1:]
		h.in.Packs[0].Rules[0].Late, h.in.Packs[0].Rules[0].SatisfiedBy = due.Escalate, []string{"overhaul"}
		h.in.Entries = nil
		h.add(1, "2023-06-10", work(due.Pass, "inspection")).add(2, "2026-01-01", work(due.Pass, "inspection"))
		if c := h.derive().Clocks[0]; c.AnchorEntry != entryID(2) {
			t.Errorf("%+v", c)
		}
	})
}

// TestHardUseDoesNotOverflow adds the longest running time there is to a little.
func TestHardUseDoesNotOverflow(t *testing.T) {
	rule := ruleOf("r", "filter-change", 12, 0)
	rule.Intense = []due.Intense{{Use: due.Amount{Hours: 10_000 * time.Hour}, Days: 30, Months: 1}}
	rule.Weights = []due.Weight{{Celsius: 0, Percent: 10_000}}
	h := newHistory(t, rule).add(1, "2026-01-01", work(due.Pass, "filter-change")).
		add(2, "2026-01-02", due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Hours: time.Hour}}).
		add(3, "2026-01-03", due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Hours: 1_000_000 * time.Hour}})
	if c := h.derive().Clocks[0]; c.DueOn.String() != "2026-02-01" || c.BasisEntry != entryID(3) {
		t.Errorf("due %s by %s", c.DueOn, c.BasisEntry)
	}
}
