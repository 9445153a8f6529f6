package due_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// history builds an input step by step; times are RFC 3339 or dates (midnight UTC).
type history struct {
	t  *testing.T
	in due.Input
}

func newHistory(t *testing.T, rules ...due.Rule) *history {
	h := &history{t: t, in: due.Input{Unit: unitID(1)}}
	h.in.Packs = []due.Pack{{ID: "pack", Revision: 1, Effective: civil.New(2000, 1, 1), Rules: rules, Cautions: []string{"The maker's manual wins."}}}
	h.unit(1, "cylinder")
	return h
}

func (h *history) unit(n int, kind string) *due.Facts {
	h.in.Units = append(h.in.Units, due.Facts{Unit: unitID(n), Kind: kind, Manufactured: civil.Month(2020, 3), Stays: []due.Stay{{Zone: time.UTC, Jurisdiction: "US-FL", Shop: "keys"}}})
	return &h.in.Units[len(h.in.Units)-1]
}

func (h *history) at(s string) time.Time {
	h.t.Helper()
	if len(s) == len(time.DateOnly) {
		s += "T00:00:00Z"
	}
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		h.t.Fatal(err)
	}
	return at
}

func (h *history) add(id int, when string, e due.Entry) *history {
	h.t.Helper()
	e.ID, e.Occurred = entryID(id), h.at(when)
	e.Recorded = e.Occurred
	if e.Unit == (uuid.UUID{}) {
		e.Unit = unitID(1)
	}
	h.in.Entries = append(h.in.Entries, e)
	return h
}

func (h *history) derive() due.Derived { return due.Derive(h.in, time.Time{}, time.Time{}) }

func (h *history) stand(when string) due.Standing {
	h.t.Helper()
	s, _, _ := stand(h.in, h.at(when), time.Time{})
	return s
}

func work(o due.Outcome, activities ...string) due.Entry {
	return due.Entry{Kind: due.Work, Outcome: o, Activities: activities}
}

func dives(n int64) due.Entry {
	return due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Dives: n}}
}

func meterShows(n int64) due.Entry {
	return due.Entry{Kind: due.UsageEntry, Reading: true, Meter: due.Dives, Amount: due.Amount{Dives: n}}
}

func marked(e due.Entry, m civil.Mark) due.Entry { e.Mark = m; return e }

func ruleOf(id, activity string, months int, limitDives int64) due.Rule {
	return due.Rule{
		Pack: "pack", ID: id, Title: "Rule " + id, Activity: activity, Authority: due.Maker, Source: due.Source{Document: "Manual", Section: "4"},
		Months: months, Limit: due.Amount{Dives: limitDives}, Blocks: due.HandOut | due.Fill,
	}
}

func codes(s *due.Standing) (out []string) {
	for _, r := range s.Reasons {
		out = append(out, string(r.Code))
	}
	return out
}

func wantCodes(t *testing.T, s due.Standing, want ...string) {
	t.Helper()
	if got := codes(&s); !slices.Equal(got, want) {
		t.Errorf("at %v: reasons %v, want %v", s.At, got, want)
	}
}

// TestDueDates is the table of what a date limit counts from and to.
func TestDueDates(t *testing.T) {
	for _, tt := range []struct {
		name    string
		months  int
		stamped bool
		work    string
		mark    civil.Mark
		want    string
	}{
		{"month end clamps", 6, false, "2026-08-31T10:00:00Z", civil.Mark{}, "2027-02-28"},
		{"counted from the anchor", 2, false, "2024-01-31T10:00:00Z", civil.Mark{}, "2024-03-31"},
		{"stamped: to the end of the month", 60, true, "2021-03-10T10:00:00Z", civil.Mark{}, "2026-03-31"},
		{"stamped, month mark", 60, true, "2021-03-10T10:00:00Z", civil.Month(2021, 3), "2026-03-31"},
		{"stamped, into a leap February", 60, true, "2019-02-10T10:00:00Z", civil.Month(2019, 2), "2024-02-29"},
		{"month mark, not stamped: from its first day", 12, false, "2026-03-10T10:00:00Z", civil.Month(2026, 3), "2027-03-01"},
		{"a mark before the work counts", 12, false, "2026-03-10T10:00:00Z", civil.Day(civil.New(2026, 3, 4)), "2027-03-04"},
		{"a mark after the work does not", 12, false, "2026-03-10T10:00:00Z", civil.Day(civil.New(2027, 3, 4)), "2027-03-10"},
		{"nor does a later month", 60, true, "2026-01-31T10:00:00Z", civil.Month(2026, 2), "2031-01-31"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rule := ruleOf("r", "hydrostatic-test", tt.months, 0)
			rule.MonthStamp = tt.stamped
			h := newHistory(t, rule).add(1, tt.work, marked(work(due.Pass, "hydrostatic-test"), tt.mark))
			d := h.derive()
			if got := d.Clocks[0].DueOn.String(); got != tt.want {
				t.Fatalf("due %s, want %s", got, tt.want)
			}
			due1 := d.Clocks[0].DueOn.First()
			if s := d.Clocks[0].State(due1); s != due.Due || d.Clocks[0].Blocking(due1) {
				t.Errorf("on the last day: %v, blocking %v", s, d.Clocks[0].Blocking(due1))
			}
			if s := d.Clocks[0].State(due1 + 1); s != due.Overdue || !d.Clocks[0].Blocking(due1+1) {
				t.Errorf("on the day after: %v", s)
			}
			if s := d.Clocks[0].State(due1 - 30); s != due.DueSoon {
				t.Errorf("30 days ahead: %v", s)
			}
			if s := d.Clocks[0].State(due1 - 31); s != due.Fine {
				t.Errorf("31 days ahead: %v", s)
			}
		})
	}
}

