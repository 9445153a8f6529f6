package order

import (
	"encoding/binary"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"pgregory.net/rapid"

	"strandline.example/strandline/services/history/bench"
)

// ids are few, so that some events have the same.
func idOf(n uint64) (id uuid.UUID) {
	binary.BigEndian.PutUint64(id[8:], n)
	return id
}

// anyEvent is any event: of one of few ids, instants, people, steps and parts, so that they meet.
func anyEvent(ids uint64) *rapid.Generator[Event] {
	return rapid.Custom(func(t *rapid.T) Event {
		word := rapid.SampledFrom([]string{"a", "b", "c"})
		e := Event{
			ID: idOf(rapid.Uint64Range(1, ids).Draw(t, "id")), Occurred: morning.Add(time.Duration(rapid.IntRange(0, 20).Draw(t, "second")) * time.Second),
			By: rapid.SampledFrom([]string{"ines", "bo", "kai"}).Draw(t, "by"),
		}
		switch rapid.IntRange(0, 18).Draw(t, "kind") {
		case 0:
			e.Opened = &Opened{Kind: word.Draw(t, "unit"), Procedure: "p", Revision: 1}
		case 1:
			e.TakenUp = &TakenUp{}
		case 2:
			e.Waiting = &Waiting{For: word.Draw(t, "part")}
		case 3:
			e.Resumed = &Resumed{}
		case 4, 5, 6:
			e.Step = &StepDone{Step: word.Draw(t, "step"), Checked: rapid.SampledFrom([]string{"", "ines", "bo"}).Draw(t, "checked")}
			if rapid.Bool().Draw(t, "measured") {
				e.Step.Measured = []Measured{{"m", quantity(t, rapid.SampledFrom([]string{"1 mm", "1.0 mm", "2 mm"}).Draw(t, "quantity"))}}
			}
		case 7, 8:
			e.Checked = &StepChecked{word.Draw(t, "step")}
		case 9, 10, 11, 12:
			e.Moved = &Moved{
				Step: rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "step"), Part: word.Draw(t, "part"),
				Move: Move(rapid.IntRange(1, 5).Draw(t, "move")), Count: rapid.IntRange(1, 3).Draw(t, "count"), Lot: rapid.SampledFrom([]string{"", "l", "m"}).Draw(t, "lot"),
			}
		case 13, 14:
			e.Tested = &Tested{Step: word.Draw(t, "step"), Test: word.Draw(t, "test"), Verdict: rapid.SampledFrom([]bench.Verdict{bench.Pass, bench.Fail, bench.Inconclusive}).Draw(t, "verdict")}
		case 15:
			e.Found = &Found{Finding: word.Draw(t, "finding")}
		case 16:
			e.Withdrawn = &Withdrawn{Event: idOf(rapid.Uint64Range(1, ids).Draw(t, "withdrawn"))}
		case 17:
			if rapid.Bool().Draw(t, "station") {
				e.Station = &StationWork{Activity: word.Draw(t, "activity"), Passed: rapid.Bool().Draw(t, "passed")}
			} else {
				e.Signed = &Signed{Pass}
			}
		case 18:
			if rapid.Bool().Draw(t, "closed") {
				e.Closed = &Closed{"reason"}
			} else {
				e.Signed = &Signed{Fail}
			}
		}
		return e
	})
}

// anyOrder is an order that was opened, of any events.
func anyOrder(t *rapid.T, ids uint64) []Event {
	events := rapid.SliceOfN(anyEvent(ids), 0, 25).Draw(t, "events")
	if rapid.IntRange(0, 4).Draw(t, "opened") > 0 {
		events = append(events, Event{ID: idOf(0), Occurred: morning, By: "ines", Detail: Detail{Opened: &Opened{Kind: "second-stage", Procedure: "p", Revision: 1}}})
	}
	return events
}

// shuffled returns the events in another order.
func shuffled(t *rapid.T, events []Event) []Event {
	out := slices.Clone(events)
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
	r.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// same fails the test if two orders differ.
func same(t *rapid.T, got, want Order) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Fatalf("the orders differ (-want +got):\n%s", cmp.Diff(want, got, cmp.Exporter(func(reflect.Type) bool { return true })))
	}
}

