package historyrpc_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/rounds"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// An order that is worked without a connection and sent in any pieces, in any order, each as often as it takes and by several at once comes to the same as one that is sent as
// it happens, and every event is in the ledger once.
func TestOrderInPieces(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	first := w.open(w.unit("second-stage"), "second-stage-overhaul", start)
	w.stock(first.GetProcedure(), shelf)
	w.clock.Advance(time.Hour)
	runs := 6
	if testing.Short() {
		runs = 2
	}
	for run := range runs {
		seed := rounds.Seed(t)
		rnd := rand.New(rand.NewPCG(seed, uint64(run)))
		j := &job{w: w, at: start}
		j.test("as-found", "cracking-effort", false)
		j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_TakenUp{TakenUp: &historypb.OrderTakenUp{}}})
		j.whole(first.GetProcedure(), "second-stage")
		gone := j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{Part: "seat", Move: historypb.PartMove_PART_MOVE_FITTED, Count: 1, Lot: "orgs/" + orgA + "/lots/lot-seat"}}})
		j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Withdrawn{Withdrawn: &historypb.Withdrawn{Event: gone.GetEventId(), Reason: "counted twice"}}})
		j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Waiting{Waiting: &historypb.OrderWaiting{For: "a seat"}}})
		j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Resumed{Resumed: &historypb.OrderResumed{}}})

		var orders []string
		for _, pieces := range []bool{false, true} {
			opened := w.open(w.unit("second-stage"), "second-stage-overhaul", start)
			order := opened.GetOrder().GetName()
			orders = append(orders, order)
			events := make([]*historypb.OrderEvent, len(j.events))
			fresh := map[string]string{} // an event's id is its own in every order
			for _, e := range j.events {
				fresh[e.GetEventId()] = uuid.NewString()
			}
			for i, e := range j.events {
				events[i] = proto.CloneOf(e)
				events[i].EventId = fresh[e.GetEventId()]
				if x := events[i].GetWithdrawn(); x != nil {
					x.Event = fresh[x.GetEvent()]
				}
			}
			if !pieces {
				for _, e := range events {
					w.record(order, e)
				}
				continue
			}
			rnd.Shuffle(len(events), func(a, b int) { events[a], events[b] = events[b], events[a] })
			var calls [][]*historypb.OrderEvent
			for rest := events; len(rest) > 0; {
				n := min(1+rnd.IntN(20), len(rest))
				calls = append(calls, rest[:n])
				if rnd.IntN(3) == 0 {
					calls = append(calls, rest[:n])
				}
				rest = rest[n:]
			}
			var wg sync.WaitGroup
			for _, c := range calls {
				wg.Go(func() {
					if _, err := w.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: order, Events: c}); err != nil {
						t.Errorf("seed %d: %v", seed, err)
					}
				})
			}
			wg.Wait()
		}
		a, b := w.get(orders[0]), w.get(orders[1])
		n := len(j.events) + 1
		if len(a.GetEvents()) != n || len(b.GetEvents()) != n {
			t.Fatalf("seed %d: %d and %d events of %d", seed, len(a.GetEvents()), len(b.GetEvents()), n)
		}
		for _, o := range []*historypb.Order{a, b} {
			if len(o.GetProblems()) > 0 {
				t.Errorf("seed %d: %v", seed, o.GetProblems())
			}
			o.Name, o.Unit, o.Events = "", "", nil
		}
		if d := cmp.Diff(a, b, protocmp.Transform()); d != "" {
			t.Errorf("seed %d (-as it happened +in pieces)\n%s", seed, d)
		}
		for _, order := range orders {
			net := map[string]int32{}
			uses, err := w.lots.ListPartUses(t.Context(), &historypb.ListPartUsesRequest{Parent: w.get(order).GetUnit()})
			if err != nil {
				t.Fatal(err)
			}
			for _, u := range uses.GetUses() {
				net[u.GetLot()] += u.GetCount()
			}
			for lot, n := range net {
				if n != 1 {
					t.Errorf("seed %d: %d of %s in the unit", seed, n, lot)
				}
			}
			if len(net) != 5 {
				t.Errorf("seed %d: lots %v", seed, net)
			}
			if _, err := w.orders.SignOrder(t.Context(), w.signing(order, start.Add(50*time.Minute))); err != nil {
				t.Errorf("seed %d: %v", seed, err)
			}
		}
	}
}

