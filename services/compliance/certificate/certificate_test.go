package certificate

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

const (
	org   = "orgs/reef"
	unit  = org + "/units/00000000-0000-4000-8000-0000000000ff"
	order = org + "/orders/00000000-0000-4000-8000-000000000001"
	ines  = org + "/technicians/ines"
	bo    = org + "/technicians/bo"
)

var start = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)

// ledger writes the entries of an order, a second and a number apart.
type ledger struct {
	entries []*historypb.Entry
	at      time.Time
}

func id(n int) string { return fmt.Sprintf("00000000-0000-4000-8000-%012d", n) }

// add appends an event and returns its id.
func (l *ledger) add(e *historypb.OrderEvent) string {
	n := len(l.entries) + 1
	l.at = l.at.Add(time.Second)
	by := e.GetTechnician()
	if by == "" {
		by = ines
	}
	note := e.GetNote()
	e = proto.CloneOf(e)
	e.Technician, e.Note, e.Order = "", "", order
	l.entries = append(l.entries, &historypb.Entry{
		Name: unit + "/entries/" + id(n), OccurredTime: timestamppb.New(l.at), RecordedTime: timestamppb.New(l.at.Add(time.Hour)), Sequence: int64(10 + n), Digest: []byte{byte(n)}, Technician: by, Note: note,
		Detail: &historypb.Entry_OrderEvent{OrderEvent: e},
	})
	return id(n)
}

func opened() *ledger {
	l := &ledger{at: start}
	l.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Opened{Opened: &historypb.OrderOpened{Procedure: "care", Revision: 3, Purpose: "care", Activities: []string{"care"}, Kind: "stage", Model: "m"}}})
	return l
}

func (l *ledger) sign(o historypb.SignatureOutcome) {
	l.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_Signed{Signed: &historypb.OrderSigned{Outcome: o, Qualification: &historypb.SignerQualification{Activity: "care", Person: "Ines As She Was"}}}})
}

func did(step string) *historypb.OrderEvent {
	return &historypb.OrderEvent{Detail: &historypb.OrderEvent_StepDone{StepDone: &historypb.StepDone{Step: step}}}
}

func withdrew(event string) *historypb.OrderEvent {
	return &historypb.OrderEvent{Detail: &historypb.OrderEvent_Withdrawn{Withdrawn: &historypb.Withdrawn{Event: event, Reason: "a mistake"}}}
}

func moved(part string, m historypb.PartMove, n int32, lot string) *historypb.OrderEvent {
	p := &historypb.PartMoved{Part: part, Move: m, Count: n}
	if lot != "" {
		p.Lot = org + "/lots/" + lot
	}
	return &historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: p}}
}

func tested(step string, v historypb.Verdict) *historypb.OrderEvent {
	return &historypb.OrderEvent{Detail: &historypb.OrderEvent_TestMade{TestMade: &historypb.TestMade{Step: step, Test: "tight", Judgement: &historypb.Judgement{Verdict: v}}}}
}

func mm(value string) *historypb.Quantity { return &historypb.Quantity{Value: value, Unit: "mm"} }

// sources are what belongs to the entries of a ledger.
func (l *ledger) sources() Sources {
	bound := &historypb.Bound{Id: "travel", Title: "travel", AtLeast: mm("0.5"), Below: historypb.OutOfBounds_OUT_OF_BOUNDS_FLAG, AtMost: mm("1"), Above: historypb.OutOfBounds_OUT_OF_BOUNDS_REFUSE}
	return Sources{
		Order: &historypb.Order{Name: order, Unit: unit}, Entries: l.entries,
		Procedure: &historypb.PublishedProcedure{Procedure: &historypb.Procedure{
			Name: org + "/procedures/care", Revision: 3,
			Parts: []*historypb.Part{{Id: "seal", Title: "a seal"}, {Id: "screw", Title: "a screw"}},
			Tests: []*historypb.ProcedureTest{{Activity: "leak-test", Spec: &historypb.TestSpec{Id: "tight", Title: "Tight"}}},
			Steps: []*historypb.Step{
				{Id: "a", Do: "A.", Bounds: []*historypb.Bound{bound}, Critical: true}, {Id: "b", Do: "B.", SecondPerson: true, Tests: []*historypb.StepTest{{Test: "tight"}}},
				{Id: "c", Do: "C.", When: "it is bent"}, {Id: "d", Do: "D.", Kinds: []string{"cylinder"}},
			},
		}},
		Org: &registrypb.Org{}, Shop: &registrypb.Shop{}, Unit: &registrypb.Unit{Name: unit},
		Technicians: map[string]*registrypb.Technician{ines: {DisplayName: "Ines As She Is"}, bo: {DisplayName: "Bo"}},
		Lots:        map[string]*historypb.Lot{org + "/lots/known": {LotNumber: "B 118", ExpireDate: &date.Date{Year: 2028, Month: 3}}},
		Standing:    &compliancepb.Standing{Unit: unit, MayHandOut: true, MayFill: true},
	}
}

