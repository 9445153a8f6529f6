package work

import (
	"fmt"
	"slices"
	"time"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/order"
)

// maxNote is the length of the longest note of an entry.
const maxNote = 2000

// compose writes the fresh events, what follows from them, and what they are found by.
func (a *attempt) compose() (c history.Composition, err error) {
	for _, e := range a.fresh {
		entry, err := e.entry(a.id)
		if err != nil {
			return c, err
		}
		e.Row = history.NewRow(a.record, &entry)
		c.Rows = append(c.Rows, e.Row)
		switch {
		case e.Event.Opened != nil:
			c.Index.Opened = append(c.Index.Opened, history.OpenedOrder{Row: e.Row, Purpose: e.Event.Opened.Purpose})
		case e.Event.Tested != nil:
			a.tested(&c, e)
		case e.Event.Moved != nil, e.Event.Withdrawn != nil:
			a.moved(&c, e)
		case e.Event.Station != nil:
			a.rejected(&c, e)
		case e.Event.Signed != nil:
			c.Index.Ended = append(c.Index.Ended, history.EndedOrder{Row: e.Row, Order: a.id, Ending: history.EndSigned})
			if err := a.signed(&c, e); err != nil {
				return c, err
			}
		case e.Event.Closed != nil:
			c.Index.Ended = append(c.Index.Ended, history.EndedOrder{Row: e.Row, Order: a.id, Ending: history.EndClosed})
		}
	}
	return c, nil
}

// follows adds an entry that follows from an event.
func (a *attempt) follows(c *history.Composition, e *Event, note string, d history.Detail, at time.Time, words ...string) {
	if r := []rune(note); len(r) > maxNote {
		note = string(r[:maxNote-1]) + "…"
	}
	entry := history.Entry{ID: history.Derived(e.ID, words...), Unit: a.unit, Occurred: at, Shop: a.shop, Technician: e.By, Note: note, Detail: d}
	r := history.NewRow(a.record, &entry)
	c.Rows, a.follow = append(c.Rows, r), append(a.follow, r)
}

var outcomes = map[bench.Verdict]history.Outcome{bench.Pass: history.Pass, bench.Fail: history.Fail, bench.Inconclusive: history.Inconclusive}

// tested writes what follows from a test.
func (a *attempt) tested(c *history.Composition, e *Event) {
	made, t := e.Detail.GetTestMade(), a.world.procedure.Test(e.Event.Tested.Test)
	verdict := e.Event.Tested.Verdict
	ids, _ := instruments(a.org, made)
	for _, id := range ids {
		c.Index.Instruments = append(c.Index.Instruments, history.InstrumentUse{
			Instrument: id, Entry: e.ID, Occurred: e.Occurred, Unit: a.unit, Order: a.id, Activity: t.Activity, Shop: a.shop, Passed: verdict == bench.Pass,
		})
	}
	work := &history.Work{Activities: []string{t.Activity}, Outcome: outcomes[verdict], Order: a.id, Readings: e.ID}
	switch {
	case verdict != bench.Pass:
		a.follows(c, e, t.Bench.Title()+": "+e.Event.Tested.Why, history.Detail{Test: work}, e.Occurred, "test")
		a.unproven(c, e, t.Activity)
	case !slices.Contains(a.world.procedure.Activities, t.Activity) && a.proven(t.Activity, e):
		a.follows(c, e, t.Bench.Title()+": passed, as did every other test of "+t.Activity+" in the order.", history.Detail{Test: work}, e.Occurred, "test")
		a.known.performed = append(a.known.performed, performed{e.Occurred, work.Activities})
	}
}

// proven says whether every test of an activity that was made in the order, up to an event that passed, had passed when it was last made.
func (a *attempt) proven(activity string, up *Event) bool {
	last := map[string]*Event{} // by test: whether it was made as found or at the end, it says the same of the unit
	for _, e := range a.all {
		if t := e.Event.Tested; t != nil && a.world.procedure.Test(t.Test).Activity == activity && !e.Occurred.After(up.Occurred) {
			if before := last[t.Test]; before == nil || e.Occurred.After(before.Occurred) || t.Verdict > before.Event.Tested.Verdict {
				last[t.Test] = e
			}
		}
	}
	for _, e := range last {
		if e.Event.Tested.Verdict != bench.Pass {
			return false
		}
	}
	return true
}

// unproven holds the unit by a condition if a pass of the activity stands in the ledger that is later than a test that did not pass and does not answer it: the test arrived after
// the pass was written, and was not made again.
func (a *attempt) unproven(c *history.Composition, e *Event, activity string) {
	for _, later := range a.all {
		if t := later.Event.Tested; t != nil && t.Test == e.Event.Tested.Test && t.Verdict == bench.Pass && later.Occurred.After(e.Occurred) {
			return
		}
	}
	var at time.Time
	for _, p := range a.known.performed {
		if slices.Contains(p.activities, activity) && p.at.After(e.Occurred) && p.at.After(at) {
			at = p.at
		}
	}
	if at.IsZero() {
		return
	}
	t := a.world.procedure.Test(e.Event.Tested.Test)
	a.follows(c, e, fmt.Sprintf("%s did not pass at %s and was not made again, which was told only after a later %s had been recorded as passed: make it again.", t.Bench.Title(), e.Occurred.UTC().Format(time.RFC3339), activity),
		history.Detail{Condition: &history.Condition{Condition: "test-not-passed", Severity: history.Pull, ClearedBy: []string{activity}}}, at, "unproven")
}

