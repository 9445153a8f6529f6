package order

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/doctest"
	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/procedure"
)

// told writes problems, each on a line: its reason, a mark if it is a flag, what it is about, and its sentence.
func told(ps []Problem) string {
	var out strings.Builder
	for _, p := range ps {
		flag := ""
		if p.Flag {
			flag = " (flag)"
		}
		fmt.Fprintf(&out, "%s%s %s%s%s %s: %s\n", p.Reason, flag, p.Step, p.Part, p.Test, p.Bound, p.Text)
	}
	return out.String()
}

// TestShippedCanBeSigned: an order of every shipped procedure, and of the one that DEVELOPERS.md writes out, that is worked as it says can be signed, without a flag;
// one of which nothing was done cannot.
func TestShippedCanBeSigned(t *testing.T) {
	t.Parallel()
	ids, err := procedure.Shipped.IDs()
	if err != nil || len(ids) == 0 {
		t.Fatal(err)
	}
	var all []*procedure.Procedure
	for _, id := range ids {
		all = append(all, shipped(t, id))
	}
	for _, f := range doctest.Read(t, "../../../DEVELOPERS.md", "Adding a procedure").Fences {
		if f.Lang == "yaml" {
			docs, problems := procedure.Read(f.Name(), []byte(f.Text))
			if len(problems) > 0 {
				t.Fatal(problems)
			}
			all = append(all, &docs[0].Procedure)
		}
	}
	if len(all) == len(ids) {
		t.Error("the page has no procedure")
	}
	for _, p := range all {
		for _, kind := range p.Kinds {
			j := worked(t, p, kind)
			if ps := j.ready(j.facts()); len(ps) > 0 {
				t.Errorf("%s of a %s:\n%s", p.ID, kind, told(ps))
			}
			j = begin(t, p, kind)
			if ps := Blocking(j.ready(j.facts())); len(ps) == 0 {
				t.Errorf("%s of a %s can be signed with nothing done", p.ID, kind)
			}
		}
	}
}

