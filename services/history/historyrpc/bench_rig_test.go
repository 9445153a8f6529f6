package historyrpc_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/measure"
	"strandline.example/strandline/internal/rpc"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	benchwire "strandline.example/strandline/services/history/bench/wire"
)

// workshop is an org with a bench: people, instruments that are in calibration, and lots.
type workshop struct {
	*rig
	history historypb.HistoryServiceClient
	orders  historypb.OrderServiceClient
	lots    historypb.LotServiceClient
	shop    string
	ines    string // qualified for what the procedures ask for
	bo      string // qualified for nothing

	manometer, gauge, master string
}

func newWorkshop(t testing.TB) *workshop {
	r := newRig(t)
	w := &workshop{rig: r, history: r.client(orgA), shop: r.registry.shop(orgA, "quay", "Europe/Lisbon")}
	token, err := r.key.Mint(auth.Claims{Subject: "tablet", Role: auth.RoleTechnician, Org: orgA, Issued: r.clock.Now(), Expires: r.clock.Now().Add(1000 * time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	conn := r.dial(r.server, rpc.BearerToken(token))
	w.orders, w.lots = historypb.NewOrderServiceClient(conn), historypb.NewLotServiceClient(conn)
	w.ines = r.registry.technician(orgA, "ines", "overhaul", "calibration", "hydrostatic-record", "inspection")
	w.bo = r.registry.technician(orgA, "bo")
	w.manometer, w.gauge, w.master = w.unit("water-manometer"), w.unit("intermediate-pressure-gauge"), w.unit("master-gauge")
	for _, i := range []string{w.manometer, w.gauge, w.master} {
		w.calibrate(i, start.AddDate(0, -1, 0), historypb.Outcome_OUTCOME_PASS)
	}
	return w
}

// stock registers the lots that whole takes parts from, good through a month.
func (w *workshop) stock(p *historypb.Procedure, through *datepb.Date) {
	w.t.Helper()
	for _, part := range p.GetParts() {
		_, err := w.lots.CreateLot(w.t.Context(), &historypb.CreateLotRequest{Parent: "orgs/" + orgA, LotId: "lot-" + part.GetId(), Lot: &historypb.Lot{Part: part.GetId(), Title: part.GetTitle(), ExpireDate: through}})
		if err != nil {
			w.t.Fatal(err)
		}
	}
}

// unit makes a unit of a kind.
func (w *workshop) unit(kind string) string {
	u := w.registry.unit(orgA, w.shop, &datepb.Date{Year: 2024, Month: 1, Day: 10})
	w.registry.change(func() { u.Kind = kind })
	return u.GetName()
}

// calibrate records a calibration; one that passed holds through 2026.
func (w *workshop) calibrate(instrument string, at time.Time, outcome historypb.Outcome) *historypb.Entry {
	e := &historypb.Entry{Name: instrument + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(at), Technician: w.ines}
	test := &historypb.Test{Activity: "calibration", Outcome: outcome}
	if outcome == historypb.Outcome_OUTCOME_PASS {
		test.Calibration = &historypb.Calibration{ThroughDate: &datepb.Date{Year: 2026, Month: 12, Day: 31}, Uncertainty: &historypb.Uncertainty{Quantity: quantity(w.t, "0.05 %"), Basis: historypb.Uncertainty_BASIS_READING}}
	}
	e.Detail = &historypb.Entry_Test{Test: test}
	appendEntries(w.t, w.history, orgA, e)
	return e
}

func quantity(t testing.TB, text string) *historypb.Quantity {
	t.Helper()
	q, err := measure.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return benchwire.QuantityPB(q)
}

// open opens an order of a procedure.
func (w *workshop) open(unit, procedure string, at time.Time) *historypb.OpenOrderResponse {
	w.t.Helper()
	out, err := w.orders.OpenOrder(w.t.Context(), &historypb.OpenOrderRequest{
		Parent: "orgs/" + orgA, OrderId: uuid.NewString(), Unit: unit, Procedure: procedure, OccurredTime: timestamppb.New(at), Technician: w.ines, Intake: "salt, no damage",
	})
	if err != nil {
		w.t.Fatalf("open: %v", err)
	}
	return out
}

// job writes the events of an order, a second apart.
type job struct {
	w      *workshop
	at     time.Time
	events []*historypb.OrderEvent
}

func (j *job) add(e *historypb.OrderEvent) *historypb.OrderEvent {
	j.at = j.at.Add(time.Second)
	e.EventId, e.OccurredTime = uuid.NewString(), timestamppb.New(j.at)
	if e.Technician == "" {
		e.Technician = j.w.ines
	}
	j.events = append(j.events, e)
	return e
}

// test is a test of the shipped procedures that comes out as told.
func (j *job) test(step, test string, passes bool) *historypb.OrderEvent {
	t := j.w.t
	made := &historypb.TestMade{Step: step, Test: test}
	read := func(name, text, instrument string) {
		made.Readings = append(made.Readings, &historypb.Reading{Name: name, Value: &historypb.Reading_Quantity{Quantity: quantity(t, text)}, Instrument: instrument})
	}
	said := func(name string, yes bool) {
		made.Readings = append(made.Readings, &historypb.Reading{Name: name, Value: &historypb.Reading_Yes{Yes: yes}})
	}
	switch test {
	case "cracking-effort":
		effort := "1.2 inH2O difference"
		if !passes {
			effort = "2.1 inH2O difference"
		}
		read("effort", effort, j.w.manometer)
		read("intermediate", "135 psi gauge", j.w.gauge)
	case "tightness":
		read("watched", "4 min", "")
		said("bubbles", !passes)
		said("flows_on", false)
		said("holds_vacuum", true)
	case "cylinder-pressure":
		series := func(name, instrument string, values ...string) {
			s := &historypb.Series{}
			for i, v := range values {
				s.Samples = append(s.Samples, &historypb.Series_Sample{Elapsed: quantity(t, []string{"0 s", "30 s", "60 s", "90 s", "120 s"}[i]), Quantity: quantity(t, v+" bar gauge")})
			}
			made.Readings = append(made.Readings, &historypb.Reading{Name: name, Value: &historypb.Reading_Series{Series: s}, Instrument: instrument})
		}
		if passes {
			series("found", "", "0", "50", "101", "200", "301")
		} else {
			series("found", "", "0", "50", "101", "240", "355")
		}
		series("master", j.w.master, "0", "50", "100", "200", "300")
		read("full_scale", "300 bar gauge", "")
	default:
		t.Fatalf("no readings for %s", test)
	}
	return j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_TestMade{TestMade: made}})
}

// whole does every step of a procedure that is always done, as it should be.
func (j *job) whole(p *historypb.Procedure, kind string) {
	policy := map[string]historypb.PartPolicy{}
	for _, part := range p.GetParts() {
		policy[part.GetId()] = part.GetPolicy()
	}
	for _, s := range p.GetSteps() {
		if s.GetWhen() != "" || len(s.GetKinds()) > 0 && s.GetKinds()[0] != kind {
			continue
		}
		move := func(step, part string, m historypb.PartMove, n int32) {
			moved := &historypb.PartMoved{Step: step, Part: part, Move: m, Count: max(n, 1)}
			if m == historypb.PartMove_PART_MOVE_FITTED {
				moved.Lot = "orgs/" + orgA + "/lots/lot-" + part
			}
			j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: moved}})
		}
		for _, c := range s.GetRemoves() {
			move(s.GetId(), c.GetPart(), historypb.PartMove_PART_MOVE_REMOVED, c.GetCount())
			if policy[c.GetPart()] == historypb.PartPolicy_PART_POLICY_REPLACE {
				move("", c.GetPart(), historypb.PartMove_PART_MOVE_DISCARDED, c.GetCount())
			}
		}
		for _, c := range s.GetFits() {
			if policy[c.GetPart()] == historypb.PartPolicy_PART_POLICY_REPLACE {
				move(s.GetId(), c.GetPart(), historypb.PartMove_PART_MOVE_FITTED, c.GetCount())
			} else {
				move(s.GetId(), c.GetPart(), historypb.PartMove_PART_MOVE_REFITTED, c.GetCount())
			}
		}
		for _, t := range s.GetTests() {
			j.test(s.GetId(), t.GetTest(), true)
		}
		done := &historypb.StepDone{Step: s.GetId()}
		for _, b := range s.GetBounds() {
			q := b.GetAtMost()
			if q == nil {
				q = b.GetAtLeast()
			}
			done.Measured = append(done.Measured, &historypb.MeasuredBound{Bound: b.GetId(), Quantity: q})
		}
		if s.GetSecondPerson() {
			done.Checker = j.w.bo
		}
		j.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_StepDone{StepDone: done}})
	}
}

func (w *workshop) record(order string, events ...*historypb.OrderEvent) *historypb.RecordWorkResponse {
	w.t.Helper()
	out, err := w.orders.RecordWork(w.t.Context(), &historypb.RecordWorkRequest{Name: order, Events: events})
	if err != nil {
		w.t.Fatalf("record: %v", err)
	}
	return out
}

func (w *workshop) signing(order string, at time.Time) *historypb.SignOrderRequest {
	return &historypb.SignOrderRequest{Name: order, EventId: uuid.NewString(), OccurredTime: timestamppb.New(at), Technician: w.ines, Outcome: historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS}
}

func (w *workshop) get(order string) *historypb.Order {
	w.t.Helper()
	out, err := w.orders.GetOrder(w.t.Context(), &historypb.GetOrderRequest{Name: order})
	if err != nil {
		w.t.Fatal(err)
	}
	return out.GetOrder()
}

// entries returns the entries of a unit.
func (w *workshop) entries(unit string) []*historypb.Entry {
	w.t.Helper()
	out, err := w.history.ListEntries(w.t.Context(), &historypb.ListEntriesRequest{Parent: unit, PageSize: 1000})
	if err != nil {
		w.t.Fatal(err)
	}
	return out.GetEntries()
}