// moved notes where parts from lots went, or that they did not. What an event adds is what the lot has in the unit with it, less what it had without it.
func (a *attempt) moved(c *history.Composition, e *Event) {
	target := e.ID
	if w := e.Event.Withdrawn; w != nil {
		target = w.Event
	}
	var m *order.Moved
	has := func(with bool) (n int) {
		gone := false
		for _, o := range a.all {
			switch {
			case o.Row == nil, o == e && !with: // not written yet
			case o.ID == target && o.Event.Moved != nil:
				m, n = o.Event.Moved, o.Event.Moved.Count
			case o.Event.Withdrawn != nil && o.Event.Withdrawn.Event == target:
				gone = true
			}
		}
		if gone {
			return 0
		}
		return n
	}
	n := has(true) - has(false)
	if n == 0 || m.Lot == "" {
		return
	}
	if m.Move == order.Removed {
		n = -n
	}
	c.Index.AddPart(e.Row, history.PartUse{Entry: e.ID, Unit: a.unit, Order: a.id, Lot: m.Lot, Part: m.Part, Count: n, Occurred: e.Occurred})
}

// rejected pulls a unit that a station did not pass.
func (a *attempt) rejected(c *history.Composition, e *Event) {
	if s := e.Event.Station; !s.Passed {
		a.follows(c, e, "", history.Detail{Test: &history.Work{Activities: []string{s.Activity}, Outcome: history.Fail, Mark: s.Mark, Provider: provider(s), Order: a.id}}, e.Occurred, "station")
	}
}

// provider names a station with the number under which it is approved.
func provider(s *order.StationWork) string {
	name := fmt.Sprintf("%s (%s)", s.Provider, s.Approval)
	if r := []rune(name); len(r) > 120 {
		keep := max(0, 120-len([]rune(s.Approval))-4)
		name = fmt.Sprintf("%s… (%s)", string([]rune(s.Provider)[:min(keep, len([]rune(s.Provider)))]), s.Approval)
	}
	return name
}

// signed writes what was performed.
func (a *attempt) signed(c *history.Composition, e *Event) error {
	o := fold(slices.DeleteFunc(slices.Clone(a.all), func(o *Event) bool { return o == e }))
	p := a.world.procedure
	outcome := map[order.Outcome]history.Outcome{order.Pass: history.Pass, order.Fail: history.Fail, order.Condemned: history.Condemned}[e.Event.Signed.Outcome]
	theirs := map[string]bool{} // activities of stations
	for _, s := range p.StationWork(a.world.place.Jurisdiction) {
		theirs[s.Activity] = true
	}
	for _, activity := range p.Activities {
		s, ok := o.Stations[activity]
		if !ok {
			continue
		}
		theirs[activity] = true
		w := &history.Work{Activities: []string{activity}, Outcome: history.Pass, Mark: s.Mark, Provider: provider(&s.StationWork), Order: a.id}
		switch {
		case s.Passed:
		case outcome == history.Condemned:
			w.Outcome = history.Condemned
		default:
			continue // it was written when it was told
		}
		a.follows(c, e, "", history.Detail{Test: w}, e.Occurred, "station", activity)
	}
	var ours []string
	add := func(activity string) {
		if !theirs[activity] && !slices.Contains(ours, activity) {
			ours = append(ours, activity)
		}
	}
	calibrated := false
	for _, activity := range p.Activities {
		if activity == history.ActivityCalibration && outcome == history.Pass {
			calibrated = true
			continue
		}
		add(activity)
	}
	if outcome == history.Pass { // what was tested in the order has passed by now
		for of := range o.Trials {
			if t := p.Test(of.Test).Activity; t != history.ActivityCalibration {
				add(t)
			}
		}
		slices.Sort(ours)
	}
	if calibrated {
		w := &history.Work{Activities: []string{history.ActivityCalibration}, Outcome: history.Pass, Order: a.id}
		if last := a.lastCalibration(); last != nil {
			w.Readings = last.ID
			if s := last.Detail.GetTestMade().GetCalibration(); s != nil {
				b, err := encoding.Marshal(s)
				if err != nil {
					return errs.New(errs.Internal, "INTERNAL", "a calibration cannot be encoded").Because(err)
				}
				w.Calibration = b
			}
		}
		a.follows(c, e, e.Note, history.Detail{Test: w}, e.Occurred, "calibration")
	}
	if len(ours) == 0 && outcome != history.Pass {
		ours = []string{p.Qualification} // all of it is a station's, and it is the shop that found something
	}
	if len(ours) > 0 {
		a.follows(c, e, e.Note, history.Detail{Service: &history.Work{Activities: ours, Outcome: outcome, Order: a.id}}, e.Occurred, "service")
	}
	return nil
}

// lastCalibration returns the last calibration of the order that passed and says for how long, or else the last that passed; nil if there is none.
func (a *attempt) lastCalibration() (last *Event) {
	for _, e := range a.all {
		t := e.Event.Tested
		if t == nil || t.Verdict != bench.Pass || a.world.procedure.Test(t.Test).Activity != history.ActivityCalibration {
			continue
		}
		if last == nil || e.Detail.GetTestMade().GetCalibration() != nil || last.Detail.GetTestMade().GetCalibration() == nil {
			last = e
		}
	}
	return last
}
