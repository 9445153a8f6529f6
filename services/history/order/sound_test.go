package order

import (
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/procedure"
)

// TestWhatCanBeSignedIsSound spoils orders of the shipped procedures at random. Whenever one can be signed, its raw events, read here in the plainest way and without the
// fold, say that it may be: no critical step open, every part accounted for, nothing refused measured, the last tests passed, checks by somebody else.
func TestWhatCanBeSignedIsSound(t *testing.T) {
	t.Parallel()
	ids, err := procedure.Shipped.IDs()
	if err != nil {
		t.Fatal(err)
	}
	type subject struct {
		p    *procedure.Procedure
		kind string
	}
	var subjects []subject
	for _, id := range ids {
		p := shipped(t, id)
		for _, kind := range p.Kinds {
			subjects = append(subjects, subject{p, kind})
		}
	}
	signed, refused := 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		s := rapid.SampledFrom(subjects).Draw(rt, "procedure")
		j := worked(t, s.p, s.kind)
		f := j.facts()
		for range rapid.IntRange(0, 3).Draw(rt, "times") {
			spoil(rt, j)
		}
		if len(Blocking(j.ready(f))) > 0 {
			refused++
			return
		}
		signed++
		for _, fault := range unsound(s.p, s.kind, j.events) {
			rt.Errorf("%s of a %s can be signed: %s", s.p.ID, s.kind, fault)
		}
	})
	if (signed < 5 || refused < 5) && !testing.Short() {
		t.Errorf("%d could be signed and %d could not: the test says little", signed, refused)
	}
}

// spoil changes or leaves out an event.
func spoil(t *rapid.T, j *job) {
	i := rapid.IntRange(1, len(j.events)-1).Draw(t, "event")
	e := &j.events[i]
	if rapid.IntRange(0, 2).Draw(t, "how") == 0 {
		j.events = slices.Delete(j.events, i, i+1)
		return
	}
	switch {
	case e.Step != nil:
		step := *e.Step
		step.Measured = slices.Clone(step.Measured)
		if len(step.Measured) > 0 && rapid.Bool().Draw(t, "measured") {
			m := &step.Measured[0]
			by := big.NewRat(rapid.Int64Range(-30, 30).Draw(t, "tenths"), 10)
			if q, err := measureOf(by.Add(by, m.Quantity.Rat()), m.Quantity); err == nil {
				m.Quantity = q
			}
		} else {
			step.Checked = rapid.SampledFrom([]string{"", "ines", "bo"}).Draw(t, "checked")
		}
		e.Step = &step
	case e.Moved != nil:
		moved := *e.Moved
		moved.Count = rapid.IntRange(0, 2).Draw(t, "count")
		moved.Move = rapid.SampledFrom([]Move{moved.Move, moved.Move, Removed, Absent, Discarded, Fitted, Refitted}).Draw(t, "move")
		moved.Lot = rapid.SampledFrom([]string{moved.Lot, ""}).Draw(t, "lot")
		e.Moved = &moved
	case e.Tested != nil:
		tested := *e.Tested
		tested.Verdict = bench.Verdict(rapid.IntRange(0, 3).Draw(t, "verdict"))
		e.Tested = &tested
	}
}

// unsound returns why an order of a procedure should not have been signed.
func unsound(p *procedure.Procedure, kind string, events []Event) (faults []string) {
	done, tests, count := map[string]*Event{}, map[TrialOf]bench.Verdict{}, map[string]map[Move]int{}
	for i := range events { // in the order in which they happened, as the fixture makes them
		e := &events[i]
		switch {
		case e.Step != nil:
			done[e.Step.Step] = e
		case e.Tested != nil:
			tests[TrialOf{e.Tested.Step, e.Tested.Test}] = e.Tested.Verdict
		case e.Moved != nil:
			if count[e.Moved.Part] == nil {
				count[e.Moved.Part] = map[Move]int{}
			}
			count[e.Moved.Part][e.Moved.Move] += e.Moved.Count
			if e.Moved.Move == Fitted && e.Moved.Count > 0 && e.Moved.Lot == "" {
				faults = append(faults, e.Moved.Part+" is from no lot")
			}
		}
	}
	for _, s := range p.Steps {
		d := done[s.ID]
		if !s.For(kind) || d == nil {
			if s.For(kind) && s.Critical {
				faults = append(faults, s.ID+" is open")
			}
			continue
		}
		if s.SecondPerson && (d.Step.Checked == "" || d.Step.Checked == d.By) {
			faults = append(faults, s.ID+" was not checked by another")
		}
		for _, m := range d.Step.Measured {
			b := s.Bound(m.Bound)
			for _, side := range []struct {
				limit bool
				worse bool
			}{{b.Least != nil && b.Below == procedure.Refuse, b.Least != nil && m.Quantity.SI().Cmp(b.Least.SI()) < 0}, {b.Most != nil && b.Above == procedure.Refuse, b.Most != nil && m.Quantity.SI().Cmp(b.Most.SI()) > 0}} {
				if side.limit && side.worse {
					faults = append(faults, s.ID+" measured "+m.Quantity.String())
				}
			}
		}
		for _, st := range s.Tests {
			if v, made := tests[TrialOf{s.ID, st.Test}]; !made || v != bench.Pass && !st.AsFound {
				faults = append(faults, s.ID+": the test "+st.Test+" did not pass")
			}
		}
	}
	for _, part := range p.Parts {
		c := count[part.ID]
		if c[Removed] != c[Discarded]+c[Refitted] || c[Removed]+c[Absent] != c[Fitted]+c[Refitted] || part.Policy == procedure.Replace && c[Refitted] > 0 {
			faults = append(faults, part.ID+" does not add up")
		}
	}
	return faults
}
