package systemtest

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/measure"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/history/bench/wire"
)

// bencher is a fleet with a bench at shop north: two people, instruments in calibration, and lots of parts.
type bencher struct {
	*fleet
	orders       historypb.OrderServiceClient
	procedures   historypb.ProcedureServiceClient
	lots         historypb.LotServiceClient
	certificates compliancepb.CertificateServiceClient

	ines, bo                 string // she is qualified, he is not
	manometer, gauge, master string
}

func newBencher(t testing.TB, s *Stack, org string) *bencher {
	t.Helper()
	f := newFleet(t, s, org)
	b := &bencher{
		fleet: f, orders: historypb.NewOrderServiceClient(f.conn), procedures: historypb.NewProcedureServiceClient(f.conn), lots: historypb.NewLotServiceClient(f.conn),
		certificates: compliancepb.NewCertificateServiceClient(f.conn),
	}
	for _, kind := range []string{"water-manometer", "intermediate-pressure-gauge", "master-gauge", "pressure-gauge"} {
		r, err := f.registry.CreateModel(t.Context(), &registrypb.CreateModelRequest{Parent: f.org, ModelId: kind, Model: &registrypb.Model{DisplayName: "Model of " + kind, Kind: kind, Maker: "Invented"}})
		if err != nil {
			t.Fatal(err)
		}
		f.saw(r.GetPosition())
	}
	from, through := &date.Date{Year: 2025, Month: 1, Day: 1}, &date.Date{Year: 2027, Month: 12, Day: 31}
	for id, as := range map[string]string{"ines": "Ines Example", "bo": "Bo Example"} {
		p := &registrypb.Technician{DisplayName: as}
		if id == "ines" {
			for _, activity := range []string{"overhaul", "calibration"} {
				p.Qualifications = append(p.Qualifications, &registrypb.Technician_Qualification{Activity: activity, Issuer: "Invented School", ValidFromDate: from, ValidThroughDate: through})
			}
		}
		r, err := f.registry.CreateTechnician(t.Context(), &registrypb.CreateTechnicianRequest{Parent: f.org, TechnicianId: id, Technician: p})
		if err != nil {
			t.Fatal(err)
		}
		f.saw(r.GetPosition())
	}
	b.ines, b.bo = f.org+"/technicians/ines", f.org+"/technicians/bo"
	b.manometer, b.gauge, b.master = b.numbered("water-manometer", "I-1"), b.numbered("intermediate-pressure-gauge", "I-2"), b.numbered("master-gauge", "I-3")
	for _, i := range []string{b.manometer, b.gauge, b.master} {
		e := entry(i, now.AddDate(0, -1, 0))
		e.Technician = b.ines
		e.Detail = &historypb.Entry_Test{Test: &historypb.Test{Activity: "calibration", Outcome: historypb.Outcome_OUTCOME_PASS, Calibration: &historypb.Calibration{
			ThroughDate: &date.Date{Year: 2026, Month: 12, Day: 31}, Certificate: "K 77 of a laboratory",
			Uncertainty: &historypb.Uncertainty{Quantity: b.quantity("0.05 %"), Basis: historypb.Uncertainty_BASIS_READING},
		}}}
		f.append(e)
	}
	return b
}

// numbered registers a unit with a serial number.
func (b *bencher) numbered(kind, tag string) string {
	b.t.Helper()
	r, err := b.registry.CreateUnit(b.t.Context(), &registrypb.CreateUnitRequest{Parent: b.org, RequestId: uuid.NewString(), Unit: &registrypb.Unit{
		AssetTag: tag, Model: b.org + "/models/" + kind, Shop: b.org + "/shops/north", SerialNumber: "SN-" + tag, CommissionDate: &date.Date{Year: 2026, Month: 1, Day: 1},
	}})
	if err != nil {
		b.t.Fatal(err)
	}
	b.saw(r.GetPosition())
	return r.GetUnit().GetName()
}

func (b *bencher) quantity(text string) *historypb.Quantity {
	b.t.Helper()
	q, err := measure.Parse(text)
	if err != nil {
		b.t.Fatal(err)
	}
	return wire.QuantityPB(q)
}

// played is an order on its way.
type played struct {
	*bencher
	unit, order string
	procedure   *historypb.Procedure
	at          time.Time
	events      []*historypb.OrderEvent
}

// open opens an order three hours before the clock of the stack.
func (b *bencher) open(unit, procedure, intake string) *played {
	b.t.Helper()
	return b.openAt(unit, procedure, intake, b.stack.Clock.Now().Add(-3*time.Hour))
}

