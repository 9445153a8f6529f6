package certificate

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// Sources are what a certificate is made from.
type Sources struct {
	Order       *historypb.Order
	Entries     []*historypb.Entry // of the unit, from the order's opening to its signature; others than the order's are passed over
	Amendments  []*historypb.Entry // of the unit
	Procedure   *historypb.PublishedProcedure
	Org         *registrypb.Org
	Shop        *registrypb.Shop
	Unit        *registrypb.Unit
	Units       map[string]*registrypb.Unit       // instruments, by name
	Models      map[string]*registrypb.Model      // of the unit and of the instruments, by name
	Technicians map[string]*registrypb.Technician // by name
	Lots        map[string]*historypb.Lot         // by name; one that is missing is not registered
	Standing    *compliancepb.Standing            // of the unit, at the instant asked
}

// Name returns `orgs/{org}/orders/{order}/certificate`.
func Name(order string) string { return order + "/certificate" }

// maker makes one certificate.
type maker struct {
	Sources
	log       *Log
	procedure *historypb.Procedure
	steps     map[string]*historypb.Step
}

// Make writes the certificate. Sources are not kept or changed, but parts of them are shared. It fails if they do not belong together.
func Make(s Sources) (*compliancepb.Certificate, error) {
	log, err := Read(s.Order, s.Entries)
	if err != nil {
		return nil, err
	}
	m := &maker{Sources: s, log: log, procedure: s.Procedure.GetProcedure(), steps: map[string]*historypb.Step{}}
	if got, want := m.procedure.GetRevision(), log.opened.GetRevision(); got != want {
		return nil, fmt.Errorf("revision %d of the procedure for an order of revision %d", got, want)
	}
	if got := s.Standing.GetUnit(); got != s.Order.GetUnit() {
		return nil, fmt.Errorf("the standing of %s for %s", got, s.Order.GetUnit())
	}
	for _, step := range m.procedure.GetSteps() {
		m.steps[step.GetId()] = step
	}
	out := &compliancepb.Certificate{
		Name: Name(s.Order.GetName()), Order: s.Order.GetName(), Unit: m.unit(), Shop: m.shop(), Procedure: m.cited(),
		Intake: log.opened.GetIntake(), OpenTime: log.opening.GetOccurredTime(), Opener: m.person(log.opening.GetTechnician()),
		Findings: m.findings(), Tests: m.tests(), Parts: m.parts(), StationWork: m.stations(), Withdrawals: m.withdrawals(),
		Signature: m.signature(), Work: m.work(), Receipts: log.receipts, Standing: m.standing(),
	}
	out.Steps, out.StepsNotDone = m.done()
	out.Statement = statement(out)
	return out, nil
}

func (m *maker) unit() *compliancepb.CertifiedUnit {
	u, model := m.Unit, m.Models[m.Unit.GetModel()]
	out := &compliancepb.CertifiedUnit{
		Unit: u.GetName(), AssetTag: u.GetAssetTag(), SerialNumber: u.GetSerialNumber(), Kind: m.log.opened.GetKind(), Model: u.GetModel(),
		ModelDisplayName: model.GetDisplayName(), Maker: model.GetMaker(), Size: u.GetSize(), ManufactureDate: u.GetManufactureDate(),
	}
	if out.Size == "" {
		out.Size = model.GetSize()
	}
	return out
}

func (m *maker) shop() *compliancepb.CertifiedShop {
	return &compliancepb.CertifiedShop{
		Shop: m.Shop.GetName(), DisplayName: m.Shop.GetDisplayName(), Jurisdiction: m.Shop.GetJurisdiction(), TimeZone: m.Shop.GetTimeZone(), OrgDisplayName: m.Org.GetDisplayName(),
	}
}

