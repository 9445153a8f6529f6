package due_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// TestExplainsWhatARuleCanState has the sentence of every link that a chain can have, each where it belongs.
func TestExplainsWhatARuleCanState(t *testing.T) {
	hours := func(d time.Duration) due.Entry {
		return due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Hours: d}}
	}
	guessed := func(e due.Entry) due.Entry { e.Estimated = true; return e }
	for _, tt := range []struct {
		name string
		rule func(*due.Rule)
		fill func(*history)
		on   civil.Date
		want []string
		none string // no sentence has this
	}{
		{"nothing to count from", func(r *due.Rule) { r.Baselines = []due.Baseline{due.Commissioning} }, func(*history) {}, civil.New(2026, 1, 1), []string{
			"Nothing says from when to count: no inspection has passed, and its commissioning is not known.",
			"On record in all: 0 dives, of 100 dives allowed.",
			"On 2026-01-01 it is without anything to count from, so the rule blocks hand-out and filling.",
		}, "come to"},
		{"end of life of unknown age", func(r *due.Rule) {
			r.EndOfLife, r.Activity, r.Baselines = true, "", []due.Baseline{due.Commissioning}
		}, func(*history) {}, civil.New(2026, 1, 1), []string{"Nothing says from when to count: its commissioning is not known."}, "activity"},
		{"baseline", func(r *due.Rule) { r.Baselines, r.SatisfiedBy = []due.Baseline{due.Manufacture}, []string{"overhaul"} }, func(*history) {}, civil.New(2021, 3, 1), []string{
			"No inspection or overhaul has passed so far, so it counts from its manufacture, 2020-03.",
			"12 months from 2020-03, counted from the month's first day because only the month is known: the last day of use is 2021-03-01.",
			"On 2021-03-01 it is due: it is the last day of use.",
		}, "blocks"},
		{"satisfied by", func(r *due.Rule) { r.SatisfiedBy = []string{"overhaul"} }, func(h *history) { h.add(1, "2026-01-31", work(due.Pass, "overhaul")) }, civil.New(2026, 2, 1), []string{
			"It counts from 2026-01-31: overhaul passed then, entry E-1, which counts as inspection.",
			"On 2026-02-01 it is fine.",
		}, "blocks"},
		{"alone", func(r *due.Rule) {
			r.Companions = []due.Companion{{Activity: "leak-test", Within: 3}}
		}, func(h *history) { h.add(1, "2026-01-31", work(due.Pass, "inspection")) }, civil.New(2026, 2, 1), []string{
			"Nothing says from when to count: no inspection that counts has passed, and the rule names nothing else to count from.",
			"The work of entry E-1 does not count: the rule asks for a passed leak-test with it within 3 days.",
		}, "no inspection has passed"},
		{"too late", func(r *due.Rule) { r.Late, r.SatisfiedBy = due.Escalate, []string{"overhaul"} }, func(h *history) {
			h.add(1, "2024-01-31", work(due.Pass, "inspection")).add(2, "2025-02-01", work(due.Pass, "inspection"))
		}, civil.New(2025, 2, 2), []string{
			"The inspection of entry E-2 came after the last day of use and does not count: now overhaul is needed.",
			"On 2025-02-02 it is overdue, so the rule blocks hand-out and filling.",
		}, ""},
		{"hard use of a limit in dives alone", func(r *due.Rule) {
			r.Months, r.Intense = 0, []due.Intense{{Use: due.Amount{Dives: 10}, Days: 2, Limit: due.Amount{Dives: 50}}}
		}, func(h *history) {
			h.add(1, "2026-01-31", work(due.Pass, "inspection")).add(2, "2026-02-01", dives(9)).add(3, "2026-02-02", dives(1))
		}, civil.New(2026, 2, 3), []string{
			"From entry E-3 on it counts as used hard, so the shorter limit applies: 50 dives.",
			"Counted since then: 10 dives of 50 dives allowed, which leaves 40 dives.",
			"At the rate of the 365 days up to its last use, the usage limit will be reached about 2026-03-14; that is an estimate.",
		}, "No shorter"},
		{"not used hard", func(r *due.Rule) { r.Intense = []due.Intense{{Use: due.Amount{Dives: 10}, Days: 2, Months: 6}} }, func(h *history) {
			h.add(1, "2026-01-31", work(due.Pass, "inspection")).add(2, "2026-02-01", dives(9))
		}, civil.New(2026, 2, 3), []string{"No shorter limit for hard use applies."}, "used hard"},
		{"evidence", func(r *due.Rule) { r.Evidence = due.Evidence{Activity: "risk-assessment", Valid: 24, Months: 36} }, func(h *history) {
			h.add(1, "2026-01-31", work(due.Pass, "inspection")).add(2, "2026-02-01", work(due.Pass, "risk-assessment"))
		}, civil.New(2026, 2, 3), []string{
			"The risk-assessment of entry E-2 allows 36 months instead of 12 months for as long as it counts, until 2028-02-01; then the shorter interval is back.",
			"36 months from 2026-01-31: that is 2029-01-31; the evidence ends earlier, so the last day of use is 2028-02-01.",
		}, "No risk-assessment"},
		{"no evidence", func(r *due.Rule) { r.Evidence = due.Evidence{Activity: "risk-assessment", Valid: 24, Months: 36} }, func(h *history) {
			h.add(1, "2026-01-31", work(due.Pass, "inspection"))
		}, civil.New(2026, 2, 3), []string{"No risk-assessment lengthens the interval.", "12 months from 2026-01-31: the last day of use is 2027-01-31."}, "allows"},
		{"spent, an estimate among it", func(*due.Rule) {}, func(h *history) {
			h.add(1, "2026-01-31", work(due.Pass, "inspection")).add(2, "2026-02-01", dives(90)).add(3, "2026-02-02", guessed(dives(10)))
		}, civil.New(2026, 2, 3), []string{
			"Counted since then: 100 dives of 100 dives allowed, which leaves nothing.",
			"This includes an estimate of 10 dives for a missing log, which counts in full.",
			"On 2026-02-03 it is due: nothing is left, so the rule blocks hand-out and filling.",
		}, "last day of use."},
		{"over, in hours", func(r *due.Rule) { r.Limit = due.Amount{Hours: 250 * time.Hour} }, func(h *history) {
			h.add(1, "2026-01-31", work(due.Pass, "inspection")).add(2, "2026-02-01", hours(251*time.Hour+30*time.Minute+time.Second/2))
		}, civil.New(2026, 2, 3), []string{
			"Counted since then: 251 hours 30 minutes 0.5 seconds of 250 hours of running time allowed, 1 hour 30 minutes 0.5 seconds too many.",
		}, "dives"},
		{"waived", func(*due.Rule) {}, func(h *history) {
			h.add(1, "2024-01-31", work(due.Pass, "inspection"))
			h.in.Waivers = []due.Waiver{{ID: "w", Unit: unitID(1), Pack: "pack", Rule: "r", From: civil.New(2025, 2, 1), To: civil.New(2025, 3, 1), Granted: h.at("2025-02-01")}}
		}, civil.New(2025, 3, 1), []string{
			"A signed waiver excuses the unit from this rule from 2025-02-01 to 2025-03-01, both included.",
			"On 2025-03-01 it is overdue, but a waiver excuses it: the rule blocks nothing.",
		}, "so the rule blocks"},
		{"filled before", func(r *due.Rule) { r.HandOutIfFilledBefore = true }, func(h *history) { h.add(1, "2024-01-31", work(due.Pass, "inspection")) }, civil.New(2025, 2, 1), []string{
			"On 2025-02-01 it is overdue, so the rule blocks hand-out and filling (if last filled by 2025-01-31 it may still be handed out).",
		}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rule := ruleOf("r", "inspection", 12, 100)
			tt.rule(&rule)
			h := newHistory(t, rule)
			tt.fill(h)
			c := h.derive().Clocks[0]
			got := c.Explain(tt.on, due.Names{Entry: func(id uuid.UUID) string { return "E-" + string('0'+id[len(id)-1]) }})
			at := -1
			for _, w := range tt.want {
				next := slices.Index(got, w)
				if next <= at {
					t.Errorf("%q is missing or out of place in\n%s", w, strings.Join(got, "\n"))
				}
				at = next
			}
			if tt.none != "" && strings.Contains(strings.Join(got, "\n"), tt.none) {
				t.Errorf("%q is in\n%s", tt.none, strings.Join(got, "\n"))
			}
		})
	}
}