// TestLastDayInTheShopsZone turns the day at midnight of the shop, not of UTC, over a clock change.
func TestLastDayInTheShopsZone(t *testing.T) {
	h := newHistory(t, ruleOf("r", "inspection", 1, 0))
	h.in.Units[0].Stays[0].Zone = location("America/Santiago") // UTC-4, and UTC-3 from 8 September 2024 on, which has no midnight
	h.add(1, "2024-08-08T03:30:00Z", work(due.Pass, "inspection"))
	if got := h.derive().Clocks[0].DueOn.String(); got != "2024-09-07" {
		t.Fatalf("due %s: the work was done on the evening of 7 August there", got)
	}
	wantCodes(t, h.stand("2024-09-08T03:59:59Z"))
	wantCodes(t, h.stand("2024-09-08T04:00:00Z"), "DATE_LIMIT_PASSED")
}

func TestUsageLimit(t *testing.T) {
	h := newHistory(t, ruleOf("r", "overhaul", 0, 100))
	h.add(1, "2026-01-01T10:00:00Z", work(due.Pass, "overhaul")).
		add(2, "2025-12-31T10:00:00Z", dives(40)). // before
		add(3, "2026-01-01T10:00:00Z", dives(9)).  // at once with the service: counts after it
		add(4, "2026-02-01T10:00:00Z", dives(81)).
		add(5, "2026-03-01T10:00:00Z", dives(9)).
		add(6, "2026-04-01T10:00:00Z", dives(1)).
		add(7, "2026-05-01T10:00:00Z", dives(1))
	for _, tt := range []struct {
		at    string
		left  int64
		state due.State
		block bool
	}{
		{"2026-01-15", 91, due.Fine, false},
		{"2026-02-15", 10, due.DueSoon, false}, // a tenth is left
		{"2026-03-15", 1, due.DueSoon, false},  // 99 done, one left
		{"2026-04-15", 0, due.Due, true},       // the 100th
		{"2026-05-15", -1, due.Overdue, true},
	} {
		s := h.stand(tt.at)
		c := s.Clocks[0]
		if left := c.Left(); left.Dives != tt.left || c.State(s.On) != tt.state || c.Blocking(s.On) != tt.block || s.MayHandOut == tt.block {
			t.Errorf("%s: left %d, %v, blocking %v", tt.at, left.Dives, c.State(s.On), c.Blocking(s.On))
		}
	}
}

func TestTenthOfTheLimitIsExact(t *testing.T) {
	h := newHistory(t, ruleOf("r", "overhaul", 0, 25)) // a tenth is 2.5: 3 left are outside it, 2 inside
	h.add(1, "2026-01-01", work(due.Pass, "overhaul")).add(2, "2026-01-02", dives(22)).add(3, "2026-02-02", dives(1))
	if s := h.stand("2026-01-15"); s.State != due.Fine {
		t.Errorf("3 of 25 left: %v", s.State)
	}
	if s := h.stand("2026-02-15"); s.State != due.DueSoon {
		t.Errorf("2 of 25 left: %v", s.State)
	}
}

