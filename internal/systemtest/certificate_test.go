package systemtest

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// TestCertificateOfAnOverhaul plays an overhaul with two tests that fail, a repair and a retest that passes. The certificate says all of it, agrees with the ledger and with
// what compliance says, and nobody else's org reads it.
func TestCertificateOfAnOverhaul(t *testing.T) {
	t.Parallel()
	s := Start(t)
	b := newBencher(t, s, "lagoon")
	unit := b.numbered("second-stage", "R-1")
	open := b.open(b.numbered("second-stage", "R-2"), "second-stage-overhaul", "")
	if _, err := b.certificates.GetCertificate(t.Context(), &compliancepb.GetCertificateRequest{Name: open.order + "/certificate"}); reasonOf(err) != "ORDER_NOT_SIGNED" {
		t.Errorf("of an open order: %v", err)
	}
	p, signed := b.overhauled(unit)
	c := b.certificate(p.order)

	// Every time of the test stands in it, in the order in which they were made.
	var tests []string
	for _, e := range c.GetTests() {
		tests = append(tests, strings.Join([]string{e.GetStep(), e.GetTest(), strings.TrimPrefix(e.GetJudgement().GetVerdict().String(), "VERDICT_")}, " "))
	}
	want := "as-found cracking-effort FAIL, set-effort cracking-effort FAIL, set-effort cracking-effort PASS, last-test tightness PASS"
	if got := strings.Join(tests, ", "); got != want {
		t.Fatalf("tests %s, want %s", got, want)
	}
	found, first, second := c.GetTests()[0], c.GetTests()[1], c.GetTests()[2]
	if !found.GetAsFound() || found.GetSuperseded() || first.GetAsFound() || !first.GetSuperseded() || first.GetAttempt() != 1 || second.GetSuperseded() || second.GetAttempt() != 2 || first.GetAfterSignature() {
		t.Errorf("attempts %v %v %v", found, first, second)
	}
	r := first.GetJudgement().GetResults()[0]
	if r.GetVerdict() != historypb.Verdict_VERDICT_FAIL || r.GetSentence() == "" || r.GetSource().GetDocument() != "common practice, no source" {
		t.Errorf("the judgement of the test that failed: %v", r)
	}
	reading := first.GetReadings()[0]
	if reading.GetTitle() == "" || reading.GetReading().GetQuantity().GetValue() != "1.9" || reading.GetReading().GetQuantity().GetUnit() != "inH2O" || len(reading.GetSi()) != 1 || reading.GetSi()[0].GetUnit() != "Pa" {
		t.Errorf("reading %v", reading)
	}
	i := first.GetInstruments()[0]
	if i.GetAssetTag() != "I-1" || i.GetSerialNumber() != "SN-I-1" || i.GetInstrument().GetCalibrationDueDate().GetYear() != 2026 || i.GetInstrument().GetCalibrationDate().GetMonth() != 5 {
		t.Errorf("instrument %v", i)
	}

	// Steps: each that was done, with who and when; the one that was done again, twice.
	times := map[string]int{}
	for _, e := range c.GetSteps() {
		times[e.GetStep()]++
		if e.GetTechnician().GetDisplayName() != "Ines Example" || e.GetDoneTime() == nil || e.GetDo() == "" {
			t.Errorf("step %v", e)
		}
		if e.GetSecondPerson() && e.GetChecker().GetDisplayName() != "Bo Example" {
			t.Errorf("checked by %v", e.GetChecker())
		}
		if e.GetStep() == "open-cover" {
			m := e.GetMeasured()[0]
			if !m.GetOutOfBounds() || m.GetConsequence() != historypb.OutOfBounds_OUT_OF_BOUNDS_FLAG || m.GetAtLeast().GetValue() != "0.5" || m.GetQuantity().GetValue() != "0.4" {
				t.Errorf("travel of the tab: %v", m)
			}
		} else {
			for _, m := range e.GetMeasured() {
				if m.GetOutOfBounds() {
					t.Errorf("%s is out of bounds at its own limit: %v", e.GetStep(), m)
				}
			}
		}
	}
	if times["set-effort"] != 2 || times["clean"] != 1 || times["lever-out"] != 0 || times["as-found-alternate"] != 0 {
		t.Errorf("steps %v", times)
	}
	var not []string
	for _, e := range c.GetStepsNotDone() {
		not = append(not, e.GetStep())
	}
	if strings.Join(not, " ") != "lever-out lever-in" {
		t.Errorf("not done: %v", not)
	}

	// What was withdrawn is named as such, and nowhere else.
	w := c.GetWithdrawals()
	if len(w) != 1 || w[0].GetEvent().GetFound().GetFinding() != "cracked case" || w[0].GetReason() != "it was a hair on the lens" || w[0].GetTechnician().GetDisplayName() != "Bo Example" {
		t.Errorf("withdrawn %v", w)
	}
	if f := c.GetFindings(); len(f) != 2 || f[0].GetFinding() != "green deposit at the inlet" || f[0].GetNote() != "seen under the lamp" {
		t.Errorf("findings %v", f)
	}
	for _, q := range c.GetParts() {
		if q.GetPart() == "seat" && (q.GetRemoved() != 1 || q.GetDiscarded() != 1 || q.GetFitted() != 1 || len(q.GetLots()) != 1 || !q.GetLots()[0].GetRegistered() ||
			q.GetLots()[0].GetLotNumber() != "L-seat" || q.GetLots()[0].GetExpireDate().GetYear() != 2028) {
			t.Errorf("seat %v", q)
		}
	}

	// The signature, held against the ledger.
	sig := c.GetSignature()
	if sig.GetReceipt().GetSequence() != signed.GetReceipt().GetSequence() || string(sig.GetReceipt().GetDigest()) != string(signed.GetReceipt().GetDigest()) || len(sig.GetReceipt().GetDigest()) != 32 {
		t.Errorf("receipt %v, want %v", sig.GetReceipt(), signed.GetReceipt())
	}
	if sig.GetSigner().GetDisplayName() != "Ines Example" || sig.GetQualification().GetIssuer() != "Invented School" || sig.GetNote() != "ready for the rack" || sig.GetOutcome() != historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS {
		t.Errorf("signature %v", sig)
	}
	for _, e := range c.GetReceipts() {
		g, err := b.history.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: e.GetEntry()})
		if err != nil || g.GetEntry().GetSequence() != e.GetSequence() || string(g.GetEntry().GetDigest()) != string(e.GetDigest()) {
			t.Errorf("receipt %v, the ledger has %v, %v", e, g.GetEntry().GetSequence(), err)
		}
	}
	if len(c.GetReceipts()) < 30 {
		t.Errorf("%d receipts", len(c.GetReceipts()))
	}
	for _, name := range signed.GetEntries() {
		if !strings.Contains(prototext.Format(c), name) {
			t.Errorf("what was performed, %s, is not in it", name)
		}
	}

	// What is due next is what compliance says.
	standing := b.standing(unit)
	n := c.GetStanding()
	if !n.GetMayHandOut() || !standing.GetMayHandOut() || len(n.GetHolds()) != 0 || len(n.GetNextDue()) != 1 {
		t.Fatalf("standing %v", n)
	}
	next := n.GetNextDue()[0]
	if next.GetDueDate().GetYear() != 2027 || next.GetDueDate().GetMonth() != 6 || next.GetDueDate().GetDay() != 1 || next.GetDivesLeft() != 100 || next.GetSource().GetDocument() == "" || len(next.GetExplanation()) != 0 {
		t.Errorf("next due %v", next)
	}
	if !strings.Contains(c.GetStatement(), "Local code, the maker's manual and licensed practice come first") {
		t.Error(c.GetStatement())
	}

	// Another org.
	other := newBencher(t, s, "harbour")
	if _, err := other.certificates.GetCertificate(t.Context(), &compliancepb.GetCertificateRequest{Name: c.GetName()}); reasonOf(err) != "ORG_MISMATCH" {
		t.Errorf("by its name: %v", err)
	}
	alias := other.org + c.GetName()[len(b.org):]
	if _, err := other.certificates.GetCertificate(t.Context(), &compliancepb.GetCertificateRequest{Name: alias}); reasonOf(err) != "NOT_FOUND" {
		t.Errorf("under its own name: %v", err)
	}
	if l, err := other.certificates.ListCertificates(t.Context(), &compliancepb.ListCertificatesRequest{Parent: other.org + unit[len(b.org):]}); err == nil && len(l.GetCertificates()) > 0 {
		t.Errorf("listed: %v", l)
	}
}