// TestExplainsAPhaseIn: the sentences of a rule that was tightened on an old unit, on the last day of its phase-in and the day after.
func TestExplainsAPhaseIn(t *testing.T) {
	loose := ruleOf("r", "inspection", 24, 0)
	h := newHistory(t, loose).add(1, "2024-08-01", work(due.Pass, "inspection"))
	tight := loose
	tight.Months, tight.PhaseInDays = 12, 90
	h.in.Packs = append(h.in.Packs, due.Pack{ID: "pack", Revision: 2, Effective: civil.New(2026, 1, 1), Rules: []due.Rule{tight}})
	c := h.derive().Clocks[1]
	day := c.PhaseIn.First()
	if day < civil.New(2026, 1, 1) || day >= civil.New(2026, 4, 1) {
		t.Fatalf("phased in to %s", day)
	}
	for on, want := range map[civil.Date]string{
		day:     "On " + day.String() + " it is due: it is the last day of use.",
		day + 1: "On " + (day + 1).String() + " it is overdue, so the rule blocks hand-out and filling.",
	} {
		got := c.Explain(on, due.Names{})
		for _, w := range []string{
			"12 months from 2024-08-01: that is 2025-08-01; phased in, the last day of use is " + day.String() + ".",
			"The rule came, or was tightened, after the day it counts from: it is phased in over 90 days and blocks this unit only after " + day.String() + ".",
			want,
		} {
			if !slices.Contains(got, w) {
				t.Errorf("%q is missing in\n%s", w, strings.Join(got, "\n"))
			}
		}
	}
}

// TestClearsSaysWhatIsNeeded: what would clear a limit passed is what the rule counts.
func TestClearsSaysWhatIsNeeded(t *testing.T) {
	for _, tt := range []struct {
		name string
		rule func(*due.Rule)
		want string
	}{
		{"the activity", func(*due.Rule) {}, "A passed inspection."},
		{"a more thorough one too", func(r *due.Rule) { r.SatisfiedBy = []string{"overhaul"} }, "A passed inspection or overhaul."},
		{"only a more thorough one", func(r *due.Rule) { r.SatisfiedBy, r.Late = []string{"overhaul"}, due.Escalate }, "A passed overhaul."},
		{"with a companion", func(r *due.Rule) { r.Companions = []due.Companion{{Activity: "leak-test", First: true}} },
			"A passed inspection, and a passed leak-test before it on the same day."},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rule := ruleOf("r", "inspection", 12, 0)
			tt.rule(&rule)
			h := newHistory(t, rule).add(1, "2024-01-31", work(due.Pass, "leak-test", "inspection"))
			s := h.stand("2025-02-01")
			if wantCodes(t, s, "DATE_LIMIT_PASSED"); s.Reasons[0].Clears(due.Names{}) != tt.want {
				t.Errorf("%q, want %q", s.Reasons[0].Clears(due.Names{}), tt.want)
			}
		})
	}
}