// TestDivesReachPartsThroughFittings puts a second stage on a set on a boat's kit, and moves it.
func TestDivesReachPartsThroughFittings(t *testing.T) {
	h := newHistory(t, ruleOf("r", "overhaul", 0, 1000))
	h.unit(2, "regulator-set")
	h.unit(3, "kit")
	h.unit(4, "regulator-set")
	f := func(part, host int, from, to string) {
		x := due.Fitting{Part: unitID(part), Host: unitID(host), From: h.at(from)}
		if to != "" {
			x.To = h.at(to)
		}
		h.in.Fittings = append(h.in.Fittings, x)
	}
	f(1, 2, "2026-01-01", "2026-03-01")
	f(2, 3, "2026-02-01", "")
	f(1, 4, "2026-04-01", "")
	of := func(unit int, n int64) due.Entry { e := dives(n); e.Unit = unitID(unit); return e }
	h.add(1, "2025-12-31T23:59:59Z", of(2, 1)). // before it was fitted
							add(2, "2026-01-01", of(2, 2)).            // at the instant it was fitted
							add(3, "2026-01-15", of(3, 4)).            // the set was not on the kit yet
							add(4, "2026-02-15", of(3, 8)).            // through the set, on the kit
							add(5, "2026-02-28T23:59:59Z", of(2, 16)). // the last second
							add(6, "2026-03-01", of(2, 32)).           // taken off at that instant
							add(7, "2026-03-15", of(1, 64)).           // its own
							add(8, "2026-04-02", of(4, 128))
	if got := h.derive().Clocks[0].Used.Dives; got != 2+8+16+64+128 {
		t.Errorf("%d dives", got)
	}
	if s := h.stand("2026-02-20"); s.Host != unitID(2) || !slices.Contains(codes(&s), "FITTED_ELSEWHERE") {
		t.Errorf("on the set: host %v, %v", s.Host, codes(&s))
	}
	if s := h.stand("2026-03-15"); s.Host != (uuid.UUID{}) {
		t.Errorf("taken off: host %v", s.Host)
	}
}

// TestMeter counts from reading to reading, over a replacement, and stops at a meter that went back.
func TestMeter(t *testing.T) {
	replaced := meterShows(150)
	replaced.Replaced, replaced.Replacement = true, due.Amount{Dives: 3}
	h := newHistory(t, ruleOf("r", "overhaul", 0, 1000))
	h.add(1, "2026-01-01", meterShows(100)).add(2, "2026-01-10", work(due.Pass, "overhaul")).
		add(4, "2026-03-01", replaced).        // 50 more on the old meter
		add(3, "2026-02-01", meterShows(120)). // arrived late; of the 50, 20 are at this instant
		add(5, "2026-04-01", meterShows(10))   // 7 on the new one
	d := h.derive()
	if got := d.Clocks[0].Used.Dives; got != 57 || len(d.Holds) != 0 {
		t.Errorf("%d dives, holds %v", got, d.Holds)
	}
	h.add(6, "2026-05-01", meterShows(4))
	s := h.stand("2026-05-02")
	if wantCodes(t, s, "MISSING_HISTORY"); t.Failed() {
		return
	}
	reason := s.Reasons[0].Sentence(due.Names{})
	if !strings.Contains(reason, entryID(5).String()) || !strings.Contains(reason, entryID(6).String()) {
		t.Errorf("the hold names not both readings: %s", reason)
	}
	// The correction takes the hold away.
	h.add(7, "2026-05-03", due.Entry{Kind: due.Amendment, Corrects: entryID(6), Correct: &due.Entry{Kind: due.UsageEntry, Occurred: h.at("2026-05-01"), Reading: true, Meter: due.Dives, Amount: due.Amount{Dives: 14}}})
	s = h.stand("2026-05-02")
	if wantCodes(t, s); s.Clocks[0].Used.Dives != 61 {
		t.Errorf("%d dives after the correction", s.Clocks[0].Used.Dives)
	}
}

func TestFailedWorkIsLiftedByALaterPass(t *testing.T) {
	rule := ruleOf("r", "inspection", 120, 0)
	rule.Baselines = []due.Baseline{due.Manufacture}
	h := newHistory(t, rule)
	h.add(1, "2026-01-10T10:00:00Z", work(due.Fail, "visual-inspection", "valve-service")).
		add(2, "2026-01-10T10:00:00Z", work(due.Pass, "visual-inspection")). // at once: proves nothing
		add(3, "2026-01-11T10:00:00Z", work(due.Pass, "overhaul")).          // another activity
		add(5, "2026-01-12T10:00:00Z", work(due.Pass, "visual-inspection")).
		add(4, "2026-01-13T10:00:00Z", work(due.Pass, "valve-service", "visual-inspection"))
	wantCodes(t, h.stand("2026-01-10T09:59:59Z"))
	wantCodes(t, h.stand("2026-01-10T10:00:00Z"), "HOLD_OPEN", "HOLD_OPEN")
	wantCodes(t, h.stand("2026-01-11T12:00:00Z"), "HOLD_OPEN", "HOLD_OPEN")
	wantCodes(t, h.stand("2026-01-12T10:00:00Z"), "HOLD_OPEN")
	wantCodes(t, h.stand("2026-01-13T10:00:00Z"))
	holds := h.derive().Holds
	if len(holds) != 2 {
		t.Fatalf("%d holds are kept", len(holds))
	}
	id := "test-" + entryID(1).String()
	for i, want := range []struct {
		id    string
		proof int
	}{{id + "-valve-service", 4}, {id + "-visual-inspection", 5}} {
		if h := holds[i]; h.ID != want.id || h.Proof != entryID(want.proof) || h.Lifted.IsZero() || h.Cause != due.CauseFailed || h.Entry != entryID(1) {
			t.Errorf("hold %+v", h)
		}
	}
}