func (l *ledger) certificate(t testing.TB) *compliancepb.Certificate {
	t.Helper()
	c, err := Make(l.sources())
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestOutOfBounds: a limit is still within; what is beyond one says what that means, in whatever unit it was measured; what cannot be compared is beyond.
func TestOutOfBounds(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		give *historypb.Quantity
		out  bool
		want historypb.OutOfBounds
	}{
		{mm("0.5"), false, 0},
		{mm("1.0"), false, 0},
		{mm("1.0000000000000000001"), true, historypb.OutOfBounds_OUT_OF_BOUNDS_REFUSE},
		{mm("0.4999999999999999999"), true, historypb.OutOfBounds_OUT_OF_BOUNDS_FLAG},
		{&historypb.Quantity{Value: "0.1", Unit: "cm"}, false, 0},
		{&historypb.Quantity{Value: "0.04", Unit: "in"}, true, historypb.OutOfBounds_OUT_OF_BOUNDS_REFUSE}, // 1.016 mm: an inch is 25.4 mm exactly (NIST SP 811, appendix B, from memory)
		{&historypb.Quantity{Value: "0.039", Unit: "in"}, false, 0},                                        // 0.9906 mm
		{&historypb.Quantity{Value: "1", Unit: "s"}, true, historypb.OutOfBounds_OUT_OF_BOUNDS_FLAG},
		{&historypb.Quantity{Value: "1", Unit: "twist"}, true, historypb.OutOfBounds_OUT_OF_BOUNDS_FLAG},
	} {
		l := opened()
		l.add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_StepDone{StepDone: &historypb.StepDone{Step: "a", Measured: []*historypb.MeasuredBound{{Bound: "travel", Quantity: c.give}}}}})
		l.sign(historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS)
		m := l.certificate(t).GetSteps()[0].GetMeasured()[0]
		if m.GetOutOfBounds() != c.out || m.GetConsequence() != c.want {
			t.Errorf("%v: out %t, %v; want %t, %v", c.give, m.GetOutOfBounds(), m.GetConsequence(), c.out, c.want)
		}
	}
}

// TestNothingIsLeftOut: what was done better later, withdrawn, told late or never registered stays visible as what it is.
func TestNothingIsLeftOut(t *testing.T) {
	t.Parallel()
	l := opened()
	l.add(did("a"))
	gone := l.add(did("b"))
	l.add(withdrew(gone))
	failed := l.add(tested("b", historypb.Verdict_VERDICT_FAIL))
	l.add(withdrew(failed)) // a test is not withdrawn
	l.add(did("a"))
	l.add(moved("seal", historypb.PartMove_PART_MOVE_REMOVED, 2, ""))
	l.add(moved("seal", historypb.PartMove_PART_MOVE_DISCARDED, 2, ""))
	l.add(moved("seal", historypb.PartMove_PART_MOVE_FITTED, 2, "known"))
	l.add(moved("seal", historypb.PartMove_PART_MOVE_REMOVED, 1, "known"))
	l.add(moved("seal", historypb.PartMove_PART_MOVE_FITTED, 1, "unknown"))
	for _, passed := range []bool{false, true} {
		l.add(&historypb.OrderEvent{Note: "by post", Detail: &historypb.OrderEvent_StationWork{StationWork: &historypb.StationWork{Activity: "hydrostatic-test", Provider: "A station", Approval: "X 1", MarkDate: &date.Date{Year: 2026, Month: 5}, Passed: passed}}})
	}
	l.add(tested("b", historypb.Verdict_VERDICT_PASS))
	l.sign(historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS)
	l.at = start.Add(4 * time.Second) // made before the signature, and told after it
	l.add(tested("b", historypb.Verdict_VERDICT_INCONCLUSIVE))
	c := l.certificate(t)

	if s := c.GetSteps(); len(s) != 2 || !s[0].GetSuperseded() || s[1].GetSuperseded() || s[0].GetStep() != "a" {
		t.Errorf("steps %v", s)
	}
	if n := c.GetStepsNotDone(); len(n) != 2 || n[0].GetStep() != "b" || n[1].GetWhen() != "it is bent" {
		t.Errorf("not done %v", n)
	}
	if w := c.GetWithdrawals(); len(w) != 1 || w[0].GetEvent().GetStepDone().GetStep() != "b" || w[0].GetReason() != "a mistake" || w[0].GetEntry() != unit+"/entries/"+gone {
		t.Errorf("withdrawn %v", w)
	}
	var tests []string
	for _, e := range c.GetTests() {
		tests = append(tests, fmt.Sprintf("%d %s late %t made again %t", e.GetAttempt(), e.GetJudgement().GetVerdict(), e.GetAfterSignature(), e.GetSuperseded()))
	}
	if d := cmp.Diff([]string{
		"1 VERDICT_FAIL late false made again true", "2 VERDICT_INCONCLUSIVE late true made again true", "3 VERDICT_PASS late false made again false",
	}, tests); d != "" {
		t.Errorf("tests (-want +got)\n%s", d)
	}
	p := c.GetParts()
	if len(p) != 1 || p[0].GetRemoved() != 3 || p[0].GetDiscarded() != 2 || p[0].GetFitted() != 3 || len(p[0].GetLots()) != 2 {
		t.Fatalf("parts %v", p)
	}
	if k, u := p[0].GetLots()[0], p[0].GetLots()[1]; !k.GetRegistered() || k.GetLotNumber() != "B 118" || k.GetFitted() != 2 || k.GetTakenOut() != 1 || u.GetRegistered() || u.GetFitted() != 1 {
		t.Errorf("lots %v, %v", k, u)
	}
	s := c.GetStationWork()
	if len(s) != 2 || s[0].GetPassed() || !s[0].GetSuperseded() || !s[1].GetPassed() || s[1].GetSuperseded() || s[1].GetApproval() != "X 1" || s[1].GetNote() != "by post" {
		t.Errorf("stations %v", s)
	}
	if n := c.GetSignature().GetSigner().GetDisplayName(); n != "Ines As She Was" {
		t.Errorf("signed by %q", n)
	}
	for _, want := range []string{"recorded after the signature", "station's own papers", "licensed practice come first"} {
		if !strings.Contains(c.GetStatement(), want) {
			t.Errorf("the statement does not say %q: %s", want, c.GetStatement())
		}
	}
	if n := len(c.GetReceipts()); n != len(l.entries) {
		t.Errorf("%d receipts of %d entries", n, len(l.entries))
	}
}

