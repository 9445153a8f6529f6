package certificate

import (
	"slices"

	"strandline.example/strandline/internal/measure"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// done returns every time that a step was done, and the steps that were not.
func (m *maker) done() (out []*compliancepb.CertifiedStep, not []*compliancepb.StepNotDone) {
	times := map[string][]*compliancepb.CertifiedStep{}
	for _, e := range m.log.events {
		if !m.log.stands(e) {
			continue
		}
		if d := e.GetStepDone(); d != nil {
			all := times[d.GetStep()]
			if len(all) > 0 {
				all[len(all)-1].Superseded = true
			}
			times[d.GetStep()] = append(all, m.step(e, d))
		}
		if c := e.GetStepChecked(); c != nil {
			all := times[c.GetStep()]
			if len(all) == 0 {
				continue // it checks nothing
			}
			last := all[len(all)-1]
			if last.GetChecker() == nil || last.GetChecker().GetTechnician() == last.GetTechnician().GetTechnician() { // whoever did it does not take away what another checked
				last.Checker, last.CheckTime, last.CheckEntry = m.person(e.GetTechnician()), e.GetOccurredTime(), m.log.entry(e)
			}
		}
	}
	for _, s := range m.procedure.GetSteps() {
		if all := times[s.GetId()]; len(all) > 0 {
			out = append(out, all...)
			continue
		}
		if len(s.GetKinds()) == 0 || slices.Contains(s.GetKinds(), m.log.opened.GetKind()) {
			not = append(not, &compliancepb.StepNotDone{Step: s.GetId(), Do: s.GetDo(), When: s.GetWhen(), Critical: s.GetCritical()})
		}
	}
	return out, not
}

func (m *maker) step(e *historypb.OrderEvent, d *historypb.StepDone) *compliancepb.CertifiedStep {
	s := m.steps[d.GetStep()]
	out := &compliancepb.CertifiedStep{
		Step: d.GetStep(), Do: s.GetDo(), When: s.GetWhen(), Critical: s.GetCritical(), SecondPerson: s.GetSecondPerson(), DoneTime: e.GetOccurredTime(),
		Technician: m.person(e.GetTechnician()), Checker: m.person(d.GetChecker()), Note: e.GetNote(), Entry: m.log.entry(e),
	}
	for _, q := range d.GetMeasured() {
		i := slices.IndexFunc(s.GetBounds(), func(b *historypb.Bound) bool { return b.GetId() == q.GetBound() })
		if i < 0 {
			out.Measured = append(out.Measured, &compliancepb.CertifiedBound{Bound: q.GetBound(), Quantity: q.GetQuantity()})
			continue
		}
		out.Measured = append(out.Measured, measured(q.GetQuantity(), s.GetBounds()[i]))
	}
	return out
}

// measured holds a quantity against its bounds, each of which is still within them. What cannot be compared is not within them.
func measured(q *historypb.Quantity, b *historypb.Bound) *compliancepb.CertifiedBound {
	out := &compliancepb.CertifiedBound{Bound: b.GetId(), Title: b.GetTitle(), Quantity: q, AtLeast: b.GetAtLeast(), AtMost: b.GetAtMost(), Source: b.GetSource()}
	if b.GetAtLeast() != nil {
		if c, err := compare(q, b.GetAtLeast()); err != nil || c < 0 {
			out.OutOfBounds, out.Consequence = true, b.GetBelow()
			return out
		}
	}
	if b.GetAtMost() != nil {
		if c, err := compare(q, b.GetAtMost()); err != nil || c > 0 {
			out.OutOfBounds, out.Consequence = true, b.GetAbove()
		}
	}
	return out
}

func compare(a, b *historypb.Quantity) (int, error) {
	x, err := quantity(a)
	if err != nil {
		return 0, err
	}
	y, err := quantity(b)
	if err != nil {
		return 0, err
	}
	return x.Cmp(y)
}

func quantity(p *historypb.Quantity) (measure.Quantity, error) {
	symbol := p.GetUnit()
	if symbol == "" {
		symbol = measure.One().Symbol()
	}
	u, err := measure.ParseUnit(symbol)
	if err != nil {
		return measure.Quantity{}, err
	}
	return measure.New(p.GetValue(), u, measure.Reference(p.GetReference()))
}

// findings are what was found, by when.
func (m *maker) findings() (out []*compliancepb.CertifiedFinding) {
	for _, e := range m.log.events {
		if f := e.GetFound(); f != nil && m.log.stands(e) {
			out = append(out, &compliancepb.CertifiedFinding{
				Step: f.GetStep(), Finding: f.GetFinding(), Note: e.GetNote(), FindTime: e.GetOccurredTime(), Technician: m.person(e.GetTechnician()), Entry: m.log.entry(e),
			})
		}
	}
	return out
}
