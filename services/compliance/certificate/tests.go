package certificate

import (
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// tests are all times that a test was made, by when. None is withdrawn.
func (m *maker) tests() (out []*compliancepb.CertifiedTest) {
	type in struct{ step, test string }
	last := map[in]*compliancepb.CertifiedTest{}
	signed := m.log.receipt(m.log.signature).GetSequence()
	for _, e := range m.log.events {
		made := e.GetTestMade()
		if made == nil {
			continue
		}
		t := m.test(e, made)
		t.AfterSignature = m.log.receipt(e).GetSequence() > signed
		of := in{made.GetStep(), made.GetTest()}
		t.Attempt = 1
		if before := last[of]; before != nil {
			t.Attempt, before.Superseded = before.GetAttempt()+1, true
		}
		last[of] = t
		out = append(out, t)
	}
	return out
}

func (m *maker) test(e *historypb.OrderEvent, made *historypb.TestMade) *compliancepb.CertifiedTest {
	out := &compliancepb.CertifiedTest{
		Test: made.GetTest(), Step: made.GetStep(), MadeTime: e.GetOccurredTime(), Technician: m.person(e.GetTechnician()), Ambient: made.GetAmbient(), Judgement: made.GetJudgement(),
		Calibration: made.GetCalibration(), Note: e.GetNote(), Entry: m.log.entry(e),
	}
	for _, t := range m.steps[made.GetStep()].GetTests() {
		if t.GetTest() == made.GetTest() {
			out.AsFound = t.GetAsFound()
		}
	}
	titles := map[string]string{}
	for _, t := range m.procedure.GetTests() {
		if t.GetSpec().GetId() != made.GetTest() {
			continue
		}
		out.Title, out.Activity = t.GetSpec().GetTitle(), t.GetActivity()
		for _, w := range t.GetSpec().GetReadings() {
			titles[w.GetName()] = w.GetTitle()
		}
	}
	for i, r := range made.GetReadings() {
		c := &compliancepb.CertifiedReading{Title: titles[r.GetName()], Reading: r}
		if i < len(made.GetSi()) {
			c.Si = made.GetSi()[i].GetQuantities()
		}
		out.Readings = append(out.Readings, c)
	}
	for _, i := range made.GetInstruments() {
		u := m.Units[i.GetId()]
		out.Instruments = append(out.Instruments, &compliancepb.CertifiedInstrument{
			Instrument: i, AssetTag: u.GetAssetTag(), SerialNumber: u.GetSerialNumber(), ModelDisplayName: m.Models[u.GetModel()].GetDisplayName(),
		})
	}
	return out
}

// stations are what approved stations did, by when it was recorded. What is told last of an activity counts.
func (m *maker) stations() (out []*compliancepb.CertifiedStationWork) {
	last := map[string]*compliancepb.CertifiedStationWork{}
	for _, e := range m.log.events {
		s := e.GetStationWork()
		if s == nil || !m.log.stands(e) {
			continue
		}
		w := &compliancepb.CertifiedStationWork{
			Activity: s.GetActivity(), Provider: s.GetProvider(), Approval: s.GetApproval(), MarkDate: s.GetMarkDate(), Passed: s.GetPassed(), OccurredTime: e.GetOccurredTime(),
			Technician: m.person(e.GetTechnician()), Note: e.GetNote(), Entry: m.log.entry(e),
		}
		if before := last[w.GetActivity()]; before != nil {
			before.Superseded = true
		}
		last[w.GetActivity()] = w
		out = append(out, w)
	}
	return out
}
