package certificate

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench"
	historyorder "strandline.example/strandline/services/history/order"
	"strandline.example/strandline/services/history/order/wire"
)

// TestAgreesWithHistory makes orders of random events. What a certificate says that counts is what history, which decided on the signature, says.
func TestAgreesWithHistory(t *testing.T) {
	t.Parallel()
	reef, _ := tenant.New("reef")
	for seed := range uint64(300) {
		rnd := rand.New(rand.NewPCG(seed, 7))
		pick := func(all ...string) string { return all[rnd.IntN(len(all))] }
		l := opened()
		ids := []string{id(1)}
		for range rnd.IntN(40) {
			var e *historypb.OrderEvent
			switch rnd.IntN(7) {
			case 0, 1:
				e = did(pick("a", "b", "c"))
				e.GetStepDone().Checker = pick("", "", ines, bo)
			case 2:
				e = &historypb.OrderEvent{Detail: &historypb.OrderEvent_StepChecked{StepChecked: &historypb.StepChecked{Step: pick("a", "b", "c")}}}
			case 3, 4:
				m := historypb.PartMove(1 + rnd.IntN(5))
				lot := ""
				if m == historypb.PartMove_PART_MOVE_FITTED || m == historypb.PartMove_PART_MOVE_REMOVED && rnd.IntN(2) == 0 {
					lot = pick("known", "unknown")
				}
				e = moved(pick("seal", "screw"), m, int32(1+rnd.IntN(3)), lot)
			case 5:
				e = tested(pick("a", "b"), historypb.Verdict(1+rnd.IntN(3)))
			case 6:
				e = withdrew(ids[rnd.IntN(len(ids))])
			}
			e.Technician = pick(ines, bo)
			ids = append(ids, l.add(e))
		}
		l.sign(historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS)
		var events []historyorder.Event
		for _, e := range l.entries {
			event, bad := wire.Event(reef, wire.Said{ID: uuid.MustParse(e.GetName()[len(unit+"/entries/"):]), Occurred: e.GetOccurredTime().AsTime(), By: e.GetTechnician()[len(org+"/technicians/"):]}, e.GetOrderEvent())
			if len(bad) > 0 {
				t.Fatal(bad)
			}
			events = append(events, event)
		}
		if want, got := tellFold(historyorder.Fold(events)), tellCertificate(l.certificate(t)); got != want {
			t.Fatalf("seed %d:\nhistory      %s\ncertificate  %s", seed, want, got)
		}
	}
}

// tellFold writes what counts of an order as history has it.
func tellFold(o historyorder.Order) (s string) {
	for _, step := range []string{"a", "b", "c"} {
		if d, ok := o.Steps[step]; ok && d.Times > 0 {
			s += fmt.Sprintf("%s %d times, at %s by %s checked by %q; ", step, d.Times, d.At.Format(time.TimeOnly), d.By, d.Checked)
		}
		if r, ok := o.Trials[historyorder.TrialOf{Step: step, Test: "tight"}]; ok {
			s += fmt.Sprintf("tested in %s at %s %d; ", step, r.At.Format(time.TimeOnly), r.Verdict)
		}
	}
	for _, part := range []string{"seal", "screw"} {
		if p, ok := o.Parts[part]; ok {
			s += fmt.Sprintf("%s %d %d %d %d %d", part, p.Removed, p.Absent, p.Discarded, p.Fitted, p.Refitted)
			for _, lot := range []string{"known", "unknown"} {
				if f, ok := p.Lots[lot]; ok {
					s += fmt.Sprintf(" %s %d-%d", lot, f.Fitted, f.TakenOut)
				}
			}
			s += "; "
		}
	}
	return s + fmt.Sprint(len(o.Withdrawn), " withdrawn")
}

// tellCertificate writes the same of a certificate.
func tellCertificate(c *compliancepb.Certificate) (s string) {
	verdicts := map[historypb.Verdict]bench.Verdict{historypb.Verdict_VERDICT_PASS: bench.Pass, historypb.Verdict_VERDICT_FAIL: bench.Fail, historypb.Verdict_VERDICT_INCONCLUSIVE: bench.Inconclusive}
	last := func(name string) string {
		if name == "" {
			return ""
		}
		return name[len(org+"/technicians/"):]
	}
	for _, step := range []string{"a", "b", "c"} {
		n := 0
		for _, d := range c.GetSteps() {
			if d.GetStep() != step {
				continue
			}
			if n++; !d.GetSuperseded() {
				s += fmt.Sprintf("%s %d times, at %s by %s checked by %q; ", step, n, d.GetDoneTime().AsTime().Format(time.TimeOnly), last(d.GetTechnician().GetTechnician()), last(d.GetChecker().GetTechnician()))
			}
		}
		for _, r := range c.GetTests() {
			if r.GetStep() == step && !r.GetSuperseded() {
				s += fmt.Sprintf("tested in %s at %s %d; ", step, r.GetMadeTime().AsTime().Format(time.TimeOnly), verdicts[r.GetJudgement().GetVerdict()])
			}
		}
	}
	for _, p := range c.GetParts() {
		s += fmt.Sprintf("%s %d %d %d %d %d", p.GetPart(), p.GetRemoved(), p.GetAbsent(), p.GetDiscarded(), p.GetFitted(), p.GetRefitted())
		for _, f := range p.GetLots() {
			s += fmt.Sprintf(" %s %d-%d", f.GetLot()[len(org+"/lots/"):], f.GetFitted(), f.GetTakenOut())
		}
		s += "; "
	}
	return s + fmt.Sprint(len(c.GetWithdrawals()), " withdrawn")
}