// TestAnyOrderOfArrival: the same events make the same order, in whatever order they arrive.
func TestAnyOrderOfArrival(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		events := anyOrder(t, 12)
		same(t, Fold(shuffled(t, events)), Fold(events))
	})
}

// TestDuplicatesChangeNothing: an event that arrives again changes nothing.
func TestDuplicatesChangeNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		events := anyOrder(t, 12)
		if len(events) == 0 {
			return
		}
		again := slices.Clone(events)
		for range rapid.IntRange(1, 10).Draw(t, "copies") {
			again = append(again, events[rapid.IntRange(0, len(events)-1).Draw(t, "which")])
		}
		same(t, Fold(shuffled(t, again)), Fold(events))
	})
}

// TestLeavesEventsAlone: folding changes nothing about the events, and shares nothing that a later fold could change.
func TestLeavesEventsAlone(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		events := anyOrder(t, 12)
		var before []string
		for i := range events {
			before = append(before, events[i].content())
		}
		first := Fold(events)
		second := Fold(events)
		same(t, second, first)
		for i := range events {
			if events[i].content() != before[i] {
				t.Fatalf("event %d was changed to %s", i, events[i].content())
			}
		}
	})
}

// distinct gives each event an id of its own, so that none conflict.
func distinct(events []Event) []Event {
	for i := range events {
		events[i].ID = idOf(uint64(1000 + i))
	}
	return events
}

// TestWithdrawnIsAsIfItNeverWas: an order with an event that is withdrawn is the order without it.
func TestWithdrawnIsAsIfItNeverWas(t *testing.T) {
	t.Parallel()
	found := 0
	rapid.Check(t, func(t *rapid.T) {
		events := distinct(anyOrder(t, 12))
		events = slices.DeleteFunc(events, func(e Event) bool { return e.Signed != nil || e.Closed != nil })
		open := slices.IndexFunc(events, func(e Event) bool { return e.Opened != nil })
		if open < 0 {
			return
		}
		i := rapid.IntRange(0, len(events)-1).Draw(t, "which")
		gone := events[i]
		without := slices.Delete(slices.Clone(events), i, i+1)
		with := append(events, Event{ID: idOf(5000), Occurred: morning.Add(time.Hour), By: "bo", Detail: Detail{Withdrawn: &Withdrawn{gone.ID, "a mistake"}}})
		got, want := Fold(with), Fold(without)
		if !withdrawable(&gone) {
			same(t, got, Fold(events)) // it stays
			return
		}
		found++
		want.Withdrawn, got.Withdrawn = nil, nil
		// What happened before the opening is told of as a stray only while it is there, withdrawn or not.
		drop := func(o *Order) {
			o.Strays = slices.DeleteFunc(o.Strays, func(s Stray) bool { return s.Event == gone.ID })
			if len(o.Strays) == 0 {
				o.Strays = nil
			}
		}
		drop(&got)
		drop(&want)
		same(t, got, want)
	})
	if found < 4 {
		t.Errorf("%d orders had something withdrawn", found)
	}
}

// TestNothingAfterTheSignature: what is said to have happened after the signature changes nothing; it is told of as a stray.
func TestNothingAfterTheSignature(t *testing.T) {
	t.Parallel()
	signed := 0
	rapid.Check(t, func(t *rapid.T) {
		events := append(anyOrder(t, 12), Event{Occurred: morning.Add(21 * time.Second), By: "ines", Detail: Detail{Signed: &Signed{Pass}}})
		before := Fold(distinct(events))
		if before.State != SignedOff {
			return
		}
		signed++
		e := anyEvent(12).Draw(t, "late")
		e.ID, e.Occurred = idOf(9000), morning.Add(time.Hour)
		if rapid.Bool().Draw(t, "withdrawing") { // also of work that counted when it was signed
			e.Detail = Detail{Withdrawn: &Withdrawn{Event: rapid.SampledFrom(events).Draw(t, "withdrawn").ID}}
		}
		after := Fold(append(slices.Clone(events), e))
		if e.Closed != nil {
			after.State, after.Closing = before.State, nil
		} else if n := len(after.Strays) - 1; n >= 0 && after.Strays[n].Event == e.ID && !after.Strays[n].Blocking {
			after.Strays = after.Strays[:n]
		} else {
			t.Fatalf("it is not told of as a stray: %+v", after.Strays)
		}
		if len(after.Strays) == 0 {
			after.Strays = before.Strays
		}
		same(t, after, before)
	})
	if signed < 4 {
		t.Errorf("%d orders were signed", signed)
	}
}

