package main

import (
	"encoding/json"
	"regexp"
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// workshop is a place with a shop, a BCD, a gauge with its master, and two technicians of whom one is qualified.
func workshop(t *testing.T) *rig {
	t.Helper()
	r := newRig(t)
	gear := write(t, "gear.yaml", `
title: Gear
effectiveDate: {year: 2020, month: 1, day: 1}
rules:
  - {id: inspection, title: Inspection, activity: inspection, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: 1200}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`)
	r.run(exitOK, "shop", "create", "lagoon", "--name", "Lagoon", "--zone", "Europe/Lisbon", "--jurisdiction", "PT")
	for kind, tag := range map[string]string{"bcd": "B-1", "pressure-gauge": "G-1", "master-gauge": "M-1"} {
		r.run(exitOK, "model", "create", kind, "--name", "A "+kind, "--kind", kind, "--maker", "Invented")
		r.run(exitOK, "unit", "create", tag, "--model", kind, "--shop", "lagoon", "--since", "2020-02-01")
	}
	r.run(exitOK, "technician", "create", "mara", "--name", "Mara", "--qualification", "inspection", "--qualification", "calibration")
	r.run(exitOK, "technician", "create", "jon", "--name", "Jon")
	r.run(exitOK, "rules", "publish", gear, "--id", "gear")
	return r
}

const morning = `
events:
  - {takenUp: {}}
  - {stepDone: {step: identify}}
  - {technician: jon, stepDone: {step: rinse}, note: much sand}
  - {stepDone: {step: outside}}
  - {stepDone: {step: inflator}}
  - testMade:
      step: inflator
      test: valves
      readings: [{name: sticks, yes: STICKS}, {name: relief_opens, yes: true}, {name: relief_shuts, yes: true}, {name: dumps, yes: true}]
`

// TestOrders works an order through the command line: a test fails and pulls the unit, the order cannot be signed and says why, the test is made again, and whoever is
// qualified signs.
func TestOrders(t *testing.T) {
	t.Parallel()
	r := workshop(t)
	const id = "0195a0f2-1c7e-7b11-9f2a-5d0c3e8b6a41"
	first := write(t, "first.yaml", strings.Replace(morning, "STICKS", "true", 1))
	r.run(exitNotFound, "orders", "show", "B-1")
	wants(t, r.run(exitOK, "orders", "list").err, "No orders.")
	wants(t, r.run(exitNotFound, "orders", "open", "B-1", "bcd-inspektion", "--by", "mara").err, "there is no procedure bcd-inspektion", "bcd-inspection")
	wants(t, r.run(exitOK, "orders", "open", "B-1", "bcd-inspection", "--by", "mara", "--dry-run").err, "nothing was written")
	open := []string{"orders", "open", "b-1", "bcd-inspection", "--by", "mara", "--intake", "sticks now and then", "--at", "2025-03-01 09:00", "--id", id}
	open[2] = "B-1"
	o := r.run(exitOK, open...)
	wants(t, o.stdout, "Order "+id+" is open: B-1, bcd-inspection revision 1.", "Local code and the maker's manual win", "B-1 may not be handed out", "order")
	r.run(exitOK, open...) // a repeat
	wants(t, r.run(exitRejected, "orders", "open", "B-1", "bcd-inspection", "--by", "mara").err, "ORDER_ALREADY_OPEN", "orders list")
	wants(t, r.run(exitOK, "orders", "list", "--open", "--unit", "B-1").stdout, "2025-03-01 09:00", "B-1", "opened", id)

	record := func(want int, file string, args ...string) outcome {
		t.Helper()
		return r.run(want, append([]string{"orders", "record", "B-1", file}, args...)...)
	}
	o = record(exitRejected, first, "--by", "mara")
	wants(t, o.stdout, first+":3:5: events[0].occurred_time: must be set", "--at")
	wants(t, record(exitRejected, first, "--at", "2025-03-01 10:00").stdout, "events[0].technician: must be set", "--by")
	wants(t, record(exitOK, first, "--by", "mara", "--at", "2025-03-01 10:00", "--dry-run").stdout, "valves in inflator: fail")
	wants(t, r.run(exitOK, "orders", "show", id).stdout, id+"  inspection of B-1, opened")
	o = record(exitOK, first, "--by", "mara", "--at", "2025-03-01 10:00")
	wants(t, o.stdout, "6 events of order "+id+" recorded; it is on the bench.", "valves in inflator: fail", "inflator lets go: does not hold.", "B-1 may not be handed out", "function-test")
	record(exitOK, first, "--by", "mara", "--at", "2025-03-01 10:00")
	show := r.run(exitOK, "orders", "show", id).stdout
	if n := strings.Count(show, "tested valves in inflator: fail"); n != 1 {
		t.Errorf("the file sent twice is %d tests:\n%s", n, show)
	}
	wants(t, show, "2025-03-01 10:00  jon ", "did rinse", "much sand", "sticks now and then", "What keeps it from being signed", "step hold", "test valves", "CRITICAL_STEP_OPEN", "TEST_FAILED")
	if strings.Index(show, "did identify") > strings.Index(show, "did rinse") || strings.Index(show, "did rinse") > strings.Index(show, "did outside") {
		t.Errorf("what has one instant is not in the order of the file:\n%s", show)
	}

	o = r.run(exitNotReady, "orders", "sign", "B-1", "--by", "jon")
	wants(t, o.stdout, "It cannot be signed yet:", "the order", "QUALIFICATION_MISSING", "step hold", "CRITICAL_STEP_OPEN")
	wants(t, o.err, "ORDER_NOT_READY", "Nothing was written.")
	if strings.Count(o.err, "\n") > 4 {
		t.Errorf("the list is told twice:\n%s", o.err)
	}
	var told struct {
		Problems []struct{ Reason, About, Text string }
	}
	o = r.run(exitNotReady, "orders", "sign", "B-1", "--by", "mara", "--output", "json")
	if err := json.Unmarshal([]byte(o.stdout), &told); err != nil || len(told.Problems) < 2 || told.Problems[0].Reason == "" || told.Problems[0].About == "" || told.Problems[0].Text == "" {
		t.Errorf("for programs: %v\n%s", err, o.stdout)
	}

	second := write(t, "second.yaml", strings.Replace(morning, "STICKS", "false", 1))
	wants(t, record(exitOK, second, "--by", "mara", "--at", "2025-03-01 11:00").stdout, "valves in inflator: pass")
	last := write(t, "last.json", `{"events": [
		{"occurredTime": "2025-03-01T11:20:00Z", "technician": "orgs/sheets/technicians/mara", "stepDone": {"step": "hold"}},
		{"occurredTime": "2025-03-01T11:30:00Z", "testMade": {"step": "hold", "test": "holds-air", "readings": [
			{"name": "watched", "quantity": "240 s"}, {"name": "firm", "yes": true}, {"name": "bubbles", "yes": false}]}}]}`)
	sign := []string{"orders", "sign", "B-1", "--by", "mara", "--events", last}
	wants(t, r.run(exitOK, append(sign, "--dry-run")...).stdout, "Order "+id+" is signed: pass.")
	o = r.run(exitOK, sign...)
	wants(t, o.stdout, "Order "+id+" is signed: pass.", "B-1 may be handed out.")
	wants(t, o.err, "Caution", "licensed practice")
	wants(t, r.run(exitNotFound, "orders", "show", "B-1").err, "no open order", "orders list --unit B-1")
	show = r.run(exitOK, "orders", "show", id).stdout
	wants(t, show, "inspection of B-1, signed", "by mara: pass", "2025-03-01 11:30  holds-air in hold: pass", "signed: pass")
	wants(t, r.run(exitRejected, "orders", "record", id, first, "--by", "mara", "--at", "2025-03-01 12:00").err, "ORDER_NOT_OPEN")
	wants(t, r.run(exitOK, "orders", "close", id, "--by", "mara").stdout, "Order "+id+" is closed.")
	wants(t, r.run(exitOK, "orders", "list", "--unit", "B-1").stdout, "closed", "pass")
	wants(t, r.run(exitOK, "orders", "list", "--open").err, "No orders.")
	wants(t, r.run(exitOK, "history", "B-1").stdout, "inspection", "leak-test", "function-test")

	other := "0195a0f2-1c7e-7b11-9f2a-5d0c3e8b6a42"
	r.run(exitOK, "orders", "open", "B-1", "bcd-inspection", "--by", "mara", "--id", other)
	wants(t, r.run(exitRejected, "orders", "close", "B-1", "--by", "mara").err, "reason")
	wants(t, r.run(exitOK, "orders", "close", "B-1", "--by", "mara", "--reason", "wrong unit on the bench").stdout, "Order "+other+" is closed.")
	wants(t, r.run(exitOK, "orders", "show", other).stdout, "closed: wrong unit on the bench")
}

// TestOrdersFile: what is wrong with a file of events is told with line and column, and a single event without an instant happened now.
func TestOrdersFile(t *testing.T) {
	t.Parallel()
	r := workshop(t)
	r.run(exitOK, "orders", "open", "B-1", "bcd-inspection", "--by", "mara", "--at", "2025-03-01 09:00")
	for file, want := range map[string]string{
		"events:\n  - {stepDone: {step: Rinse}}\n":                      ":2:23: events[0].step_done.step: want ",
		"events:\n  - {technician: No Body, stepDone: {step: rinse}}\n": ":2:18: events[0].technician: want ",
		"events:\n  - {}\n": ":2:5: events[0].detail: ",
		"events: []\n":      ":1:1: events: want at least one",
		"name: orgs/sheets/orders/0195a0f2-1c7e-7b11-9f2a-5d0c3e8b6a49\nevents: [{takenUp: {}}]\n":                    ":1:7: name: the file is of another order",
		"events: [{takenUp: {}}]\n---\nevents: [{takenUp: {}}]\n":                                                     ":3:1: the file has another list",
		"events:\n  - testMade: {step: hold, test: holds-air, readings: [{name: watched, quantity: 4 fortnights}]}\n": ":2:82: events[0].test_made.readings[0].quantity: ",
		"events:\n  - partMoved: {step: renew-inflator-seal, part: inflator-seal, move: PART_MOVE_EATEN, count: 1}\n": ":2:71: events[0].part_moved.move: ",
		"events:\n  - {occurredTime: yesterday, takenUp: {}}\n":                                                       ":2:20: events[0].occurred_time: ",
		"events:\n  - {step: rinse}\n": ":2:6: events[0]",
	} {
		path := write(t, "bad.yaml", file)
		o := r.run(exitRejected, "orders", "record", "B-1", path, "--by", "mara")
		if !strings.Contains(o.stdout, path+want) {
			t.Errorf("%s\nprinted\n%swant %s", file, o.stdout, want)
		}
	}
	unknown := write(t, "unknown.yaml", "events:\n  - {stepDone: {step: polish}}\n")
	wants(t, r.run(exitRejected, "orders", "record", "B-1", unknown, "--by", "mara").err, "INVALID_FIELD", "polish")
	with := write(t, "with.yaml", "events:\n  - testMade: {step: hold, test: holds-air, readings: [{name: watched, quantity: 4 min, instrument: W-1}]}\n")
	wants(t, r.run(exitNotFound, "orders", "record", "B-1", with, "--by", "mara").err, "events[0].test_made.readings[0].instrument", "W-1")
	now := write(t, "now.yaml", "events:\n  - {found: {finding: a cut in the strap}}\n")
	o := r.run(exitOK, "orders", "record", "B-1", now, "--by", "mara")
	wants(t, o.err, "taken to have happened now", "--at 20")
	_, at, _ := strings.Cut(o.err, "--at ")
	at, _, _ = strings.Cut(at, ".\n")
	r.run(exitOK, "orders", "record", "B-1", now, "--by", "mara", "--at", at)
	if n := strings.Count(r.run(exitOK, "orders", "show", "B-1").stdout, "a cut in the strap"); n != 1 {
		t.Errorf("sent again with the instant that was told, it is there %d times", n)
	}
}

// TestInstrumentUses: the tests that were made with an instrument are listed by its tag, in a period.
func TestInstrumentUses(t *testing.T) {
	t.Parallel()
	r := workshop(t)
	r.run(exitOK, "orders", "open", "G-1", "gauge-comparison", "--by", "mara", "--at", "2025-03-01 09:00")
	file := write(t, "comparison.yaml", `
events:
  - occurredTime: 2025-03-01T09:30:00Z
    testMade:
      step: found-cylinder-pressure
      test: cylinder-pressure
      readings:
        - name: found
          series: {samples: [{elapsed: 0 s, quantity: 0 bar gauge}, {elapsed: 60 s, quantity: 101 bar gauge}]}
        - name: master
          instrument: M-1
          series: {samples: [{elapsed: 0 s, quantity: 0 bar gauge}, {elapsed: 60 s, quantity: 100 bar gauge}]}
        - {name: full_scale, quantity: 300 bar gauge}
`)
	wants(t, r.run(exitOK, "orders", "record", "G-1", file, "--by", "mara").stdout, "cylinder-pressure in found-cylinder-pressure: inconclusive")
	wants(t, r.run(exitOK, "instruments", "uses", "M-1").stdout, "2025-03-01 09:30", "G-1", "calibration")
	wants(t, r.run(exitOK, "instruments", "uses", "M-1", "--from", "2025-03-02").err, "No test was made with M-1 then.")
	wants(t, r.run(exitOK, "instruments", "uses", "M-1", "--from", "2025-03-01", "--before", "2025-03-02").stdout, "G-1")
	wants(t, r.run(exitOK, "instruments", "uses", "M-1", "--output", "json").stdout, `"activity": "calibration"`)
}

// TestOrderExamples: every pattern that an event's fields must match has an example that matches.
func TestOrderExamples(t *testing.T) {
	t.Parallel()
	seen, walked := map[string]bool{}, map[protoreflect.FullName]bool{}
	var walk func(m protoreflect.MessageDescriptor)
	walk = func(m protoreflect.MessageDescriptor) {
		if walked[m.FullName()] {
			return
		}
		walked[m.FullName()] = true
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
			for _, r := range []*validate.FieldRules{rules, rules.GetRepeated().GetItems()} {
				if p := r.GetString().GetPattern(); p != "" {
					seen[p] = true
				}
			}
			if f.Message() != nil {
				walk(f.Message())
			}
		}
	}
	walk((&historypb.RecordWorkRequest{}).ProtoReflect().Descriptor())
	for pattern := range seen {
		if orderShape.Examples[pattern] == "" {
			t.Errorf("no example matches %s", pattern)
		}
		short := false
		for _, e := range strings.Split(orderShape.Examples[pattern], " or ") {
			short = short || regexp.MustCompile(pattern).MatchString(e)
		}
		if !short {
			t.Errorf("%q does not match %s", orderShape.Examples[pattern], pattern)
		}
	}
	for pattern := range orderShape.Examples {
		if !seen[pattern] {
			t.Errorf("no field has the pattern %s", pattern)
		}
	}
}