// openAt opens an order and registers a lot for each part that it takes.
func (b *bencher) openAt(unit, procedure, intake string, at time.Time) *played {
	b.t.Helper()
	p := &played{bencher: b, unit: unit, at: at}
	r, err := b.orders.OpenOrder(b.t.Context(), &historypb.OpenOrderRequest{
		Parent: b.org, OrderId: uuid.NewString(), Unit: unit, Procedure: procedure, OccurredTime: timestamppb.New(p.at), Technician: b.ines, Intake: intake,
	})
	if err != nil {
		b.t.Fatal(err)
	}
	b.saw(r.GetPosition())
	p.order, p.procedure = r.GetOrder().GetName(), r.GetProcedure()
	for _, part := range p.procedure.GetParts() {
		if _, err := b.lots.CreateLot(b.t.Context(), &historypb.CreateLotRequest{Parent: b.org, LotId: "lot-" + part.GetId(), Lot: &historypb.Lot{
			Part: part.GetId(), Title: "A bag of " + part.GetTitle(), LotNumber: "L-" + part.GetId(), Supplier: "Invented Parts", ExpireDate: &date.Date{Year: 2028, Month: 3},
		}}); err != nil {
			b.t.Fatal(err)
		}
	}
	return p
}

// add adds an event, ten seconds after the one before.
func (p *played) add(e *historypb.OrderEvent) *historypb.OrderEvent {
	p.at = p.at.Add(10 * time.Second)
	e.EventId, e.OccurredTime = uuid.NewString(), timestamppb.New(p.at)
	if e.Technician == "" {
		e.Technician = p.ines
	}
	p.events = append(p.events, e)
	return e
}

func (p *played) moved(step, part string, move historypb.PartMove, n int32) {
	m := &historypb.PartMoved{Step: step, Part: part, Move: move, Count: max(n, 1)}
	if move == historypb.PartMove_PART_MOVE_FITTED {
		m.Lot = p.org + "/lots/lot-" + part
	}
	p.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: m}})
}

func (p *played) effort(step, effort string) *historypb.OrderEvent {
	read := func(name, text, instrument string) *historypb.Reading {
		return &historypb.Reading{Name: name, Value: &historypb.Reading_Quantity{Quantity: p.quantity(text)}, Instrument: instrument}
	}
	return p.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_TestMade{TestMade: &historypb.TestMade{Step: step, Test: "cracking-effort", Readings: []*historypb.Reading{
		read("effort", effort, p.manometer), read("intermediate", "135 psi gauge", p.gauge),
	}}}})
}

func (p *played) tightness(step string) {
	said := func(name string, yes bool) *historypb.Reading {
		return &historypb.Reading{Name: name, Value: &historypb.Reading_Yes{Yes: yes}}
	}
	p.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_TestMade{TestMade: &historypb.TestMade{Step: step, Test: "tightness", Readings: []*historypb.Reading{
		{Name: "watched", Value: &historypb.Reading_Quantity{Quantity: p.quantity("4 min")}}, said("bubbles", false), said("flows_on", false), said("holds_vacuum", true),
	}}}})
}

// compared is a comparison of a gauge with the master; the last says until when it is good.
func (p *played) compared(step string, through *date.Date) {
	series := func(name, instrument string, values ...string) *historypb.Reading {
		s := &historypb.Series{}
		for i, v := range values {
			s.Samples = append(s.Samples, &historypb.Series_Sample{Elapsed: p.quantity([]string{"0 s", "30 s", "60 s", "90 s", "120 s"}[i]), Quantity: p.quantity(v + " bar gauge")})
		}
		return &historypb.Reading{Name: name, Value: &historypb.Reading_Series{Series: s}, Instrument: instrument}
	}
	made := &historypb.TestMade{Step: step, Test: "cylinder-pressure", Readings: []*historypb.Reading{
		series("found", "", "0", "50", "101", "200", "301"), series("master", p.master, "0", "50", "100", "200", "300"),
		{Name: "full_scale", Value: &historypb.Reading_Quantity{Quantity: p.quantity("300 bar gauge")}},
	}}
	if through != nil {
		made.Calibration = &historypb.Calibration{ThroughDate: through, Certificate: "own bench"}
	}
	p.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_TestMade{TestMade: made}})
}