// TestStates: an order goes through its states as its events say.
func TestStates(t *testing.T) {
	t.Parallel()
	open := Detail{Opened: &Opened{Procedure: "p"}}
	for _, tt := range []struct {
		name string
		give []Detail
		want State
	}{
		{"nothing", nil, Unknown},
		{"work without an opening", []Detail{{TakenUp: &TakenUp{}}}, Unknown},
		{"opened", []Detail{open}, Open},
		{"a finding is not work", []Detail{open, {Found: &Found{Finding: "a crack"}}}, Open},
		{"taken up", []Detail{open, {TakenUp: &TakenUp{}}}, OnTheBench},
		{"worked on without being taken up", []Detail{open, {Step: &StepDone{Step: "a"}}}, OnTheBench},
		{"waiting", []Detail{open, {TakenUp: &TakenUp{}}, {Waiting: &Waiting{"a seat"}}}, AwaitingParts},
		{"waiting, and something found", []Detail{open, {Waiting: &Waiting{"a seat"}}, {Found: &Found{Finding: "a crack"}}}, AwaitingParts},
		{"resumed", []Detail{open, {Waiting: &Waiting{"a seat"}}, {Resumed: &Resumed{}}}, OnTheBench},
		{"resumed by work", []Detail{open, {Waiting: &Waiting{"a seat"}}, {Moved: &Moved{Part: "a", Move: Removed, Count: 1}}}, OnTheBench},
		{"signed", []Detail{open, {Signed: &Signed{Pass}}}, SignedOff},
		{"signed and closed", []Detail{open, {Signed: &Signed{Pass}}, {Closed: &Closed{}}}, ClosedOff},
		{"closed without", []Detail{open, {Closed: &Closed{"wrong unit"}}}, ClosedOff},
		{"closed for good", []Detail{open, {Closed: &Closed{"wrong unit"}}, {Signed: &Signed{Pass}}, {TakenUp: &TakenUp{}}}, ClosedOff},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			j := &job{t: t, at: morning}
			for _, d := range tt.give {
				j.event("ines", d)
			}
			if o := Fold(j.events); o.State != tt.want {
				t.Errorf("state %q, want %q", o.State, tt.want)
			}
		})
	}
}

// TestSameInstant: of what is said to have happened at one instant the opening comes first, a check after what it checks, then the signature, and the closing last,
// whatever the ids.
func TestSameInstant(t *testing.T) {
	t.Parallel()
	details := []Detail{{Closed: &Closed{}}, {Signed: &Signed{Pass}}, {Checked: &StepChecked{"a"}}, {Step: &StepDone{Step: "a"}}, {Opened: &Opened{Procedure: "p"}}}
	var events []Event
	for i, d := range details {
		events = append(events, Event{ID: idOf(uint64(i + 1)), Occurred: morning, By: []string{"ines", "bo"}[i%2], Detail: d})
	}
	events[2].By = "kai"
	if o := Fold(events); o.State != ClosedOff || o.Signature == nil || o.Steps["a"].Checked != "kai" || len(o.Strays) > 0 {
		t.Errorf("%+v", o)
	}
}

// TestConflict: two events of one id that say different things are told, whichever came first, and keep the order from being signed.
func TestConflict(t *testing.T) {
	t.Parallel()
	p := shipped(t, "second-stage-overhaul")
	j := worked(t, p, p.Kinds[0])
	twice := *j.find(func(e *Event) bool { return e.Moved != nil })
	moved := *twice.Moved
	moved.Count = 2
	twice.Moved = &moved
	j.events = append(j.events, twice)
	ps := Blocking(j.ready(j.facts()))
	if len(ps) == 0 || ps[0].Reason != EventsConflict || ps[0].Value != twice.ID.String() {
		t.Errorf("told\n%s", told(ps))
	}
}