func TestConditionsAskForTheirProof(t *testing.T) {
	rule := ruleOf("r", "inspection", 120, 0)
	rule.Baselines = []due.Baseline{due.Manufacture}
	drop := due.Entry{Kind: due.Condition, Condition: "drop", Pull: true}
	t.Run("inspection or overhaul by default", func(t *testing.T) {
		h := newHistory(t, rule).add(1, "2026-01-01", drop).add(2, "2026-01-02", work(due.Pass, "calibration"))
		wantCodes(t, h.stand("2026-01-03"), "HOLD_OPEN")
		wantCodes(t, h.add(3, "2026-01-03", work(due.Pass, "overhaul")).stand("2026-01-03"))
	})
	t.Run("a note pulls nothing", func(t *testing.T) {
		wantCodes(t, newHistory(t, rule).add(1, "2026-01-01", due.Entry{Kind: due.Condition, Condition: "scratch"}).stand("2026-01-02"))
	})
	t.Run("what the report itself asks for, and nothing else", func(t *testing.T) {
		asks := drop
		asks.Activities = []string{"calibration", "comparison"}
		h := newHistory(t, rule).add(3, "2026-01-05", asks)
		h.in.Packs[0].Proofs = []due.Proof{{Conditions: []string{"drop"}, ClearedBy: []string{"hydrostatic-test"}}, {ClearedBy: []string{"visual-inspection"}}}
		h.add(1, "2026-01-04", work(due.Pass, "calibration")).add(2, "2026-01-05", work(due.Pass, "comparison")). // before it, and at once
																add(4, "2026-01-06", work(due.Pass, "inspection", "overhaul", "hydrostatic-test", "visual-inspection")).
																add(5, "2026-01-07", work(due.Fail, "calibration"))
		wantCodes(t, h.stand("2026-01-07"), "HOLD_OPEN", "HOLD_OPEN")
		h.add(6, "2026-01-08", work(due.Pass, "comparison"))
		wantCodes(t, h.stand("2026-01-08"), "HOLD_OPEN") // of the failed calibration
		holds := h.derive().Holds
		if len(holds) != 2 || holds[0].ID != "condition-"+entryID(3).String() || holds[0].Proof != entryID(6) || !slices.Equal(holds[0].ClearedBy, asks.Activities) {
			t.Errorf("holds %+v", holds)
		}
	})
	t.Run("as it was corrected", func(t *testing.T) {
		right := drop
		right.Activities, right.Occurred = []string{"calibration"}, h0(t, "2026-01-03")
		h := newHistory(t, rule).add(1, "2026-01-01", drop).add(2, "2026-01-02", due.Entry{Kind: due.Amendment, Corrects: entryID(1), Correct: &right}).
			add(3, "2026-01-04", work(due.Pass, "inspection"))
		wantCodes(t, h.stand("2026-01-04"), "HOLD_OPEN")
		wantCodes(t, h.add(4, "2026-01-05", work(due.Pass, "calibration")).stand("2026-01-05"))
	})
	t.Run("every pack is satisfied", func(t *testing.T) {
		h := newHistory(t, rule).add(1, "2026-01-01", drop)
		h.in.Packs[0].Proofs = []due.Proof{{Conditions: []string{"drop"}, ClearedBy: []string{"hydrostatic-test"}}}
		house := due.Pack{ID: "house", Effective: civil.New(2000, 1, 1), Rules: []due.Rule{rule}, Proofs: []due.Proof{{ClearedBy: []string{"visual-inspection"}}}}
		other := due.Pack{ID: "other", Effective: civil.New(2000, 1, 1), Rules: []due.Rule{{ID: "x", Activity: "a", Months: 1, Scope: due.Scope{Kinds: []string{"suit"}}}}, Proofs: []due.Proof{{ClearedBy: []string{"patching"}}}}
		h.in.Packs = append(h.in.Packs, house, other) // other is for no cylinder, so it asks for nothing
		h.add(2, "2026-01-02", work(due.Pass, "inspection"))
		wantCodes(t, h.stand("2026-01-02"), "HOLD_OPEN", "HOLD_OPEN")
		h.add(3, "2026-01-03", work(due.Pass, "hydrostatic-test"))
		wantCodes(t, h.stand("2026-01-03"), "HOLD_OPEN")
		h.add(4, "2026-01-04", work(due.Pass, "visual-inspection"))
		wantCodes(t, h.stand("2026-01-04"))
		ids := []string{h.derive().Holds[0].ID, h.derive().Holds[1].ID}
		if c := "condition-" + entryID(1).String(); ids[0] != c || ids[1] != c+"-pack" {
			t.Errorf("ids %v", ids)
		}
	})
}