// done does a step: takes out and puts in what it says, and measures each bound at one of its limits unless told otherwise.
func (p *played) done(s *historypb.Step, measured string) {
	policy := map[string]historypb.PartPolicy{}
	for _, part := range p.procedure.GetParts() {
		policy[part.GetId()] = part.GetPolicy()
	}
	for _, c := range s.GetRemoves() {
		p.moved(s.GetId(), c.GetPart(), historypb.PartMove_PART_MOVE_REMOVED, c.GetCount())
		if policy[c.GetPart()] == historypb.PartPolicy_PART_POLICY_REPLACE {
			p.moved("", c.GetPart(), historypb.PartMove_PART_MOVE_DISCARDED, c.GetCount())
		}
	}
	for _, c := range s.GetFits() {
		move := historypb.PartMove_PART_MOVE_REFITTED
		if policy[c.GetPart()] == historypb.PartPolicy_PART_POLICY_REPLACE {
			move = historypb.PartMove_PART_MOVE_FITTED
		}
		p.moved(s.GetId(), c.GetPart(), move, c.GetCount())
	}
	d := &historypb.StepDone{Step: s.GetId()}
	for _, b := range s.GetBounds() {
		q := b.GetAtMost()
		if q == nil {
			q = b.GetAtLeast()
		}
		if measured != "" {
			q = p.quantity(measured)
		}
		d.Measured = append(d.Measured, &historypb.MeasuredBound{Bound: b.GetId(), Quantity: q})
	}
	if s.GetSecondPerson() {
		d.Checker = p.bo
	}
	p.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_StepDone{StepDone: d}})
}

// record sends what was added.
func (p *played) record() {
	p.t.Helper()
	r, err := p.orders.RecordWork(p.t.Context(), &historypb.RecordWorkRequest{Name: p.order, Events: p.events})
	if err != nil {
		p.t.Fatal(err)
	}
	p.saw(r.GetPosition())
	p.events = nil
}

func (p *played) sign(outcome historypb.SignatureOutcome, note string) *historypb.SignOrderResponse {
	p.t.Helper()
	p.at = p.at.Add(10 * time.Second)
	r, err := p.orders.SignOrder(p.t.Context(), &historypb.SignOrderRequest{
		Name: p.order, EventId: uuid.NewString(), OccurredTime: timestamppb.New(p.at), Technician: p.ines, Outcome: outcome, Note: note,
	})
	if err != nil {
		p.t.Fatal(err)
	}
	p.saw(r.GetPosition())
	return r
}

func (b *bencher) certificate(order string) *compliancepb.Certificate {
	b.t.Helper()
	r, err := b.certificates.GetCertificate(b.t.Context(), &compliancepb.GetCertificateRequest{Name: order + "/certificate"})
	if err != nil {
		b.t.Fatal(err)
	}
	return r.GetCertificate()
}

// overhauled plays the overhaul of a second stage: its effort is tested as found and does not pass, nor does it when it is set; it is set again and passes.
func (b *bencher) overhauled(unit string) (*played, *historypb.SignOrderResponse) {
	b.t.Helper()
	p := b.open(unit, "second-stage-overhaul", "salt in the cover, free-flow reported")
	p.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Found{Found: &historypb.Found{Finding: "cracked case"}}})
	p.add(&historypb.OrderEvent{Technician: p.bo, Detail: &historypb.OrderEvent_Withdrawn{Withdrawn: &historypb.Withdrawn{Event: p.events[0].GetEventId(), Reason: "it was a hair on the lens"}}})
	p.add(&historypb.OrderEvent{Note: "seen under the lamp", Detail: &historypb.OrderEvent_Found{Found: &historypb.Found{Step: "as-found", Finding: "green deposit at the inlet"}}})
	for _, s := range p.procedure.GetSteps() {
		if s.GetWhen() != "" || len(s.GetKinds()) > 0 && s.GetKinds()[0] != "second-stage" {
			continue
		}
		switch s.GetId() {
		case "as-found":
			p.effort("as-found", "2.1 inH2O difference")
		case "set-effort":
			p.effort("set-effort", "1.9 inH2O difference")
			p.done(s, "")
			p.record() // from here on it is held for a test of its own
			p.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Found{Found: &historypb.Found{Step: "set-effort", Finding: "seat screwed in too far, backed out a quarter turn"}}})
			p.effort("set-effort", "1.2 inH2O difference")
		case "last-test":
			p.tightness("last-test")
		}
		measured := ""
		if s.GetId() == "open-cover" {
			measured = "0.4 mm" // less than the procedure says, which is told
		}
		p.done(s, measured)
	}
	p.record()
	return p, p.sign(historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS, "ready for the rack")
}