// TestStatement never lets a signature stand for more than it says.
func TestStatement(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		outcome       historypb.SignatureOutcome
		handOut, fill bool
		want, not     string
	}{
		{historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS, true, true, "procedure was followed", "may not be"},
		{historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS, false, true, "may not be handed out:", "or filled"},
		{historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS, true, false, "may not be filled:", "handed out"},
		{historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS, false, false, "may not be handed out or filled:", "condemned"},
		{historypb.SignatureOutcome_SIGNATURE_OUTCOME_FAIL, false, false, "did not pass", "procedure was followed"},
		{historypb.SignatureOutcome_SIGNATURE_OUTCOME_CONDEMNED, false, false, "is condemned: it is never used again", "procedure was followed"},
		{historypb.SignatureOutcome_SIGNATURE_OUTCOME_UNSPECIFIED, true, true, "did not pass", "procedure was followed"},
	} {
		got := statement(&compliancepb.Certificate{Signature: &compliancepb.CertifiedSignature{Outcome: c.outcome}, Standing: &compliancepb.CertifiedStanding{MayHandOut: c.handOut, MayFill: c.fill}})
		if !strings.Contains(got, c.want) || strings.Contains(got, c.not) {
			t.Errorf("%v %t %t: %s", c.outcome, c.handOut, c.fill, got)
		}
	}
}

// TestArrival: the same entries in whatever order, among others of the unit, give the same certificate.
func TestArrival(t *testing.T) {
	t.Parallel()
	l := opened()
	l.add(did("a"))
	l.add(tested("b", historypb.Verdict_VERDICT_FAIL))
	l.add(&historypb.OrderEvent{Technician: bo, Detail: &historypb.OrderEvent_StepChecked{StepChecked: &historypb.StepChecked{Step: "a"}}})
	l.add(moved("screw", historypb.PartMove_PART_MOVE_REFITTED, 1, ""))
	l.sign(historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS)
	want := l.certificate(t)
	if c := want.GetSteps()[0]; c.GetChecker().GetDisplayName() != "Bo" || c.GetCheckTime() == nil || c.GetCheckEntry() == "" {
		t.Errorf("checked %v", c)
	}
	l.entries = append(l.entries, &historypb.Entry{Name: unit + "/entries/" + id(900), Detail: &historypb.Entry_Service{Service: &historypb.Service{Activities: []string{"rinse"}}}})
	other := proto.CloneOf(l.entries[1])
	other.Name, other.GetOrderEvent().Order = unit+"/entries/"+id(901), org+"/orders/"+id(2)
	l.entries = append(l.entries, other)
	for seed := range uint64(20) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		rnd.Shuffle(len(l.entries), func(i, j int) { l.entries[i], l.entries[j] = l.entries[j], l.entries[i] })
		if d := cmp.Diff(want, l.certificate(t), protocmp.Transform()); d != "" {
			t.Fatalf("seed %d (-want +got)\n%s", seed, d)
		}
	}
}

// TestSourcesThatDoNotBelongTogether are refused.
func TestSourcesThatDoNotBelongTogether(t *testing.T) {
	t.Parallel()
	l := opened()
	if _, err := Make(l.sources()); err == nil {
		t.Error("an order without a signature")
	}
	l.sign(historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS)
	for what, change := range map[string]func(*Sources){
		"another revision": func(s *Sources) { s.Procedure.Procedure.Revision = 4 },
		"another unit":     func(s *Sources) { s.Standing.Unit = unit[:len(unit)-1] + "0" },
		"another order":    func(s *Sources) { s.Order.Name = org + "/orders/" + id(2) },
		"no opening":       func(s *Sources) { s.Entries = s.Entries[1:] },
	} {
		s := l.sources()
		change(&s)
		if c, err := Make(s); err == nil {
			t.Errorf("%s: %v", what, c)
		}
	}
}