// TestAbsorbing: condemned stays condemned, amended away or not; an end of life is not reset by work.
func TestAbsorbing(t *testing.T) {
	life := ruleOf("life", "", 12, 0)
	life.EndOfLife, life.Baselines = true, []due.Baseline{due.Commissioning, due.Manufacture}
	rule := ruleOf("r", "inspection", 1200, 0)
	rule.Baselines = []due.Baseline{due.Manufacture}
	t.Run("condemned", func(t *testing.T) {
		h := newHistory(t, rule).add(1, "2026-01-01", work(due.Condemned, "visual-inspection")).add(2, "2026-02-01", work(due.Pass, "visual-inspection", "inspection", "overhaul")).
			add(3, "2026-03-01", due.Entry{Kind: due.Amendment, Corrects: entryID(1)})
		wantCodes(t, h.stand("2026-04-01"), "CONDEMNED")
		wantCodes(t, h.stand("2025-12-31"))
	})
	t.Run("condemned by a correction", func(t *testing.T) {
		h := newHistory(t, rule).add(1, "2026-01-01", work(due.Pass, "visual-inspection")).
			add(2, "2026-02-01", due.Entry{Kind: due.Amendment, Corrects: entryID(1), Correct: &due.Entry{Kind: due.Work, Occurred: h0(t, "2026-01-01"), Outcome: due.Condemned, Activities: []string{"visual-inspection"}}}).
			add(3, "2026-03-01", due.Entry{Kind: due.Amendment, Corrects: entryID(1)})
		wantCodes(t, h.stand("2026-01-02"), "CONDEMNED")
	})
	t.Run("end of life", func(t *testing.T) {
		h := newHistory(t, life).add(1, "2021-02-01", work(due.Pass, "hydrostatic-test"))
		wantCodes(t, h.stand("2021-03-01"))
		wantCodes(t, h.stand("2021-03-02"), "END_OF_LIFE")
		h.in.Units[0].Commissioned = civil.Day(civil.New(2021, 1, 15)) // named first, so it counts from there
		wantCodes(t, h.stand("2022-01-15"))
		wantCodes(t, h.stand("2022-01-16"), "END_OF_LIFE")
	})
}

func h0(t *testing.T, s string) time.Time { return (&history{t: t}).at(s) }

func TestBaselines(t *testing.T) {
	rule := ruleOf("r", "overhaul", 12, 10)
	rule.Baselines = []due.Baseline{due.FirstUse, due.Commissioning}
	h := newHistory(t, rule)
	h.in.Units[0].Manufactured = civil.Mark{}
	wantCodes(t, h.stand("2026-01-01"), "MISSING_HISTORY")
	if d := h.derive(); d.Clocks[0].State(0) != due.NoAnchor || d.Holds[0].ID != "missing-pack-r" || !d.Holds[0].Opened.Equal(h.at("2000-01-01")) {
		t.Errorf("%+v", d.Holds)
	}
	h.in.Units[0].Commissioned = civil.Day(civil.New(2026, 1, 5))
	if c := h.derive().Clocks[0]; c.AnchorBaseline != due.Commissioning || c.DueOn.String() != "2027-01-05" {
		t.Errorf("commissioned: %+v", c)
	}
	h.add(1, "2026-02-01", dives(4))
	if c := h.derive().Clocks[0]; c.AnchorBaseline != due.FirstUse || c.DueOn.String() != "2027-02-01" || c.Used.Dives != 4 {
		t.Errorf("first used: %+v", c)
	}
	wantCodes(t, h.stand("2026-01-04"), "NOT_YET_COMMISSIONED")
}

func TestSatisfiedBy(t *testing.T) {
	rule := ruleOf("r", "inspection", 12, 0)
	rule.SatisfiedBy = []string{"overhaul"}
	h := newHistory(t, rule).add(1, "2026-01-01", work(due.Pass, "inspection")).add(2, "2026-02-01", work(due.Pass, "overhaul")).add(3, "2026-03-01", work(due.Fail, "overhaul"))
	c := h.derive().Clocks[0]
	if c.AnchorEntry != entryID(2) || c.AnchorActivity != "overhaul" || c.DueOn.String() != "2027-02-01" {
		t.Errorf("%+v", c)
	}
}

// TestAmendments: the correction that occurred last holds, whatever the order; an earlier instant is judged by it too; as
// known before it, the mistake stands.
func TestAmendments(t *testing.T) {
	h := newHistory(t, ruleOf("r", "overhaul", 12, 0))
	right := func(day string) *due.Entry {
		return &due.Entry{Kind: due.Work, Occurred: h.at(day), Outcome: due.Pass, Activities: []string{"overhaul"}}
	}
	h.add(3, "2026-03-02", due.Entry{Kind: due.Amendment, Corrects: entryID(1), Correct: right("2025-06-01")}).
		add(2, "2026-03-01", due.Entry{Kind: due.Amendment, Corrects: entryID(1)}).
		add(1, "2026-01-01", work(due.Pass, "overhaul"))
	for _, tt := range []struct{ at, known, want string }{
		{"2026-04-01", "", "2026-06-01"},
		{"2026-01-15", "", "2026-06-01"},
		{"2026-01-15", "2026-02-01", "2027-01-01"},
		{"2026-01-15", "2026-03-01", ""},
		{"2026-01-15", "2026-03-02", "2026-06-01"},
		{"2025-05-31", "", ""},
	} {
		known := time.Time{}
		if tt.known != "" {
			known = h.at(tt.known)
		}
		if got := due.Derive(h.in, h.at(tt.at), known).Clocks[0].DueOn.String(); got != tt.want {
			t.Errorf("at %s as known %s: due %q, want %q", tt.at, tt.known, got, tt.want)
		}
	}
}