// TestCertificateOfAPulledUnit: what happens after the signature is in the certificate that is asked for then, and not in what was true at the signature.
func TestCertificateOfAPulledUnit(t *testing.T) {
	t.Parallel()
	s := Start(t)
	b := newBencher(t, s, "lagoon")
	unit := b.numbered("second-stage", "R-1")
	p, signed := b.overhauled(unit)
	if _, err := b.certificates.GetCertificate(t.Context(), &compliancepb.GetCertificateRequest{Name: p.order + "/certificate", Instant: timestamppb.New(p.at.Add(-time.Second))}); reasonOf(err) != "INVALID_FIELD" {
		t.Errorf("for an instant before the signature: %v", err)
	}

	// It floods on the next dive: at_least is not asked for, and yet it is seen at once.
	s.Clock.Advance(30 * time.Minute)
	b.append(condition(unit, s.Clock.Now(), "flooding"))
	c := b.certificate(p.order)
	if n := c.GetStanding(); n.GetMayHandOut() || len(n.GetHolds()) != 1 || n.GetHolds()[0].GetCause() != compliancepb.Hold_CAUSE_CONDITION || len(n.GetReasons()) == 0 {
		t.Errorf("a pulled unit looks fine: %v", n)
	}
	if !strings.Contains(c.GetStatement(), "may not be handed out") {
		t.Error(c.GetStatement())
	}
	then, err := b.certificates.GetCertificate(t.Context(), &compliancepb.GetCertificateRequest{Name: p.order + "/certificate", Instant: timestamppb.New(p.at)})
	if err != nil || !then.GetCertificate().GetStanding().GetMayHandOut() {
		t.Errorf("at the signature: %v, %v", then.GetCertificate().GetStanding(), err)
	}

	// A test that was made before the signature and failed arrives late.
	late := &played{bencher: b, unit: unit, order: p.order, procedure: p.procedure, at: p.at.Add(-15 * time.Second)}
	late.effort("set-effort", "2.4 inH2O difference")
	late.record()
	c = b.certificate(p.order)
	last := c.GetTests()[len(c.GetTests())-1]
	if !last.GetAfterSignature() || last.GetJudgement().GetVerdict() != historypb.Verdict_VERDICT_FAIL || !strings.Contains(c.GetStatement(), "recorded after the signature") {
		t.Errorf("a late failure: %v; %s", last, c.GetStatement())
	}
	if n := c.GetStanding(); len(n.GetHolds()) < 2 {
		t.Errorf("a late failure holds: %v", n.GetHolds())
	}

	// The work is taken back by an amendment.
	e, err := b.history.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: signed.GetEntries()[len(signed.GetEntries())-1]})
	if err != nil {
		t.Fatal(err)
	}
	b.append(amended(unit, s.Clock.Now(), e.GetEntry(), "another stage was on the bench", nil))
	c = b.certificate(p.order)
	corrected := 0
	for _, w := range c.GetWork() {
		for _, k := range w.GetCorrections() {
			corrected++
			if !k.GetNeverHappened() || k.GetReason() != "another stage was on the bench" || w.GetEntry() != e.GetEntry().GetName() {
				t.Errorf("correction %v of %s", k, w.GetEntry())
			}
		}
	}
	if corrected != 1 || !strings.Contains(c.GetStatement(), "corrected since") {
		t.Errorf("%d corrections; %s", corrected, c.GetStatement())
	}
}

