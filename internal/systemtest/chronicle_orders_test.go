package systemtest

import (
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// benchProcedure is a short procedure for what the chronicle has.
const benchProcedure = `
revision: 1
title: Overhaul of the tests
kinds: [regulator-set, first-stage, second-stage, bcd, cylinder]
purpose: overhaul
activities: [overhaul]
qualification: overhaul
cautions: [Local code and the maker's manual win over this procedure.]
parts: [{id: seat, title: seat, policy: PART_POLICY_IF_WORN}]
steps:
  - {id: look, do: Look at it., critical: true}
  - {id: seat, do: Renew the seat., when: it is worn, removes: [{part: seat}], fits: [{part: seat}]}
`

// workshop is what the service orders of a chronicle need.
type workshop struct {
	orders     historypb.OrderServiceClient
	technician string
	open       []string // orders, those that were signed or closed among them
}

// bench publishes a procedure, and registers a technician and lots.
func (c *chronicle) bench() {
	c.t.Helper()
	c.workshop = workshop{orders: historypb.NewOrderServiceClient(c.conn), technician: c.org + "/technicians/ines"}
	if _, err := historypb.NewProcedureServiceClient(c.conn).PublishProcedures(c.t.Context(), &historypb.PublishProceduresRequest{Parent: c.org, ProcedureId: "short-overhaul", Source: benchProcedure}); err != nil {
		c.t.Fatal(err)
	}
	r, err := c.registry.CreateTechnician(c.t.Context(), &registrypb.CreateTechnicianRequest{Parent: c.org, TechnicianId: "ines", Technician: &registrypb.Technician{
		DisplayName: "Ines Example", Qualifications: []*registrypb.Technician_Qualification{{Activity: "overhaul", Issuer: "Invented School", ValidFromDate: &date.Date{Year: 2020, Month: 1, Day: 1}}},
	}})
	if err != nil {
		c.t.Fatal(err)
	}
	c.saw(r.GetPosition())
	lots := historypb.NewLotServiceClient(c.conn)
	for _, id := range []string{"seats-1", "seats-2"} {
		if _, err := lots.CreateLot(c.t.Context(), &historypb.CreateLotRequest{Parent: c.org, LotId: id, Lot: &historypb.Lot{
			Part: "seat", Title: "A bag of seats", LotNumber: "L-" + id, Supplier: "Invented Parts", ExpireDate: &date.Date{Year: 2030, Month: 3},
		}}); err != nil {
			c.t.Fatal(err)
		}
	}
}

// lot is the name of one of the lots.
func (c *chronicle) lot() string {
	return c.org + "/lots/" + []string{"seats-1", "seats-2"}[c.rng.IntN(2)]
}

// orderSteps are what may happen to service orders, by name. Some is told late, of a day before what was told already.
func (c *chronicle) orderSteps() map[string]func() {
	event := func(at time.Time, e *historypb.OrderEvent) *historypb.OrderEvent {
		e.EventId, e.OccurredTime, e.Technician = uuid.NewString(), timestamppb.New(at), c.technician
		return e
	}
	order := func() string { return c.open[c.rng.IntN(len(c.open))] }
	record := func(what string, events ...*historypb.OrderEvent) {
		r, err := c.orders.RecordWork(c.t.Context(), &historypb.RecordWorkRequest{Name: order(), Events: events})
		c.ok(what, r.GetPosition(), err)
	}
	looked := func(at time.Time) *historypb.OrderEvent {
		return event(at, &historypb.OrderEvent{Detail: &historypb.OrderEvent_StepDone{StepDone: &historypb.StepDone{Step: "look"}}})
	}
	some := func(do func()) func() { // once there are orders
		return func() {
			if len(c.open) > 0 {
				do()
			}
		}
	}
	return map[string]func(){
		"an order is opened": c.tries("an order is opened", func() {
			r, err := c.orders.OpenOrder(c.t.Context(), &historypb.OpenOrderRequest{
				Parent: c.org, OrderId: uuid.NewString(), Unit: c.any(), Procedure: "short-overhaul", OccurredTime: timestamppb.New(c.ago(20)), Technician: c.technician, Intake: "came in wet",
			})
			if c.ok("an order is opened", r.GetPosition(), err); err == nil {
				c.open = append(c.open, r.GetOrder().GetName())
			}
		}),
		"an order is worked on": c.tries("an order is worked on", some(func() { record("an order is worked on", looked(c.ago(3))) })),
		"parts are put in": c.tries("parts are put in", some(func() {
			at := c.ago(10)
			worn := event(at, &historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{Step: "seat", Part: "seat", Move: historypb.PartMove_PART_MOVE_REMOVED, Count: 1}}})
			gone := event(at.Add(time.Second), &historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{Step: "seat", Part: "seat", Move: historypb.PartMove_PART_MOVE_DISCARDED, Count: 1}}})
			in := event(at.Add(2*time.Second), &historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{Step: "seat", Part: "seat", Move: historypb.PartMove_PART_MOVE_FITTED, Count: 1, Lot: c.lot()}}})
			done := event(at.Add(3*time.Second), &historypb.OrderEvent{Detail: &historypb.OrderEvent_StepDone{StepDone: &historypb.StepDone{Step: "seat"}}})
			events := []*historypb.OrderEvent{worn, gone, in, done}
			if c.rng.IntN(3) == 0 {
				events = append(events, event(at.Add(4*time.Second), &historypb.OrderEvent{Detail: &historypb.OrderEvent_Withdrawn{Withdrawn: &historypb.Withdrawn{Event: in.GetEventId(), Reason: "of the other lot"}}}))
			}
			record("parts are put in", events...)
		})),
		"an order is signed": c.tries("an order is signed", some(func() {
			at := c.ago(2)
			r, err := c.orders.SignOrder(c.t.Context(), &historypb.SignOrderRequest{
				Name: order(), EventId: uuid.NewString(), OccurredTime: timestamppb.New(at), Technician: c.technician, Events: []*historypb.OrderEvent{looked(at.Add(-time.Second))},
				Outcome: []historypb.SignatureOutcome{historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS, historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS, historypb.SignatureOutcome_SIGNATURE_OUTCOME_FAIL}[c.rng.IntN(3)],
			})
			c.ok("an order is signed", r.GetPosition(), err)
		})),
		"an order is closed": c.tries("an order is closed", some(func() {
			r, err := c.orders.CloseOrder(c.t.Context(), &historypb.CloseOrderRequest{Name: order(), EventId: uuid.NewString(), OccurredTime: timestamppb.New(c.ago(4)), Technician: c.technician, Reason: "no time"})
			c.ok("an order is closed", r.GetPosition(), err)
		})),
	}
}