// TestSetsAndParts: a part's block blocks its set, at any depth; a fitted part is not handed out alone; a set wants a rule of
// its own, a part does not.
func TestSetsAndParts(t *testing.T) {
	rule := ruleOf("r", "overhaul", 12, 0)
	rule.Baselines = []due.Baseline{due.Manufacture}
	rule.Scope.Kinds = []string{"cylinder"} // the set asked about
	stage := ruleOf("s", "overhaul", 0, 20)
	stage.Baselines, stage.Scope.Kinds, stage.Blocks = []due.Baseline{due.Manufacture}, []string{"stage"}, due.HandOut
	h := newHistory(t, rule, stage)
	h.in.Units[0].Manufactured = civil.Month(2026, 1)
	h.unit(2, "stage")
	h.unit(3, "cover")
	h.in.Fittings = []due.Fitting{{Part: unitID(2), Host: unitID(1), From: h.at("2026-01-01")}, {Part: unitID(3), Host: unitID(2), From: h.at("2026-01-01")}}
	wantCodes(t, h.stand("2026-02-01"))
	h.add(1, "2026-02-02", dives(20))
	s := h.stand("2026-02-03")
	if wantCodes(t, s, "USAGE_LIMIT_REACHED"); s.MayHandOut || !s.MayFill || s.Reasons[0].Unit != unitID(2) || s.State != due.Due {
		t.Errorf("%+v", s)
	}
	fail := work(due.Fail, "pressure-test")
	fail.Unit = unitID(3)
	h.add(2, "2026-02-04", fail)
	wantCodes(t, h.stand("2026-02-05"), "USAGE_LIMIT_REACHED", "HOLD_OPEN")
	h.in.Unit = unitID(3)
	wantCodes(t, h.stand("2026-02-03"), "FITTED_ELSEWHERE")
	h.in.Fittings[1].To = h.at("2026-02-03")
	wantCodes(t, h.stand("2026-02-03"), "NO_RULE")
}

func TestHandOutIfFilledBefore(t *testing.T) {
	rule := ruleOf("r", "hydrostatic-test", 12, 0)
	rule.MonthStamp, rule.HandOutIfFilledBefore = true, true
	h := newHistory(t, rule).add(1, "2025-03-10", work(due.Pass, "hydrostatic-test")) // through 31 March 2026
	s := h.stand("2026-04-01")
	if wantCodes(t, s, "DATE_LIMIT_PASSED"); s.MayHandOut || s.MayFill {
		t.Error("never filled, and handed out")
	}
	h.add(2, "2026-03-31T23:59:59Z", due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Fills: 1}})
	s = h.stand("2026-05-10")
	if wantCodes(t, s, "DATE_LIMIT_PASSED"); !s.MayHandOut || s.MayFill {
		t.Error("filled on the last day: hand out yes, top off no")
	}
	h.add(3, "2026-04-01", due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Fills: 1}})
	if s = h.stand("2026-05-10"); s.MayHandOut {
		t.Error("filled after its last day, and handed out")
	}
}

// TestRevisions: a day is judged by the revision in force on it, and an as-known question by those published.
func TestRevisions(t *testing.T) {
	h := newHistory(t)
	loose, tight := ruleOf("r", "inspection", 24, 0), ruleOf("r", "inspection", 6, 0)
	h.in.Packs = []due.Pack{
		{ID: "pack", Revision: 2, Effective: civil.New(2026, 7, 1), Published: h.at("2026-05-01"), Rules: []due.Rule{tight}},
		{ID: "pack", Revision: 1, Effective: civil.New(2020, 1, 1), Published: h.at("2019-12-01"), Rules: []due.Rule{loose}},
		{ID: "pack", Revision: 3, Effective: civil.New(2027, 1, 1), Published: h.at("2026-05-01"), Rules: []due.Rule{tight}},
		{ID: "pack", Revision: 4, Effective: civil.New(2027, 1, 1), Published: h.at("2026-06-01"), Rules: []due.Rule{loose}},
	}
	h.add(1, "2025-11-01", work(due.Pass, "inspection"))
	for day, want := range map[string]string{"2026-06-30": "2027-11-01", "2026-07-01": "2026-05-01", "2026-12-31": "2026-05-01", "2027-01-01": "2027-11-01"} {
		s := h.stand(day)
		if len(s.Clocks) != 1 || s.Clocks[0].DueOn.String() != want {
			t.Errorf("%s: %d clocks, due %s, want %s", day, len(s.Clocks), s.Clocks[0].DueOn, want)
		}
	}
	wantCodes(t, h.stand("2019-12-31"), "NO_RULE")
	d := due.Derive(h.in, h.at("2027-02-01"), h.at("2026-05-15"))
	s := due.Stand(&d, nil, h.at("2027-02-01"))
	wantCodes(t, s, "DATE_LIMIT_PASSED") // revision 4 was not published yet
}