// TestListCertificates lists signed orders alone, the last first, in pages that hold what was asked for.
func TestListCertificates(t *testing.T) {
	inTurn(t)
	t.Parallel()
	s := Start(t)
	b := newBencher(t, s, "lagoon")
	unit := b.numbered("second-stage", "R-1")
	var want []string
	for i := range 7 {
		s.Clock.Advance(5 * time.Minute)
		p := b.openAt(unit, "second-stage-overhaul", "", s.Clock.Now().Add(-4*time.Minute))
		if i%3 == 1 { // closed without a signature
			if _, err := b.orders.CloseOrder(t.Context(), &historypb.CloseOrderRequest{Name: p.order, EventId: uuid.NewString(), OccurredTime: timestamppb.New(p.at), Technician: b.ines, Reason: "the wrong stage"}); err != nil {
				t.Fatal(err)
			}
			if _, err := b.certificates.GetCertificate(t.Context(), &compliancepb.GetCertificateRequest{Name: p.order + "/certificate"}); reasonOf(err) != "ORDER_NOT_SIGNED" {
				t.Errorf("of a closed order: %v", err)
			}
			continue
		}
		p.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Found{Found: &historypb.Found{Finding: "a crack in the case"}}})
		p.record()
		p.sign(historypb.SignatureOutcome_SIGNATURE_OUTCOME_FAIL, "")
		want = append([]string{p.order + "/certificate"}, want...)
	}
	for _, size := range []int32{1, 2, 3, 50} {
		var got []string
		req := &compliancepb.ListCertificatesRequest{Parent: unit, PageSize: size}
		for {
			r, err := b.certificates.ListCertificates(t.Context(), req)
			if err != nil {
				t.Fatal(err)
			}
			if n := len(r.GetCertificates()); n > int(size) || n < int(size) && r.GetNextPageToken() != "" {
				t.Errorf("%d on a page of %d", n, size)
			}
			for _, c := range r.GetCertificates() {
				got = append(got, c.GetName())
				if c.GetOutcome() != historypb.SignatureOutcome_SIGNATURE_OUTCOME_FAIL || c.GetSigner() != b.ines || c.GetProcedure() != b.org+"/procedures/second-stage-overhaul" || c.GetSignTime() == nil {
					t.Errorf("%v", c)
				}
			}
			if req.PageToken = r.GetNextPageToken(); req.PageToken == "" {
				break
			}
		}
		if strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("by %d: %v, want %v", size, got, want)
		}
	}
	if _, err := b.certificates.ListCertificates(t.Context(), &compliancepb.ListCertificatesRequest{Parent: unit, PageToken: "x"}); reasonOf(err) != "PAGE_TOKEN_INVALID" {
		t.Errorf("%v", err)
	}
	// A unit that did not pass is not said to be fine.
	c := b.certificate(strings.TrimSuffix(want[0], "/certificate"))
	if c.GetStanding().GetMayHandOut() || len(c.GetStanding().GetHolds()) == 0 || !strings.Contains(c.GetStatement(), "did not pass") {
		t.Errorf("%v; %s", c.GetStanding(), c.GetStatement())
	}
}