// Bad input names field, value and remedy, and nothing is written.
func TestOrderBadInput(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.clock.Advance(time.Hour)
	opened := w.open(w.unit("second-stage"), "second-stage-overhaul", start)
	order := opened.GetOrder().GetName()
	used := (&job{w: w, at: start}).add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_TakenUp{TakenUp: &historypb.OrderTakenUp{}}})
	w.record(order, used)
	before := w.count()
	step := func(id string) *historypb.OrderEvent {
		return &historypb.OrderEvent{Detail: &historypb.OrderEvent_StepDone{StepDone: &historypb.StepDone{Step: id}}}
	}
	reading := func(change func(m *historypb.TestMade)) func(j *job) {
		return func(j *job) { change(j.test("as-found", "cracking-effort", true).GetTestMade()) }
	}
	number := func(text string) *historypb.Reading_Quantity {
		return &historypb.Reading_Quantity{Quantity: quantity(t, text)}
	}
	for name, c := range map[string]struct {
		do   func(j *job)
		want string // of the field and the reason
	}{
		"no such step":         {func(j *job) { j.add(step("polish")) }, "events[0].step_done.step INVALID_FIELD"},
		"no id":                {func(j *job) { j.add(step("clean")).EventId = "" }, "events[0].event_id INVALID_FIELD"},
		"nobody":               {func(j *job) { j.add(step("clean")).Technician = "" }, ""},
		"no instant":           {func(j *job) { j.add(step("clean")).OccurredTime = nil }, "events[0].occurred_time INVALID_FIELD"},
		"tomorrow":             {func(j *job) { j.add(step("clean")).OccurredTime = timestamppb.New(start.AddDate(0, 0, 1)) }, "events[0].occurred_time IN_THE_FUTURE"},
		"before it was opened": {func(j *job) { j.add(step("clean")).OccurredTime = timestamppb.New(start.AddDate(0, 0, -1)) }, "events[0].occurred_time ORDER_OF_EVENTS"},
		"an id in use":         {func(j *job) { j.add(step("clean")).EventId = used.GetEventId() }, "events[0].event_id ENTRY_ID_REUSED"},
		"one id twice":         {func(j *job) { j.add(step("clean")); j.add(step("identify")).EventId = j.events[0].GetEventId() }, "events[1].event_id ENTRY_ID_REUSED"},
		"a signature": {func(j *job) {
			j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Signed{Signed: &historypb.OrderSigned{Outcome: 1}}})
		}, "events[0].detail INVALID_FIELD"},
		"a wrong dimension":    {reading(func(m *historypb.TestMade) { m.Readings[0].Value = number("1.2 mm") }), "events[0].test_made.readings[0].quantity INVALID_FIELD"},
		"gauge for difference": {reading(func(m *historypb.TestMade) { m.Readings[0].Value = number("1.2 inH2O gauge") }), "events[0].test_made.readings[0].quantity INVALID_FIELD"},
		"not a number":         {reading(func(m *historypb.TestMade) { m.Readings[0].GetQuantity().Value = "NaN" }), ""},
		"below vacuum": {reading(func(m *historypb.TestMade) {
			m.Ambient = &historypb.Quantity{Value: "-1", Unit: "bar", Reference: historypb.PressureReference_PRESSURE_REFERENCE_ABSOLUTE}
		}), "events[0].test_made.ambient INVALID_FIELD"},
		"a reading nobody asks":    {reading(func(m *historypb.TestMade) { m.Readings[0].Name = "colour" }), "events[0].test_made.readings[0].name INVALID_FIELD"},
		"a test of another step":   {reading(func(m *historypb.TestMade) { m.Test = "tightness" }), "events[0].test_made.test INVALID_FIELD"},
		"an instrument of no kind": {reading(func(m *historypb.TestMade) { m.Readings[0].Instrument = "the red one" }), "events[0].test_made.readings[0].instrument INVALID_FIELD"},
		"an unknown instrument":    {reading(func(m *historypb.TestMade) { m.Readings[0].Instrument = "orgs/" + orgA + "/units/" + uuid.NewString() }), "events[0].test_made.readings[0].instrument NOT_FOUND"},
		"a calibration of a valve": {reading(func(m *historypb.TestMade) { m.Calibration = &historypb.Calibration{ThroughDate: shelf} }), "events[0].test_made.calibration INVALID_FIELD"},
		"a part of another kind": {func(j *job) {
			j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{Part: "wing", Move: 1, Count: 1}}})
		}, "events[0].part_moved.part INVALID_FIELD"},
		"a new part from nowhere": {func(j *job) {
			j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{Part: "seat", Move: historypb.PartMove_PART_MOVE_FITTED, Count: 1}}})
		}, "events[0].part_moved.lot INVALID_FIELD"},
	} {
		j := &job{w: w, at: start}
		c.do(j)
		j.add(step("identify")) // good, and not written either
		_, err := w.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: order, Events: j.events})
		st := wantError(t, err, codes.InvalidArgument, reasonOf(c.want))
		if c.want != "" && !strings.Contains(fmt.Sprint(violations(st)), c.want) {
			t.Errorf("%s: %q, want %q", name, violations(st), c.want)
		}
		if n := w.count(); n != before {
			t.Fatalf("%s: %d entries became %d", name, before, n)
		}
	}
	// The id of an entry of another unit.
	elsewhere := w.open(w.unit("second-stage"), "second-stage-overhaul", start).GetOrder().GetName()
	before++
	taken := &job{w: w, at: start}
	taken.add(step("identify"))
	taken.add(step("clean")).EventId = elsewhere[len(elsewhere)-36:]
	_, err := w.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: order, Events: taken.events})
	if st := wantError(t, err, codes.InvalidArgument, "ENTRY_ID_REUSED", "events[1].event_id ENTRY_ID_REUSED"); w.count() != before {
		t.Fatalf("%v: %d entries became %d", st, before, w.count())
	}
	_, err = w.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: order, Events: []*historypb.OrderEvent{{EventId: uuid.NewString(), OccurredTime: timestamppb.New(start), Technician: "orgs/" + orgA + "/technicians/nobody", Detail: step("clean").Detail}}})
	wantError(t, err, codes.NotFound, "NOT_FOUND")
	_, err = w.orders.GetOrder(t.Context(), &historypb.GetOrderRequest{Name: "orgs/" + orgA + "/orders/" + uuid.NewString()})
	wantError(t, err, codes.NotFound, "NOT_FOUND")
	_, err = w.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: "orgs/" + orgA + "/orders/" + used.GetEventId(), Events: []*historypb.OrderEvent{used}})
	wantError(t, err, codes.NotFound, "NOT_FOUND")
	_, err = w.orders.OpenOrder(t.Context(), &historypb.OpenOrderRequest{Parent: "orgs/" + orgA, OrderId: uuid.NewString(), Unit: w.gauge, Procedure: "second-stage-overhaul", OccurredTime: timestamppb.New(start), Technician: w.ines})
	wantError(t, err, codes.FailedPrecondition, "ORDER_OTHER_KIND")
	// The plain ledger takes no event of an order, and no amendment of one.
	opening := w.entries(opened.GetOrder().GetUnit())[0]
	direct := &historypb.Entry{Name: opened.GetOrder().GetUnit() + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(start), Detail: opening.GetDetail()}
	_, err = w.history.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{direct}})
	wantError(t, err, codes.InvalidArgument, "ORDER_EVENT_REFUSED")
	_, err = w.history.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{amend(opening, start, nil)}})
	wantError(t, err, codes.InvalidArgument, "AMENDMENT_TARGET")
	// A dry run judges and writes nothing.
	j := &job{w: w, at: start}
	j.test("as-found", "cracking-effort", false)
	out, err := w.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: order, Events: j.events, ValidateOnly: true})
	if err != nil || out.GetOrder().GetEvents()[0].GetTestMade().GetJudgement().GetVerdict() != historypb.Verdict_VERDICT_FAIL {
		t.Fatalf("%v, %v", out, err)
	}
	if n := w.count(); n != before {
		t.Fatalf("a dry run: %d entries became %d", before, n)
	}
	// With the registry down nothing is known of anybody, and nothing is written.
	w.registry.change(func() { w.registry.down = true })
	_, err = w.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: order, Events: j.events})
	wantError(t, err, codes.Unavailable, "UNAVAILABLE")
	if n := w.count(); n != before {
		t.Fatalf("without a registry: %d entries became %d", before, n)
	}
}

func reasonOf(want string) string {
	if i := strings.LastIndexByte(want, ' '); i >= 0 {
		return want[i+1:]
	}
	return "INVALID_FIELD"
}

// violations are fields and reasons of an error.
func violations(st *status.Status) (out []string) {
	for _, d := range st.Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range b.GetFieldViolations() {
				out = append(out, v.GetField()+" "+v.GetReason())
			}
		}
	}
	return out
}