// TestMissingHistoryFollowsTheRevisions opens and ends the hold with the revisions that have nothing to count from.
func TestMissingHistoryFollowsTheRevisions(t *testing.T) {
	h := newHistory(t)
	lost, found := ruleOf("r", "inspection", 24, 0), ruleOf("r", "inspection", 24, 0)
	found.Baselines = []due.Baseline{due.Commissioning}
	for i, r := range []due.Rule{lost, lost, found, lost} {
		h.in.Packs = append(h.in.Packs, due.Pack{ID: "pack", Revision: int64(i + 2), Effective: civil.New(2021+i, 1, 1), Rules: []due.Rule{r}})
	}
	h.in.Units[0].Commissioned = civil.Day(civil.New(2021, 5, 1))
	holds := h.derive().Holds
	if len(holds) != 2 || holds[0].ID != "missing-pack-r" || !holds[0].Opened.Equal(h.at("2021-05-01")) || !holds[0].Lifted.Equal(h.at("2023-01-01")) ||
		holds[1].ID != "missing-pack-r-2024-01-01" || !holds[1].Opened.Equal(h.at("2024-01-01")) || !holds[1].Lifted.IsZero() {
		t.Fatalf("%+v", holds)
	}
	wantCodes(t, h.stand("2022-12-31"), "MISSING_HISTORY")
	wantCodes(t, h.stand("2023-01-01"))
	wantCodes(t, h.stand("2024-01-01"), "MISSING_HISTORY")
}

func TestJurisdictions(t *testing.T) {
	us, fl := ruleOf("us", "inspection", 12, 0), ruleOf("fl", "inspection", 6, 0)
	us.Scope.Jurisdictions, fl.Scope.Jurisdictions = []string{"US"}, []string{"US-FL"}
	h := newHistory(t, us, fl).add(1, "2026-01-01", work(due.Pass, "inspection"))
	h.in.Units[0].Stays = append(h.in.Units[0].Stays, due.Stay{From: h.at("2026-02-01"), Zone: time.UTC, Jurisdiction: "US-CA"}, due.Stay{From: h.at("2026-03-01"), Zone: time.UTC, Jurisdiction: "US"}, due.Stay{From: h.at("2026-04-01"), Zone: time.UTC, Jurisdiction: "PT"})
	for day, want := range map[string]int{"2026-01-15": 2, "2026-02-01": 1, "2026-03-01": 1, "2026-04-01": 0} {
		if s := h.stand(day); len(s.Clocks) != want {
			t.Errorf("%s: %d clocks, want %d", day, len(s.Clocks), want)
		}
	}
}

func TestWindowReasons(t *testing.T) {
	rule := ruleOf("r", "overhaul", 1, 30)
	rule.Scope.Kinds = []string{"cylinder", "stage"}
	h := newHistory(t, rule).add(1, "2026-01-10", work(due.Pass, "overhaul"))
	h.unit(2, "stage")
	h.in.Fittings = []due.Fitting{{Part: unitID(2), Host: unitID(1), From: h.at("2026-01-01")}}
	serviced, used := work(due.Pass, "overhaul"), dives(25)
	serviced.Unit, used.Unit = unitID(2), unitID(2)
	h.add(2, "2026-01-12", serviced).add(3, "2026-01-13", used)
	_, self, parts := stand(h.in, h.at("2026-01-20"), time.Time{})
	for _, tt := range []struct {
		start, end string
		dives      int64
		want       []string
	}{
		{"2026-02-01", "2026-02-10", 5, nil}, // back on the last day; 5 left on the part, 5 expected
		{"2026-02-01", "2026-02-10", 6, []string{"USAGE_LEFT_TOO_LITTLE"}},
		{"2026-02-01", "2026-02-11", 5, []string{"DATE_LIMIT_BEFORE_RETURN"}},
		{"2026-02-11", "2026-02-12", 5, []string{"DATE_LIMIT_PASSED"}},
		{"2026-02-11", "2026-02-13", 31, []string{"DATE_LIMIT_PASSED", "USAGE_LEFT_TOO_LITTLE", "DATE_LIMIT_BEFORE_RETURN", "USAGE_LEFT_TOO_LITTLE"}},
	} {
		var got []string
		for _, r := range due.Window(self, parts, h.at(tt.start), h.at(tt.end), due.Amount{Dives: tt.dives}) {
			got = append(got, string(r.Code))
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s to %s, %d dives: %v, want %v", tt.start, tt.end, tt.dives, got, tt.want)
		}
	}
}