// TestReady: what keeps an overhaul of a second stage from being signed. The turns, travel and spread are common practice, no source.
func TestReady(t *testing.T) {
	t.Parallel()
	stage := shipped(t, "second-stage-overhaul")
	is := func(step string) func(e *Event) bool {
		return func(e *Event) bool { return e.Step != nil && e.Step.Step == step }
	}
	for _, tt := range []struct {
		name  string
		spoil func(j *job, f *Facts)
		want  []string // how each problem begins; there is no other
	}{
		{"as it should be", func(*job, *Facts) {}, nil},

		// Bounds.
		{"tab travel 1.2 mm is refused", func(j *job, _ *Facts) { j.measure("open-cover", "1.2 mm") },
			[]string{"OUT_OF_BOUNDS open-cover tab-travel: tab-travel of the step open-cover is 1.2 mm, more than 1 mm: travel of the tab"}},
		{"tab travel 1 mm is not", func(j *job, _ *Facts) { j.measure("open-cover", "1 mm") }, nil},
		{"nor 1.00 mm, nor 1000 µm in another unit", func(j *job, _ *Facts) { j.measure("open-cover", "0.1 cm") }, nil},
		{"tab travel 0.4 mm is flagged", func(j *job, _ *Facts) { j.measure("open-cover", "0.4 mm") },
			[]string{"OUT_OF_BOUNDS (flag) open-cover tab-travel: tab-travel of the step open-cover is 0.4 mm, less than 0.5 mm"}},
		{"an orifice backed out six turns is refused", func(j *job, _ *Facts) { j.measure("orifice-out", "6 turns") },
			[]string{"OUT_OF_BOUNDS orifice-out orifice-turns: orifice-turns of the step orifice-out is 6 turn, less than 7 turn"}},
		{"and 2519 degrees are less than seven turns", func(j *job, _ *Facts) { j.measure("orifice-out", "2519 deg") }, []string{"OUT_OF_BOUNDS orifice-out"}},
		{"2520 are seven", func(j *job, _ *Facts) { j.measure("orifice-out", "2520 deg") }, nil},
		{"a seat pulled after four turns is refused", func(j *job, _ *Facts) { j.measure("seat-out", "4 turns") }, []string{"OUT_OF_BOUNDS seat-out seat-turns"}},
		{"five are enough", func(j *job, _ *Facts) { j.measure("seat-out", "5 turns") }, nil},
		{"an adjuster turned three quarters is flagged", func(j *job, _ *Facts) { j.measure("free-adjuster", "0.75 turns") }, []string{"OUT_OF_BOUNDS (flag) free-adjuster adjuster-turns"}},
		{"one leg of the lever spread too far is refused", func(j *job, _ *Facts) { j.measure("lever-out", "0.9 mm", "1.1 mm") }, []string{"OUT_OF_BOUNDS lever-out leg-spread: leg-spread of the step lever-out is 1.1 mm, more than 1 mm"}},
		{"a travel in turns cannot be compared", func(j *job, _ *Facts) { j.measure("open-cover", "1 turn") }, []string{"MEASUREMENT_UNREADABLE open-cover tab-travel"}},
		{"what was not measured", func(j *job, _ *Facts) { j.measure("orifice-out") }, []string{"MEASUREMENT_MISSING orifice-out orifice-turns"}},
		{"what was not measured and would only be flagged", func(j *job, _ *Facts) { j.measure("free-adjuster") }, []string{"MEASUREMENT_MISSING (flag) free-adjuster adjuster-turns"}},

		// Steps.
		{"a critical step is open", func(j *job, _ *Facts) { j.drop(is("clean")) }, []string{"CRITICAL_STEP_OPEN clean : the critical step clean is open: do it"}},
		{"a step is open", func(j *job, _ *Facts) { j.drop(is("diaphragm-out")) }, []string{"STEP_OPEN (flag) diaphragm-out"}},
		{"the last resort was not needed", func(j *job, _ *Facts) {
			j.drop(func(e *Event) bool {
				return e.Step != nil && strings.HasPrefix(e.Step.Step, "lever-") || e.Moved != nil && e.Moved.Part == "lever"
			})
		}, nil},
		{"steps in another order", func(j *job, _ *Facts) {
			j.find(is("clean")).Occurred, j.find(is("look-at-orifice")).Occurred = j.find(is("look-at-orifice")).Occurred, j.find(is("clean")).Occurred
		}, []string{"STEPS_OUT_OF_ORDER lever-out", "STEPS_OUT_OF_ORDER clean : the step clean was done before look-at-orifice, which comes first: do it again after it"}},
		{"a step that is not in the procedure", func(j *job, _ *Facts) { j.event("ines", Detail{Step: &StepDone{Step: "polish"}}) }, []string{"ORDER_STEP_UNKNOWN polish"}},
		{"no second person", func(j *job, _ *Facts) { j.stepDone("look-at-orifice").Checked = "" }, []string{"SECOND_PERSON_MISSING look-at-orifice"}},
		{"the same person", func(j *job, _ *Facts) { j.stepDone("look-at-orifice").Checked = "ines" }, []string{"SECOND_PERSON_SAME look-at-orifice : ines did the step look-at-orifice and checked it"}},
		{"a second person later", func(j *job, _ *Facts) {
			j.stepDone("look-at-orifice").Checked = ""
			j.event("bo", Detail{Checked: &StepChecked{"look-at-orifice"}})
		}, nil},
		{"the same person once more", func(j *job, _ *Facts) { j.event("ines", Detail{Checked: &StepChecked{"look-at-orifice"}}) }, nil},
		{"the same person later", func(j *job, _ *Facts) {
			j.stepDone("look-at-orifice").Checked = ""
			j.event("ines", Detail{Checked: &StepChecked{"look-at-orifice"}})
		}, []string{"SECOND_PERSON_SAME look-at-orifice"}},
		{"checked, and done again", func(j *job, f *Facts) {
			j.again("look-at-orifice", "")
			f.At = j.at
		}, []string{"SECOND_PERSON_MISSING look-at-orifice", "SECOND_PERSON_MISSING count-seals"}},

		// Tests.
		{"a test that failed", func(j *job, _ *Facts) { j.trial("last-test").Verdict = bench.Fail }, []string{"TEST_FAILED last-testtightness : the test tightness of the step last-test failed, and no later one passed: within its limits"}},
		{"a test that reached no verdict", func(j *job, _ *Facts) { j.trial("last-test").Verdict = bench.Inconclusive }, []string{"TEST_INCONCLUSIVE last-testtightness"}},
		{"a test without a verdict", func(j *job, _ *Facts) { j.trial("last-test").Verdict = bench.NotApplicable }, []string{"TEST_INCONCLUSIVE last-testtightness"}},
		{"a test that failed and then passed", func(j *job, f *Facts) {
			j.trial("last-test").Verdict = bench.Fail
			j.event("ines", Detail{Tested: &Tested{Step: "last-test", Test: "tightness", Verdict: bench.Pass}})
			f.At = j.at
		}, nil},
		{"a test that passed and then failed", func(j *job, f *Facts) {
			j.event("ines", Detail{Tested: &Tested{Step: "last-test", Test: "tightness", Verdict: bench.Fail}})
			f.At = j.at
		}, []string{"TEST_FAILED last-test"}},
		{"as found it failed, which is why it came", func(j *job, _ *Facts) { j.trial("as-found").Verdict = bench.Fail }, nil},
		{"as found it was not measured, though the step says so", func(j *job, _ *Facts) {
			j.drop(func(e *Event) bool { return e.Tested != nil && e.Tested.Step == "as-found" })
		}, []string{"TEST_MISSING as-foundcracking-effort"}},
		{"no test", func(j *job, _ *Facts) {
			j.drop(func(e *Event) bool { return e.Tested != nil && e.Tested.Step == "last-test" })
		}, []string{"TEST_MISSING last-testtightness : the test tightness of the step last-test was not made: make it"}},
		{"the test of another step", func(j *job, _ *Facts) { j.trial("last-test").Step = "close" }, []string{"TEST_MISSING last-testtightness"}},
		{"worked on after the test", func(j *job, f *Facts) { j.again("close", "last-test"); f.At = j.at }, []string{
			"SECOND_PERSON_MISSING count-seals", "STEPS_OUT_OF_ORDER last-test : the step last-test was done before set-effort, which comes first", "TEST_BEFORE_WORK last-testtightness : the test tightness was made before the step set-effort was last done: make it again"}},
		{"worked on after the test, and tested again", func(j *job, f *Facts) { j.again("close", ""); f.At = j.at }, []string{"SECOND_PERSON_MISSING count-seals"}},

		// Parts.
		{"one seal was not thrown away", func(j *job, _ *Facts) {
			j.drop(func(e *Event) bool {
				return e.Moved != nil && e.Moved.Part == "orifice-seal" && e.Moved.Move == Discarded
			})
		}, []string{"PARTS_DO_NOT_ADD_UP orifice-seal : orifice-seal: 1 removed, and 0 discarded and 0 refitted: account for every one"}},
		{"two were thrown away of one", func(j *job, _ *Facts) { j.moved("orifice-seal", Discarded).Count = 2 }, []string{"PARTS_DO_NOT_ADD_UP orifice-seal : orifice-seal: 1 removed, and 2 discarded"}},
		{"one seal did not go in", func(j *job, _ *Facts) {
			j.drop(func(e *Event) bool { return e.Moved != nil && e.Moved.Part == "inlet-seal" && e.Moved.Move == Fitted })
		}, []string{"PARTS_DO_NOT_ADD_UP connectinlet-seal : inlet-seal: the step connect has 1 of them fitted or refitted, and 0 are recorded", "PARTS_DO_NOT_ADD_UP inlet-seal"}},
		{"one too many went in", func(j *job, _ *Facts) { j.moved("inlet-seal", Fitted).Count = 2 }, []string{"PARTS_DO_NOT_ADD_UP inlet-seal : inlet-seal: 1 removed and 0 absent, and 2 fitted"}},
		{"none came out and nobody says why", func(j *job, _ *Facts) {
			j.drop(func(e *Event) bool { return e.Moved != nil && e.Moved.Part == "inlet-seal" && e.Moved.Move != Fitted })
		}, []string{"PARTS_DO_NOT_ADD_UP take-offinlet-seal : inlet-seal: the step take-off has 1 of them removed or absent, and 0", "PARTS_DO_NOT_ADD_UP inlet-seal : inlet-seal: 0 removed and 0 absent, and 1 fitted"}},
		{"it was not there", func(j *job, _ *Facts) {
			j.moved("inlet-seal", Removed).Move = Absent
			j.drop(func(e *Event) bool {
				return e.Moved != nil && e.Moved.Part == "inlet-seal" && e.Moved.Move == Discarded
			})
		}, nil},
		{"an old seal put back", func(j *job, _ *Facts) {
			j.moved("seat", Fitted).Move = Refitted
			j.drop(func(e *Event) bool { return e.Moved != nil && e.Moved.Part == "seat" && e.Moved.Move == Discarded })
		}, []string{"PARTS_DO_NOT_ADD_UP seat : seat: 1 put back in: it is replaced always, so discard it and fit a new one"}},
		{"a damaged exhaust valve, renewed", func(j *job, f *Facts) {
			j.move("look-at-exhaust", "exhaust-valve", Removed, 1)
			j.move("", "exhaust-valve", Discarded, 1)
			j.move("close", "exhaust-valve", Fitted, 1)
			f.At = j.at
		}, nil},
		{"and not renewed", func(j *job, f *Facts) {
			j.move("look-at-exhaust", "exhaust-valve", Removed, 1)
			j.move("", "exhaust-valve", Discarded, 1)
			f.At = j.at
		}, []string{"PARTS_DO_NOT_ADD_UP exhaust-valve : exhaust-valve: 1 removed and 0 absent, and 0 fitted"}},
		{"a bent lever, renewed", func(j *job, f *Facts) {
			m := j.moved("lever", Refitted)
			m.Move, m.Lot = Fitted, "lot-lever"
			j.move("", "lever", Discarded, 1)
			f.At = j.at
		}, []string{"PART_REPLACED (flag) lever"}},
		{"a part that is none of its", func(j *job, f *Facts) { j.move("close", "spring", Removed, 1); f.At = j.at }, []string{"PARTS_DO_NOT_ADD_UP spring : spring: the procedure has no such part"}},
		{"no lot", func(j *job, _ *Facts) { j.moved("seat", Fitted).Lot = "" }, []string{"LOT_MISSING seat"}},
		{"a lot that is not there", func(j *job, _ *Facts) { j.moved("seat", Fitted).Lot = "lot-x" }, []string{"LOT_UNKNOWN seat : seat: there is no lot lot-x"}},
		{"a lot of something else", func(j *job, _ *Facts) { j.moved("seat", Fitted).Lot = "lot-diaphragm" }, []string{"LOT_OF_OTHER_PART seat"}},
		{"a lot past its shelf life", func(_ *job, f *Facts) { f.Lots["lot-seat"] = Lot{Part: "seat", Expires: civil.Month(2026, 2)} },
			[]string{"LOT_EXPIRED seat : seat: the shelf life of the lot lot-seat ended with 2026-02-28, and it was fitted on 2026-03-09"}},
		{"a lot past its shelf life, taken out again", func(j *job, f *Facts) {
			f.Lots["old"] = Lot{Part: "seat", Expires: civil.Month(2026, 2)}
			j.moved("seat", Fitted).Lot = "old"
			j.move("seat-in", "seat", Removed, 1).Moved.Lot = "old"
			j.move("", "seat", Discarded, 1)
			j.move("seat-in", "seat", Fitted, 1)
			f.At = j.at
		}, nil},
		{"another taken out than was fitted", func(j *job, f *Facts) {
			j.move("seat-in", "seat", Removed, 1).Moved.Lot = "old"
			j.move("", "seat", Discarded, 1)
			j.move("seat-in", "seat", Fitted, 1)
			f.At = j.at
		}, []string{"PARTS_DO_NOT_ADD_UP seat : seat: 1 from the lot old came out again, and 0 were fitted"}},
		{"a lot past its shelf life, and one of two taken out", func(j *job, f *Facts) {
			f.Lots["old"] = Lot{Part: "seat", Expires: civil.Month(2026, 2)}
			m := j.moved("seat", Fitted)
			m.Lot, m.Count = "old", 2
			j.moved("seat", Removed).Count = 2
			j.moved("seat", Discarded).Count = 2
			j.move("seat-in", "seat", Removed, 1).Moved.Lot = "old"
			j.move("", "seat", Discarded, 1)
			j.move("seat-in", "seat", Fitted, 1)
			f.At = j.at
		}, []string{"LOT_EXPIRED seat"}},
		{"a lot on the last day of its shelf life", func(_ *job, f *Facts) {
			f.Lots["lot-seat"] = Lot{Part: "seat", Expires: civil.Day(civil.New(2026, 3, 9))}
		}, nil},

		// People.
		{"a qualification that lapsed the day before", func(_ *job, f *Facts) { f.Qualifications[0].Through = civil.Day(civil.New(2026, 3, 8)) },
			[]string{"QUALIFICATION_LAPSED  : the qualification of ines for overhaul of a second-stage lapsed on 2026-03-08, and it is signed on 2026-03-09"}},
		{"one that begins tomorrow", func(_ *job, f *Facts) {
			f.Qualifications[0].From = civil.Day(civil.New(2026, 3, 10))
			f.Qualifications[0].Through = civil.Mark{}
		}, []string{"QUALIFICATION_NOT_BEGUN"}},
		{"one that begins today", func(_ *job, f *Facts) { f.Qualifications[0].From = f.Qualifications[0].Through }, nil},
		{"one for another kind", func(_ *job, f *Facts) { f.Qualifications[0].Kind = "first-stage" }, []string{"QUALIFICATION_MISSING  : ines is not qualified for overhaul of a second-stage"}},
		{"one for this kind beside it", func(_ *job, f *Facts) {
			f.Qualifications = append([]Qualification{{Activity: "overhaul", Kind: "first-stage"}, {Activity: "inspection"}}, Qualification{Activity: "overhaul", Kind: "second-stage"})
		}, nil},
		{"one for another activity", func(_ *job, f *Facts) { f.Qualifications[0].Activity = "inspection" }, []string{"QUALIFICATION_MISSING"}},
		{"none", func(_ *job, f *Facts) { f.Qualifications = nil }, []string{"QUALIFICATION_MISSING"}},
		{"the day is the shop's", func(_ *job, f *Facts) { // 11:00 UTC on the 9th is the 10th at a shop 14 hours east
			f.At, f.Zone = morning.Add(3*time.Hour), time.FixedZone("+14", 14*3600)
		}, []string{"QUALIFICATION_LAPSED"}},

		{"nobody says where the shop is", func(_ *job, f *Facts) { f.Zone = nil }, nil},

		// The order itself.
		{"another revision", func(j *job, _ *Facts) { j.events[0].Opened.Revision = 2 }, []string{"ORDER_OTHER_PROCEDURE"}},
		{"another procedure", func(j *job, _ *Facts) { j.events[0].Opened.Procedure = "valve-service" }, []string{"ORDER_OTHER_PROCEDURE"}},
		{"another kind", func(j *job, _ *Facts) { j.events[0].Opened.Kind = "bcd" }, []string{"ORDER_OTHER_KIND"}},
		{"not opened", func(j *job, _ *Facts) { j.events = j.events[1:] }, []string{"ORDER_NOT_OPEN  : the order is not opened yet"}},
		{"signed already", func(j *job, _ *Facts) { j.event("ines", Detail{Signed: &Signed{Pass}}) }, []string{"ORDER_NOT_OPEN"}},
		{"closed already", func(j *job, _ *Facts) { j.event("ines", Detail{Closed: &Closed{"the owner took it back"}}) }, []string{"ORDER_NOT_OPEN"}},
		{"signed before the work", func(_ *job, f *Facts) { f.At = morning.Add(5 * time.Second) }, []string{"ORDER_SIGNED_BEFORE_WORK"}},
		{"signed for nothing", func(_ *job, f *Facts) { f.Outcome = 0 }, []string{"ORDER_NOT_OPEN"}},
		{"work from before it was opened", func(j *job, _ *Facts) { j.find(is("diaphragm-out")).Occurred = morning }, []string{"ORDER_EVENTS_CONFLICT", "STEP_OPEN (flag) diaphragm-out"}},
		{"work that was withdrawn", func(j *job, f *Facts) {
			j.event("ines", Detail{Withdrawn: &Withdrawn{j.find(is("clean")).ID, "pressed by mistake"}})
			f.At = j.at
		}, []string{"CRITICAL_STEP_OPEN clean"}},

		// The other outcomes.
		{"nothing speaks against it", func(_ *job, f *Facts) { f.Outcome = Fail }, []string{"NOTHING_SPEAKS_AGAINST_IT"}},
		{"unfinished and a nick found", func(j *job, f *Facts) {
			j.drop(func(e *Event) bool { return e.Occurred.After(morning.Add(20 * time.Second)) })
			j.event("ines", Detail{Found: &Found{Step: "look-at-orifice", Finding: "the orifice is nicked, and there is no other"}})
			f.Outcome = Fail
		}, nil},
		{"out of bounds", func(j *job, f *Facts) { j.measure("orifice-out", "6 turns"); f.Outcome = Condemned }, nil},
		{"flagged", func(j *job, f *Facts) { j.measure("open-cover", "0.4 mm"); f.Outcome = Condemned }, []string{"NOTHING_SPEAKS_AGAINST_IT"}},
		{"and nobody qualified", func(j *job, f *Facts) { j.measure("orifice-out", "6 turns"); f.Outcome, f.Qualifications = Fail, nil }, []string{"QUALIFICATION_MISSING"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			j := worked(t, stage, "second-stage")
			f := j.facts()
			tt.spoil(j, &f)
			got := strings.Split(strings.TrimSuffix(told(j.ready(f)), "\n"), "\n")
			if len(tt.want) == 0 {
				tt.want = []string{""}
			}
			ok := len(got) == len(tt.want)
			for i := range got {
				ok = ok && strings.HasPrefix(got[i], tt.want[i]) && (got[i] == "") == (tt.want[i] == "")
			}
			if !ok {
				t.Errorf("told\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(tt.want, "\n"))
			}
		})
	}
}

// TestStationWork: what only an approved station may do needs its name, the number of its approval and its verdict, where that is so. That a shop's log is no
// requalification says 49 CFR 180.205(b).
func TestStationWork(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name, procedure, jurisdiction string
		spoil                         func(j *job, f *Facts)
		want                          string // how the problem begins; empty for none
	}{
		{"with its papers", "cylinder-hydrostatic-record", "US", func(*job, *Facts) {}, ""},
		{"without", "cylinder-hydrostatic-record", "US", func(j *job, _ *Facts) { j.drop(isStation) }, "STATION_MISSING  : only an approved station may perform hydrostatic-test here (49 CFR 180.205)"},
		{"wherever that is", "cylinder-hydrostatic-record", "", func(j *job, _ *Facts) { j.drop(isStation) }, "STATION_MISSING"},
		{"without a number", "cylinder-hydrostatic-record", "US", func(j *job, _ *Facts) { j.find(isStation).Station.Approval = "" }, "STATION_MISSING"},
		{"without a name", "cylinder-hydrostatic-record", "US", func(j *job, _ *Facts) { j.find(isStation).Station.Provider = "" }, "STATION_MISSING"},
		{"of something else", "cylinder-hydrostatic-record", "US", func(j *job, _ *Facts) { j.find(isStation).Station.Activity = "overhaul" }, "STATION_MISSING"},
		{"it did not pass", "cylinder-hydrostatic-record", "US", func(j *job, _ *Facts) { j.find(isStation).Station.Passed = false }, "STATION_FAILED"},
		{"it did not pass, and that is what is signed", "cylinder-hydrostatic-record", "US", func(j *job, f *Facts) { j.find(isStation).Station.Passed = false; f.Outcome = Condemned }, ""},
		{"a look that a shop may do", "cylinder-visual-inspection", "US", func(j *job, _ *Facts) { j.drop(isStation) }, ""},
		{"a look that it may not somewhere, told once", "cylinder-visual-inspection", "", func(j *job, _ *Facts) { j.drop(isStation) }, "STATION_MISSING"},
		{"a look that it may not", "cylinder-visual-inspection", "AU-QLD", func(j *job, _ *Facts) { j.drop(isStation) }, "STATION_MISSING"},
	} {
		p := shipped(t, tt.procedure)
		j := worked(t, p, p.Kinds[0])
		f := j.facts()
		f.Jurisdiction = tt.jurisdiction
		tt.spoil(j, &f)
		if got := told(j.ready(f)); !strings.HasPrefix(got, tt.want) || (got == "") != (tt.want == "") || strings.Count(got, "\n") > 1 {
			t.Errorf("%s: told\n%swant\n%s", tt.name, got, tt.want)
		}
	}
}

func isStation(e *Event) bool { return e.Station != nil }

// again does the steps from one up to another anew, or to the end, with their tests, without touching parts and with nobody to check.
func (j *job) again(from, to string) {
	j.t.Helper()
	on := false
	for _, s := range j.p.Steps {
		on = (on || s.ID == from) && s.ID != to
		if !on || !s.For(j.events[0].Opened.Kind) {
			continue
		}
		for _, st := range s.Tests {
			j.event("ines", Detail{Tested: &Tested{Step: s.ID, Test: st.Test, Verdict: bench.Pass}})
		}
		j.event("ines", Detail{Step: &StepDone{Step: s.ID, Measured: j.stepDone(s.ID).Measured}})
	}
}

// trial returns the first test of a step.
func (j *job) trial(step string) *Tested {
	j.t.Helper()
	return j.find(func(e *Event) bool { return e.Tested != nil && e.Tested.Step == step }).Tested
}

// measure puts other quantities in the place of the first that a step measured.
func (j *job) measure(step string, texts ...string) {
	j.t.Helper()
	d := j.stepDone(step)
	bound := d.Measured[0].Bound
	d.Measured = nil
	for _, text := range texts {
		d.Measured = append(d.Measured, Measured{bound, quantity(j.t, text)})
	}
}
