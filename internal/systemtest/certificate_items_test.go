package systemtest

import (
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// requiredItems are what published requirements ask of a maintenance record, a calibration record or a report, and where a certificate has it. A field of a list is wanted in
// one of its elements; after [] in every one.
//
// Read: 29 CFR 1910.430(a)(2) in a directive's copy; 21 CFR 820.72(b)(2) in a copy of the code; ISO/IEC 17025:2017, 7.8.2.1, and CAR Part 43.69 of New Zealand in copies of
// others; 14 CFR 43.9(a) as a report tells of it. From memory: 14 CFR 43.11(a)(5). Of 17025 (b) and (e) the addresses are left out: the registry keeps none; and (k), as nothing is sampled.
var requiredItems = []struct{ source, item, paths string }{
	{"29 CFR 1910.430(a)(2)", "date", "signature.sign_time, open_time, steps[].done_time, tests[].made_time, work[].occurred_time"},
	{"29 CFR 1910.430(a)(2)", "nature of the work", "procedure.purpose, procedure.activities, steps[].do, work[].activities"},
	{"29 CFR 1910.430(a)(2)", "name or initials of who did it", "signature.signer.display_name, opener.display_name, steps[].technician.display_name, tests[].technician.display_name, findings[].technician.display_name"},

	{"21 CFR 820.72(b)(2), of what tests were made with", "identification", "tests.instruments[].asset_tag, tests.instruments[].serial_number, tests.instruments[].instrument.id"},
	{"21 CFR 820.72(b)(2), of what tests were made with", "calibration date", "tests.instruments[].instrument.calibration_date"},
	{"21 CFR 820.72(b)(2), of what tests were made with", "next calibration date", "tests.instruments[].instrument.calibration_due_date"},

	{"ISO/IEC 17025:2017 7.8.2.1 (a)", "a title", "procedure.title"},
	{"ISO/IEC 17025:2017 7.8.2.1 (b), (e)", "name of who did it and for whom", "shop.display_name, shop.org_display_name"},
	{"ISO/IEC 17025:2017 7.8.2.1 (c)", "where", "shop.shop, shop.jurisdiction"},
	{"ISO/IEC 17025:2017 7.8.2.1 (d)", "unique identification", "name, receipts[].entry, receipts[].digest"},
	{"ISO/IEC 17025:2017 7.8.2.1 (f)", "the method", "procedure.procedure, procedure.revision"},
	{"ISO/IEC 17025:2017 7.8.2.1 (g)", "the item: description, identification, condition", "unit.asset_tag, unit.serial_number, unit.kind, unit.model_display_name, unit.maker, intake"},
	{"ISO/IEC 17025:2017 7.8.2.1 (h)", "date of receipt", "open_time"},
	{"ISO/IEC 17025:2017 7.8.2.1 (i)", "date of performance", "tests[].made_time"},
	{"ISO/IEC 17025:2017 7.8.2.1 (j)", "date of issue", "signature.sign_time, standing.instant"},
	{"ISO/IEC 17025:2017 7.8.2.1 (l)", "that it is of this item alone", "statement"},
	{"ISO/IEC 17025:2017 7.8.2.1 (m)", "results with their units", "tests.readings.reading.quantity.unit, tests.readings.si.unit, tests[].judgement.verdict, tests.judgement.results.measured.unit"},
	{"ISO/IEC 17025:2017 7.8.2.1 (n)", "deviations from the method", "steps_not_done[].do"},
	{"ISO/IEC 17025:2017 7.8.2.1 (o)", "who authorises it", "signature.signer.technician, signature.qualification.activity"},

	{"14 CFR 43.9(a)", "description of the work, or reference to data", "steps[].do, procedure.procedure, procedure.revision"},
	{"14 CFR 43.9(a)", "date of completion", "signature.sign_time"},
	{"14 CFR 43.9(a)", "who did it, if another approves", "steps[].technician.display_name, steps.checker.display_name"},
	{"14 CFR 43.9(a)", "signature, with number and kind of the certificate", "signature.signer.display_name, signature.qualification.issuer, signature.qualification.valid_through_date, signature.receipt.digest"},
	{"14 CFR 43.11(a)(5), from memory", "discrepancies", "findings[].finding, steps.measured.out_of_bounds"},

	{"CAR Part 43.69(a)(2) of New Zealand", "components fitted: description, part and serial number", "parts[].title, parts.lots.title, parts.lots.lot_number, parts.lots.expire_date"},
	{"CAR Part 43.69(a)(3) of New Zealand", "measurements and test results", "steps.measured.quantity.value, steps.measured.at_most.value, tests.judgement.results.sentence, tests.judgement.results.source.document"},
	{"CAR Part 43.69(a)(6), (7) of New Zealand", "the facility, and the reason", "shop.display_name, procedure.purpose"},

	{"what a reader asks next; common practice, no source", "next due, and by whose rule", "standing.next_due[].title, standing.next_due[].due_date, standing.next_due.dives_left, standing.next_due[].source.document"},
	{"what a reader asks next; common practice, no source", "result", "signature.outcome, work[].outcome"},
	{"what a reader asks next; common practice, no source", "cautions", "procedure.cautions, statement"},
}

// has says whether a message has a field that is set: of a list one element, or every one where the path says so.
func has(m protoreflect.Message, path string) bool {
	name, rest, deep := strings.Cut(path, ".")
	name, every := strings.CutSuffix(name, "[]")
	f := m.Descriptor().Fields().ByTextName(name)
	if f == nil {
		panic("no field " + name + " in " + string(m.Descriptor().FullName()))
	}
	if !m.Has(f) {
		return false
	}
	if !deep {
		return true
	}
	if !f.IsList() {
		return has(m.Get(f).Message(), rest)
	}
	n := 0
	for i := range m.Get(f).List().Len() {
		if has(m.Get(f).List().Get(i).Message(), rest) {
			n++
		}
	}
	return n > 0 && (!every || n == m.Get(f).List().Len())
}

// strike clears a field, in every element of a list.
func strike(m protoreflect.Message, path string) {
	name, rest, deep := strings.Cut(path, ".")
	f := m.Descriptor().Fields().ByTextName(strings.TrimSuffix(name, "[]"))
	switch {
	case !deep:
		m.Clear(f)
	case f.IsList():
		for i := range m.Get(f).List().Len() {
			strike(m.Get(f).List().Get(i).Message(), rest)
		}
	default:
		strike(m.Mutable(f).Message(), rest)
	}
}

// TestCertificateHoldsWhatRecordsMustHold looks for every item in the certificate of an overhaul that was played, and sees each of them missing once it is struck out.
func TestCertificateHoldsWhatRecordsMustHold(t *testing.T) {
	t.Parallel()
	b := newBencher(t, Start(t), "lagoon")
	p, _ := b.overhauled(b.numbered("second-stage", "R-1"))
	c := b.certificate(p.order)
	wantItems(t, c)
	if !strings.Contains(c.GetStatement(), "of the work on this unit, and of no other") {
		t.Error(c.GetStatement())
	}
}

func wantItems(t *testing.T, c *compliancepb.Certificate) {
	t.Helper()
	for _, r := range requiredItems {
		for path := range strings.SplitSeq(r.paths, ", ") {
			if !has(c.ProtoReflect(), path) {
				t.Errorf("%s asks for %s: there is no %s", r.source, r.item, path)
				continue
			}
			struck := proto.CloneOf(c)
			strike(struck.ProtoReflect(), path)
			if has(struck.ProtoReflect(), path) {
				t.Errorf("%s: %s is still there when it was struck out", r.source, path)
			}
		}
	}
}

// TestCertificateOfACalibration: 21 CFR 820.72(b)(2) asks of the calibration of an instrument which one it was, when it was calibrated, by whom, and when it is next.
func TestCertificateOfACalibration(t *testing.T) {
	t.Parallel()
	b := newBencher(t, Start(t), "lagoon")
	p := b.open(b.numbered("pressure-gauge", "G-1"), "gauge-comparison", "")
	through := &date.Date{Year: 2027, Month: 5, Day: 31}
	for _, s := range p.procedure.GetSteps() {
		if s.GetWhen() != "" || len(s.GetKinds()) > 0 && s.GetKinds()[0] != "pressure-gauge" {
			continue
		}
		switch s.GetId() {
		case "found-cylinder-pressure":
			p.compared(s.GetId(), nil)
		case "left-cylinder-pressure":
			p.compared(s.GetId(), through)
		}
		p.done(s, "")
	}
	p.record()
	p.sign(historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS, "")
	c := b.certificate(p.order)
	if c.GetUnit().GetAssetTag() != "G-1" || c.GetUnit().GetSerialNumber() != "SN-G-1" || c.GetUnit().GetKind() != "pressure-gauge" {
		t.Errorf("which: %v", c.GetUnit())
	}
	if n := len(c.GetTests()); n != 2 {
		t.Fatalf("%d tests", n)
	}
	found, left := c.GetTests()[0], c.GetTests()[1]
	if !found.GetAsFound() || found.GetCalibration() != nil || left.GetMadeTime() == nil {
		t.Errorf("when: %v %v", found, left)
	}
	if left.GetTechnician().GetDisplayName() != "Ines Example" || c.GetSignature().GetSigner().GetDisplayName() != "Ines Example" {
		t.Errorf("by whom: %v", left.GetTechnician())
	}
	if !proto.Equal(left.GetCalibration().GetThroughDate(), through) {
		t.Errorf("next: %v", left.GetCalibration())
	}
	if s := left.GetReadings()[0].GetSi(); len(s) != 5 || s[2].GetValue() != "10100000" || s[2].GetUnit() != "Pa" { // 101 bar; a bar is 100,000 Pa exactly (SI Brochure, table 8 of the 8th edition, from memory)
		t.Errorf("in SI: %v", s)
	}
	if i := left.GetInstruments(); len(i) != 1 || i[0].GetAssetTag() != "I-3" {
		t.Errorf("with: %v", i)
	}
	// No rule of the house runs on gauges: nothing vouches for one, and the certificate says so rather than nothing.
	if s := c.GetStanding(); s.GetMayHandOut() || len(s.GetNextDue()) != 0 || len(s.GetReasons()) == 0 {
		t.Errorf("standing %v", s)
	}
}