// TestHoursDoNotOverflow adds up more running time than a Duration holds.
func TestHoursDoNotOverflow(t *testing.T) {
	rule := ruleOf("r", "overhaul", 0, 0)
	rule.Limit.Hours, rule.Baselines = math.MaxInt64, []due.Baseline{due.Manufacture}
	h := newHistory(t, rule)
	for i := range 6 {
		h.add(i, "2026-01-01", due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Hours: math.MaxInt64 / 4}})
	}
	if c := h.derive().Clocks[0]; c.Used.Hours != math.MaxInt64 || !c.Blocking(civil.New(2026, 1, 2)) {
		t.Errorf("%v used", c.Used.Hours)
	}
	h.add(7, "2026-01-02", work(due.Pass, "overhaul")).add(8, "2026-01-03", due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Hours: time.Hour}})
	if c := h.derive().Clocks[0]; c.Used.Hours != time.Hour {
		t.Errorf("%v used since the overhaul", c.Used.Hours)
	}
}

func TestLongHoldIDs(t *testing.T) {
	rule := ruleOf(strings.Repeat("r", 64), "inspection", 12, 0)
	h := newHistory(t, rule)
	h.in.Packs[0].ID = strings.Repeat("p", 40)
	other := rule
	other.ID = strings.Repeat("r", 63) + "s"
	h.in.Packs[0].Rules = []due.Rule{rule, other}
	holds := h.derive().Holds
	if len(holds) != 2 || len(holds[0].ID) > 100 || !holdIDPattern.MatchString(holds[0].ID) || holds[0].ID == holds[1].ID {
		t.Errorf("%v", holds)
	}
}

// TestExplain has all that invariant 9 of the design asks for: the rule, its source, the anchor entry, the arithmetic.
func TestExplain(t *testing.T) {
	rule := ruleOf("requal", "hydrostatic-test", 60, 100)
	rule.MonthStamp, rule.Title, rule.Source = true, "Requalification", due.Source{Document: "Standard X", Section: "7.1", Edition: "2019", FromMemory: true}
	h := newHistory(t, rule).add(1, "2021-03-10", marked(work(due.Pass, "hydrostatic-test"), civil.Month(2021, 3))).add(2, "2021-04-01", dives(30)).add(3, "2021-04-11", dives(10))
	c := h.derive().Clocks[0]
	got := c.Explain(civil.New(2026, 4, 1), due.Names{Entry: func(uuid.UUID) string { return "E-1" }})
	want := []string{
		"Requalification. The maker asks for it: Standard X, 7.1 (2019).",
		"That figure is from memory and was not compared with the document: it is no statement of law.",
		"It is rule requal of pack pack, in force from 2000-01-01.",
		"It counts from 2021-03: hydrostatic-test passed then, entry E-1.",
		"60 months from 2021-03 come to 2026-03; the month counts to its end, so the last day of use is 2026-03-31.",
		"Counted since then: 40 dives of 100 dives allowed, which leaves 60 dives.",
		"At the rate of the 365 days up to its last use, the usage limit can be reached any day; that is an estimate.",
		"On 2026-04-01 it is overdue, so the rule blocks hand-out and filling.",
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s", strings.Join(got, "\n"))
	}
}

// TestManualHolds: only a person lifts what a person placed.
func TestManualHolds(t *testing.T) {
	rule := ruleOf("r", "inspection", 1200, 0)
	rule.Baselines = []due.Baseline{due.Manufacture}
	h := newHistory(t, rule).add(1, "2026-02-15", work(due.Pass, "inspection", "overhaul"))
	h.in.Holds = []due.ManualHold{{ID: "x", Unit: unitID(1), Reason: "Smells.", Blocks: due.Fill, Placed: h.at("2026-02-01"), Lifted: h.at("2026-03-01"), LiftReason: "Washed."}}
	wantCodes(t, h.stand("2026-01-31"))
	s := h.stand("2026-02-20")
	if wantCodes(t, s, "HOLD_OPEN"); !s.MayHandOut || s.MayFill {
		t.Errorf("%+v", s)
	}
	wantCodes(t, h.stand("2026-03-01"))
	d := due.Derive(h.in, h.at("2026-04-01"), h.at("2026-02-20"))
	wantCodes(t, due.Stand(&d, nil, h.at("2026-04-01")), "HOLD_OPEN") // the lifting was not known yet
}

// TestUnknownUnit: without facts nothing vouches for a unit.
func TestUnknownUnit(t *testing.T) {
	d := due.Derive(due.Input{Unit: unitID(9)}, time.Time{}, time.Time{})
	wantCodes(t, due.Stand(&d, nil, h0(t, "2026-01-01")), "NO_RULE")
}