func (m *maker) cited() *compliancepb.CertifiedProcedure {
	p := m.procedure
	return &compliancepb.CertifiedProcedure{
		Procedure: p.GetName(), Revision: p.GetRevision(), Title: p.GetTitle(), Shipped: m.Procedure.GetShipped(), Purpose: m.log.opened.GetPurpose(),
		Activities: m.log.opened.GetActivities(), Cautions: p.GetCautions(),
	}
}

// person names a technician; nil for nobody.
func (m *maker) person(name string) *compliancepb.CertifiedPerson {
	if name == "" {
		return nil
	}
	return &compliancepb.CertifiedPerson{Technician: name, DisplayName: m.Technicians[name].GetDisplayName()}
}

func (m *maker) signature() *compliancepb.CertifiedSignature {
	e := m.log.signature
	signed := e.GetSigned()
	out := &compliancepb.CertifiedSignature{
		Signer: m.person(e.GetTechnician()), Qualification: signed.GetQualification(), Outcome: signed.GetOutcome(), Note: e.GetNote(), SignTime: e.GetOccurredTime(),
		Receipt: m.log.receipt(e),
	}
	if name := signed.GetQualification().GetPerson(); name != "" {
		out.Signer.DisplayName = name
	}
	return out
}

// work is what the unit's history has of the order.
func (m *maker) work() (out []*compliancepb.CertifiedWork) {
	corrections := map[string][]*compliancepb.Correction{}
	for _, e := range m.Amendments {
		a := e.GetAmendment()
		corrections[a.GetCorrectedEntry()] = append(corrections[a.GetCorrectedEntry()], &compliancepb.Correction{
			Entry: e.GetName(), Reason: a.GetReason(), OccurredTime: e.GetOccurredTime(), NeverHappened: a.GetReplacement() == nil,
		})
	}
	for _, e := range m.log.work {
		w := &compliancepb.CertifiedWork{OccurredTime: e.GetOccurredTime(), Entry: e.GetName(), Corrections: corrections[e.GetName()]}
		if s := e.GetService(); s != nil {
			w.Activities, w.Outcome, w.Provider, w.MarkDate = s.GetActivities(), s.GetOutcome(), s.GetProvider(), s.GetMarkDate()
		} else {
			t := e.GetTest()
			w.Activities, w.Outcome, w.Provider, w.MarkDate, w.ReadingsEntry = []string{t.GetActivity()}, t.GetOutcome(), t.GetProvider(), t.GetMarkDate(), t.GetReadingsEntry()
		}
		out = append(out, w)
	}
	return out
}

// standing is where the unit stands. Of the clocks, those of the unit itself: what is fitted to it has its own certificates.
func (m *maker) standing() *compliancepb.CertifiedStanding {
	s := m.Standing
	out := &compliancepb.CertifiedStanding{Instant: s.GetInstant(), MayHandOut: s.GetMayHandOut(), MayFill: s.GetMayFill(), Reasons: s.GetReasons(), Holds: s.GetHolds(), Cautions: s.GetCautions()}
	for _, c := range s.GetClocks() {
		if c.GetUnit() == s.GetUnit() {
			c = proto.CloneOf(c)
			c.Explanation = nil
			out.NextDue = append(out.NextDue, c)
		}
	}
	return out
}

// withdrawals are the events that never happened, by when they were withdrawn.
func (m *maker) withdrawals() (out []*compliancepb.CertifiedWithdrawal) {
	for _, e := range m.log.events {
		w := e.GetWithdrawn()
		if w == nil || m.log.gone[w.GetEvent()] != e {
			continue
		}
		i := slices.IndexFunc(m.log.events, func(o *historypb.OrderEvent) bool { return o.GetEventId() == w.GetEvent() })
		if i < 0 {
			continue
		}
		out = append(out, &compliancepb.CertifiedWithdrawal{
			Event: m.log.events[i], Reason: w.GetReason(), WithdrawTime: e.GetOccurredTime(), Technician: m.person(e.GetTechnician()),
			Entry: m.log.entry(m.log.events[i]), WithdrawalEntry: m.log.entry(e),
		})
	}
	return out
}
