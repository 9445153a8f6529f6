package due_test

import (
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// The tests of this file stand on both sides of a boundary that random histories rarely meet to the day. Each was written for a change
// of the engine by one day, one unit or one instant that nothing else noticed.

// TestLateFromTheDayAfter does the work on the last day of use, and on the day after.
func TestLateFromTheDayAfter(t *testing.T) {
	for _, tt := range []struct {
		late due.Late
		when string
		due  string
		from int // entry
		why  due.Why
	}{
		{due.Escalate, "2021-01-10T23:59:59Z", "2022-01-10", 2, due.WhyNone},
		{due.Escalate, "2021-01-11", "2021-01-10", 1, due.WhyLate},
		{due.FromDue, "2021-01-10T23:59:59Z", "2022-01-10", 2, due.WhyNone},
		{due.FromDue, "2021-01-11", "2022-01-10", 2, due.WhyNone},
		{due.FromWork, "2021-01-11", "2022-01-11", 2, due.WhyNone},
	} {
		rule := ruleOf("visual", "visual-inspection", 12, 0)
		rule.Late, rule.SatisfiedBy = tt.late, []string{"overhaul"}
		h := newHistory(t, rule).add(1, "2020-01-10", work(due.Pass, "visual-inspection")).add(2, tt.when, work(due.Pass, "visual-inspection"))
		c := h.derive().Clocks[0]
		late := tt.late == due.FromDue && tt.when == "2021-01-11"
		if c.DueOn.String() != tt.due || c.AnchorEntry != entryID(tt.from) || c.RejectedWhy != tt.why || c.AnchorLate != late {
			t.Errorf("%d, work of %s: due %s from %s, rejected %d, late %t", tt.late, tt.when, c.DueOn, c.AnchorEntry, c.RejectedWhy, c.AnchorLate)
		}
	}
}

// TestUsedUnitsAreNotStored: what a unit ages from on the shelf is nothing to one that was used, even if its rule then has nothing to
// count from.
func TestUsedUnitsAreNotStored(t *testing.T) {
	rule := ruleOf("suit", "inspection", 12, 0)
	rule.Baselines = []due.Baseline{due.Commissioning}
	rule.Storage = due.Storage{Months: 60, Baselines: []due.Baseline{due.Manufacture}}
	h := newHistory(t, rule)
	if c := h.derive().Clocks[0]; c.Basis != due.BasisStorage || c.DueOn.String() != "2025-03-01" {
		t.Errorf("unused: %+v", c)
	}
	h.add(1, "2021-01-10", dives(1))
	if c := h.derive().Clocks[0]; !c.AnchorDate.IsZero() || !c.Blocking(civil.New(2021, 1, 11)) {
		t.Errorf("used: %+v", c)
	}
}

// TestRolloverBounds: a meter that rolls over at 1,000 shows 0 to 999, before and after.
func TestRolloverBounds(t *testing.T) {
	for _, tt := range []struct {
		before, after int64
		used          int64 // after the first reading; below 0 if it contradicts
	}{
		{999, 0, 1}, {999, 999, 1000}, {0, 0, 1000}, {1000, 5, -1}, {999, 1000, -1},
	} {
		h := newHistory(t, ruleOf("overhaul", "overhaul", 0, 5000)).add(1, "2021-01-10", work(due.Pass, "overhaul"))
		around := meterShows(tt.after)
		around.Rollover = 1000
		h.add(2, "2021-01-11", meterShows(tt.before)).add(3, "2021-01-12", around)
		d := h.derive()
		used := d.Clocks[0].Used.Dives - tt.before
		if contradicts := len(d.Holds) > 0; contradicts != (tt.used < 0) || !contradicts && used != tt.used {
			t.Errorf("%d, then %d: %d used, holds %+v", tt.before, tt.after, used, d.Holds)
		}
	}
}

// TestPhaseInFromTheFirstDay: work and units of the rule's first day came with it, those of the day before did not.
func TestPhaseInFromTheFirstDay(t *testing.T) {
	rule := ruleOf("new", "inspection", 1, 0)
	rule.PhaseInDays = 400
	h := newHistory(t, rule)
	h.in.Packs[0].Effective = civil.New(2026, 2, 1)
	for _, tt := range []struct {
		name, work   string
		commissioned civil.Date
		phased       bool
	}{
		{"work of the day before", "2026-01-31T23:59:59Z", civil.New(2020, 1, 1), true},
		{"work of the first day", "2026-02-01", civil.New(2020, 1, 1), false},
		{"a unit of the day before", "2026-01-30", civil.New(2026, 1, 31), true},
		{"a unit of the first day", "2026-01-30", civil.New(2026, 2, 1), false},
	} {
		h.in.Entries = nil
		h.in.Units[0].Commissioned = civil.Day(tt.commissioned)
		h.add(1, tt.work, work(due.Pass, "inspection"))
		if c := h.derive().Clocks[0]; c.PhaseIn.IsZero() == tt.phased || tt.phased && c.PhaseIn.First() <= civil.New(2026, 2, 28) {
			t.Errorf("%s: due %s, phased in to %s", tt.name, c.DueOn, c.PhaseIn)
		}
	}
}

// TestWaiversExcuseFromTheDayTheyAreGranted, and to the day before they are revoked, whatever days they are written for.
func TestWaiversExcuseFromTheDayTheyAreGranted(t *testing.T) {
	rule := ruleOf("visual", "visual-inspection", 12, 0)
	rule.Authority = due.House
	h := newHistory(t, rule).add(1, "2025-01-10", work(due.Pass, "visual-inspection"))
	h.in.Waivers = []due.Waiver{{
		ID: "w", Unit: unitID(1), Pack: "pack", Rule: "visual", From: civil.New(2026, 1, 1), To: civil.New(2026, 6, 30),
		Granted: h.at("2026-03-10T15:00:00Z"), Revoked: h.at("2026-04-20T09:00:00Z"),
	}}
	c := h.derive().Clocks[0]
	for day, excused := range map[civil.Date]bool{
		civil.New(2026, 3, 9): false, civil.New(2026, 3, 10): true, civil.New(2026, 4, 19): true, civil.New(2026, 4, 20): false,
	} {
		if _, ok := c.Excused(day); ok != excused || c.Blocking(day) == excused {
			t.Errorf("%s: excused %t, blocking %t", day, ok, c.Blocking(day))
		}
	}
}

// TestWhatMakesARevisionTighter: a unit that a revision alone makes overdue is phased in from that revision on, in whatever way it is
// tighter.
func TestWhatMakesARevisionTighter(t *testing.T) {
	for _, tt := range []struct {
		name    string
		tighter func(r *due.Rule)
	}{
		{"a companion", func(r *due.Rule) {
			r.Companions = []due.Companion{{Activity: "valve-service", Within: 10}}
			r.Baselines = []due.Baseline{due.Manufacture}
		}},
		{"months", func(r *due.Rule) { r.Months = 3 }},
		{"a limit for hard use", func(r *due.Rule) { r.Intense = []due.Intense{{Use: due.Amount{Dives: 1}, Days: 1, Months: 3}} }},
	} {
		was := ruleOf("r", "inspection", 24, 0)
		was.PhaseInDays = 10
		was.Baselines = []due.Baseline{due.Manufacture}
		now := was
		tt.tighter(&now)
		h := newHistory(t, was).add(1, "2025-06-10", work(due.Pass, "inspection")).add(2, "2025-06-11", dives(1))
		h.in.Units[0].Commissioned = civil.Day(civil.New(2010, 1, 1))
		second := civil.New(2026, 1, 1)
		h.in.Packs = append(h.in.Packs, due.Pack{ID: "pack", Revision: 2, Effective: second, Rules: []due.Rule{now}})
		c := h.derive().Clocks[1]
		if c.PhaseIn.IsZero() || c.PhaseIn.First() < second || c.PhaseIn.First() >= second+10 || c.Blocking(c.PhaseIn.First()) || !c.Blocking(c.PhaseIn.First()+1) {
			t.Errorf("%s: due %s, phased in to %s", tt.name, c.DueOn, c.PhaseIn)
		}
	}
}

// TestBlockingMoreIsTighter: a rule that begins to block fills too is phased in anew, for as long as its own phase-in says.
func TestBlockingMoreIsTighter(t *testing.T) {
	was := ruleOf("r", "inspection", 12, 0)
	was.Blocks, was.PhaseInDays, was.Baselines = due.HandOut, 300, []due.Baseline{due.Manufacture}
	now := was
	now.Blocks, now.PhaseInDays = due.HandOut|due.Fill, 20
	first, second := civil.New(2026, 1, 1), civil.New(2026, 1, 25)
	tried := 0
	for n := range 20 {
		h := newHistory(t, was)
		h.in.Unit, h.in.Units[0].Unit = unitID(n), unitID(n)
		h.in.Units[0].Commissioned = civil.Day(civil.New(2021, 1, 1))
		h.in.Packs[0].Effective = first
		h.in.Packs = append(h.in.Packs, due.Pack{ID: "pack", Revision: 2, Effective: second, Rules: []due.Rule{now}})
		d := h.derive()
		old, c := d.Clocks[0], d.Clocks[1]
		if old.PhaseIn.First() < second+20 {
			continue // the old text would block it before
		}
		tried++
		if c.PhaseIn.IsZero() || c.PhaseIn.First() < second || c.PhaseIn.First() >= second+20 {
			t.Errorf("unit %d: phased in to %s under the old text, to %s under the new", n, old.PhaseIn, c.PhaseIn)
		}
	}
	if tried < 5 {
		t.Errorf("only %d units were tried", tried)
	}
}

// TestWorkOfOneInstant: of two entries of the same instant and date the greater id counts, in whatever order they are told.
func TestWorkOfOneInstant(t *testing.T) {
	for _, order := range [][2]int{{1, 2}, {2, 1}} {
		h := newHistory(t, ruleOf("visual", "visual-inspection", 12, 0))
		for _, id := range order {
			h.add(id, "2026-03-01T10:00:00Z", work(due.Pass, "visual-inspection"))
		}
		h.add(3, "2026-03-01T10:00:00Z", dives(2))
		c := h.derive().Clocks[0]
		if c.AnchorEntry != entryID(2) || c.Used.Dives != 2 {
			t.Errorf("told in the order %v: counts from %s, %d dives", order, c.AnchorEntry, c.Used.Dives)
		}
	}
}

// TestDaysOfShortAndLongNights: civil days of a shop whose clocks change: 23 hours on 14 March and 25 hours on 7 November 2027 in New
// York; in Santiago 5 September 2027 begins at 01:00 and 3 April 2027 has 25 hours (instants from Python's zoneinfo, which reads the
// same IANA database by code of its own).
func TestDaysOfShortAndLongNights(t *testing.T) {
	for _, tt := range []struct{ zone, last, ends string }{
		{"America/New_York", "2027-03-13", "2027-03-14T05:00:00Z"},
		{"America/New_York", "2027-03-14", "2027-03-15T04:00:00Z"},
		{"America/New_York", "2027-11-06", "2027-11-07T04:00:00Z"},
		{"America/New_York", "2027-11-07", "2027-11-08T05:00:00Z"},
		{"America/Santiago", "2027-09-04", "2027-09-05T04:00:00Z"},
		{"America/Santiago", "2027-09-05", "2027-09-06T03:00:00Z"},
		{"America/Santiago", "2027-04-03", "2027-04-04T04:00:00Z"},
		{"Australia/Lord_Howe", "2027-04-04", "2027-04-04T13:30:00Z"},
	} {
		zone, err := time.LoadLocation(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		h := newHistory(t, ruleOf("visual", "visual-inspection", 12, 0))
		h.in.Units[0].Stays[0].Zone = zone
		ends := h.at(tt.ends)
		// The same day a year before, at noon: the interval ends with the day that changes.
		last := h.at(tt.last)
		h.add(1, time.Date(last.Year()-1, last.Month(), last.Day(), 12, 0, 0, 0, zone).Format(time.RFC3339), work(due.Pass, "visual-inspection"))
		for at, may := range map[time.Time]bool{ends.Add(-time.Nanosecond): true, ends: false} {
			s, _, _ := stand(h.in, at, time.Time{})
			if s.MayHandOut != may || s.MayFill != may {
				t.Errorf("%s, last day %s: may be handed out at %v: %t", tt.zone, tt.last, at, s.MayHandOut)
			}
		}
	}
}

// TestALongerPhaseInFreesNothing: a revision that only adds a phase-in, or a longer one, frees nothing that the one before blocks.
func TestALongerPhaseInFreesNothing(t *testing.T) {
	was := ruleOf("r", "inspection", 12, 0)
	was.Baselines = []due.Baseline{due.Manufacture}
	now := was
	now.PhaseInDays = 400
	first, second := civil.New(2026, 1, 1), civil.New(2026, 1, 10)
	for n := range 20 {
		h := newHistory(t, was)
		h.in.Unit, h.in.Units[0].Unit = unitID(n), unitID(n)
		h.in.Units[0].Commissioned = civil.Day(civil.New(2021, 1, 1))
		h.in.Packs[0].Effective = first
		h.in.Packs = append(h.in.Packs, due.Pack{ID: "pack", Revision: 2, Effective: second, Rules: []due.Rule{now}})
		d := h.derive()
		if c := d.Clocks[1]; !d.Clocks[0].Blocking(second-1) || !c.Blocking(second) {
			t.Errorf("unit %d is free to %s", n, c.PhaseIn)
		}
	}
}
