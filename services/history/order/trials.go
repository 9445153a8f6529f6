package order

import (
	"time"

	"strandline.example/strandline/services/history/bench"
)

// tests tells of tests that steps which were done ask for and that were not made, and of tests that did not pass, or were made before the work that they are to judge. A test
// that was made counts though its step was not done.
func (r *readiness) tests() {
	var latest time.Time // of the steps above
	after := ""
	for i := range r.p.Steps {
		s := &r.p.Steps[i]
		d := r.o.Steps[s.ID]
		if !s.For(r.o.Opening.Kind) {
			continue
		}
		for _, want := range s.Tests {
			at := Problem{Step: s.ID, Test: want.Test}
			t, made := r.o.Trials[TrialOf{s.ID, want.Test}]
			switch {
			case !made && d.Times == 0:
			case !made:
				at.Reason = TestMissing
				r.add(at, "the test %s of the step %s was not made: make it", want.Test, s.ID)
			case want.AsFound:
			case t.At.Before(latest):
				at.Reason, at.Value = TestBeforeWork, t.At.UTC().Format(time.RFC3339)
				r.add(at, "the test %s was made before the step %s was last done: make it again", want.Test, after)
			case t.Verdict == bench.Pass:
			case t.Verdict == bench.Fail:
				at.Reason, at.Value = TestFailed, t.Why
				r.add(at, "the test %s of the step %s failed, and no later one passed: %s", want.Test, s.ID, t.Why)
			default:
				at.Reason, at.Value = TestInconclusive, t.Why
				r.add(at, "the test %s of the step %s reached no verdict, and no later one passed: %s", want.Test, s.ID, t.Why)
			}
		}
		if d.Times > 0 && d.At.After(latest) {
			latest, after = d.At, s.ID
		}
	}
}

// stations tells of activities that only an approved station may perform here, and of which no station's work is recorded.
func (r *readiness) stations() {
	seen := map[string]bool{}
	for _, s := range r.p.StationWork(r.f.Jurisdiction) {
		if seen[s.Activity] { // several sources may say so
			continue
		}
		seen[s.Activity] = true
		w, told := r.o.Stations[s.Activity]
		switch at := (Problem{Value: s.Activity}); {
		case !told || w.Provider == "" || w.Approval == "":
			at.Reason = StationMissing
			r.add(at, "only an approved station may perform %s here (%s): record which did, with the number of its approval, after its papers", s.Activity, s.Source.Document)
		case !w.Passed:
			at.Reason = StationFailed
			r.add(at, "%s did not pass the unit at %s: sign that it failed, or that it is condemned", w.Provider, s.Activity)
		}
	}
}
