package main

import (
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// certificateView prints a certificate for people, in the time of its shop.
type certificateView struct {
	a    *app
	c    *compliancepb.Certificate
	zone *time.Location
	tags map[string]string
}

func (v certificateView) print() {
	a, c := v.a, v.c
	sig := c.GetSignature()
	a.paragraph(a.out, "", fmt.Sprintf("Certificate of %s of %s, signed %s: %s", c.GetProcedure().GetPurpose(), c.GetUnit().GetAssetTag(), v.at(sig.GetSignTime()), signatureWord(sig.GetOutcome())))
	a.rows("  ", v.head())
	v.title("Cautions")
	for _, s := range c.GetProcedure().GetCautions() {
		a.paragraph(a.out, "  ", s)
	}
	v.steps()
	if len(c.GetFindings()) > 0 {
		v.title("Found")
		for _, f := range c.GetFindings() {
			a.paragraph(a.out, "  ", noted(fmt.Sprintf("%s  %s: %s", v.at(f.GetFindTime()), f.GetTechnician().GetDisplayName(), f.GetFinding()), f.GetNote()))
		}
	}
	v.tests()
	v.parts()
	v.stations()
	v.withdrawals()
	v.work()
	v.standing()
	v.title("What this says")
	a.paragraph(a.out, "  ", c.GetStatement())
}

// timed is a timestamp.
type timed interface{ AsTime() time.Time }

func (v certificateView) at(t timed) string {
	if v.zone == nil {
		return t.AsTime().UTC().Format("2006-01-02 15:04Z")
	}
	return t.AsTime().In(v.zone).Format("2006-01-02 15:04")
}

func (v certificateView) title(s string) { v.a.printf("\n%s\n", s) }

// noted adds a note to a line.
func noted(line, note string) string {
	if note != "" {
		line += " (" + note + ")"
	}
	return line
}

func (v certificateView) head() [][2]string {
	c, u, p, s, sig := v.c, v.c.GetUnit(), v.c.GetProcedure(), v.c.GetShop(), v.c.GetSignature()
	var l labels
	what := []string{u.GetKind(), u.GetModelDisplayName()}
	for _, w := range [][2]string{{"by ", u.GetMaker()}, {"", u.GetSize()}, {"serial ", u.GetSerialNumber()}, {"made ", showDate(u.GetManufactureDate())}} {
		if w[1] != "" {
			what = append(what, w[0]+w[1])
		}
	}
	l.add("unit", u.GetAssetTag()+", "+strings.Join(what, ", "))
	l.add("shop", fmt.Sprintf("%s, %s (%s)", s.GetDisplayName(), s.GetOrgDisplayName(), s.GetJurisdiction()))
	l.add("by", fmt.Sprintf("%s revision %d: %s", lastID(p.GetProcedure()), p.GetRevision(), p.GetTitle()))
	l.add("does", joined(p.GetActivities()))
	l.add("came in", c.GetIntake())
	l.add("opened", v.at(c.GetOpenTime())+" by "+c.GetOpener().GetDisplayName())
	l.add("signed", v.at(sig.GetSignTime())+" by "+sig.GetSigner().GetDisplayName()+qualified(sig.GetQualification()))
	l.add("note", sig.GetNote())
	l.add("order", lastID(c.GetOrder()))
	l.add("ledger", fmt.Sprintf("entry %d, digest %s", sig.GetReceipt().GetSequence(), hex.EncodeToString(sig.GetReceipt().GetDigest())))
	return l
}

// qualified says by what somebody signed.
func qualified(q *historypb.SignerQualification) string {
	if q == nil {
		return ""
	}
	text := ", qualified for " + q.GetActivity()
	if q.GetKind() != "" {
		text += " of " + q.GetKind()
	}
	if q.GetIssuer() != "" {
		text += " by " + q.GetIssuer()
	}
	if q.GetValidThroughDate() != nil {
		text += " through " + showDate(q.GetValidThroughDate())
	}
	return text
}

func (v certificateView) steps() {
	a := v.a
	v.title("Done")
	for _, s := range v.c.GetSteps() {
		line := fmt.Sprintf("%s  %s  %s", v.at(s.GetDoneTime()), s.GetStep(), s.GetTechnician().GetDisplayName())
		if s.GetChecker() != nil {
			line += ", checked by " + s.GetChecker().GetDisplayName()
		} else if s.GetSecondPerson() {
			line += ", checked by nobody"
		}
		if s.GetSuperseded() {
			line += ", done again later"
		}
		a.paragraph(a.out, "  ", line)
		a.paragraph(a.out, "    ", s.GetDo())
		for _, m := range s.GetMeasured() {
			a.paragraph(a.out, "    ", measuredWords(m))
		}
		if s.GetNote() != "" {
			a.paragraph(a.out, "    ", "note: "+s.GetNote())
		}
	}
	if len(v.c.GetStepsNotDone()) > 0 {
		v.title("Not done")
		for _, s := range v.c.GetStepsNotDone() {
			line := s.GetStep() + ": " + s.GetDo()
			if s.GetWhen() != "" {
				line += " Only if " + s.GetWhen() + "."
			}
			if s.GetCritical() {
				line += " CRITICAL."
			}
			a.paragraph(a.out, "  ", line)
		}
	}
}

func measuredWords(m *compliancepb.CertifiedBound) string {
	var limits []string
	if m.GetAtLeast() != nil {
		limits = append(limits, "at least "+quantityText(m.GetAtLeast()))
	}
	if m.GetAtMost() != nil {
		limits = append(limits, "at most "+quantityText(m.GetAtMost()))
	}
	text := fmt.Sprintf("%s: %s (%s)", m.GetTitle(), quantityText(m.GetQuantity()), strings.Join(limits, ", "))
	if m.GetOutOfBounds() {
		text += " OUT OF BOUNDS"
	}
	return text
}

func (v certificateView) tests() {
	a := v.a
	if len(v.c.GetTests()) == 0 {
		return
	}
	v.title("Tested")
	for _, t := range v.c.GetTests() {
		line := fmt.Sprintf("%s  %s: %s, by %s", v.at(t.GetMadeTime()), t.GetTitle(), strings.ToUpper(verdictWord(t.GetJudgement().GetVerdict())), t.GetTechnician().GetDisplayName())
		if t.GetAsFound() {
			line += ", as found"
		}
		if t.GetSuperseded() {
			line += ", made again later"
		}
		if t.GetAfterSignature() {
			line += ", RECORDED AFTER THE SIGNATURE"
		}
		a.paragraph(a.out, "  ", line)
		for _, r := range t.GetReadings() {
			a.paragraph(a.out, "    ", readingWords(r))
		}
		for _, r := range t.GetJudgement().GetReasons() {
			a.paragraph(a.out, "    ", r)
		}
		for _, r := range t.GetJudgement().GetResults() {
			a.paragraph(a.out, "    ", r.GetSentence()+" Source: "+sourceLine(r.GetSource())+".")
		}
		for _, i := range t.GetInstruments() {
			a.paragraph(a.out, "    ", instrumentWords(i))
		}
		if k := t.GetCalibration(); k != nil {
			a.paragraph(a.out, "    ", "good through "+showDate(k.GetThroughDate()))
		}
		if t.GetNote() != "" {
			a.paragraph(a.out, "    ", "note: "+t.GetNote())
		}
	}
}

// readingWords says what was read, as it was entered and in the SI.
func readingWords(r *compliancepb.CertifiedReading) string {
	title := r.GetTitle()
	if title == "" {
		title = r.GetReading().GetName()
	}
	var si []string
	for _, q := range r.GetSi() {
		si = append(si, quantityWord(q))
	}
	var said string
	switch x := r.GetReading().GetValue().(type) {
	case *historypb.Reading_Quantity:
		said = quantityText(x.Quantity)
	case *historypb.Reading_Series:
		var all []string
		for _, s := range x.Series.GetSamples() {
			all = append(all, quantityText(s.GetQuantity())+" at "+quantityText(s.GetElapsed()))
		}
		return title + ": " + strings.Join(all, ", ")
	case *historypb.Reading_Choice:
		said = x.Choice
	case *historypb.Reading_Yes:
		said = yesNo(x.Yes)
	case *historypb.Reading_Count:
		said = fmt.Sprint(x.Count)
	}
	if len(si) == 1 && si[0] != said {
		said += " = " + si[0]
	}
	return title + ": " + said
}

func instrumentWords(i *compliancepb.CertifiedInstrument) string {
	text := fmt.Sprintf("with %s, %s", i.GetAssetTag(), i.GetInstrument().GetKind())
	if i.GetSerialNumber() != "" {
		text += ", serial " + i.GetSerialNumber()
	}
	switch in := i.GetInstrument(); {
	case in.GetCalibrationDate() == nil:
		text += ", NOT CALIBRATED"
	default:
		text += fmt.Sprintf(", calibrated %s, due %s", showDate(in.GetCalibrationDate()), showDate(in.GetCalibrationDueDate()))
	}
	if i.GetInstrument().GetOutOfTolerance() {
		text += ", OUT OF TOLERANCE"
	}
	return text
}

func (v certificateView) parts() {
	if len(v.c.GetParts()) == 0 {
		return
	}
	v.title("Parts")
	t := newTable("~part", ">removed", ">absent", ">discarded", ">fitted", ">refitted", "~from")
	for _, p := range v.c.GetParts() {
		var lots []string
		for _, l := range p.GetLots() {
			lots = append(lots, certifiedLot(l))
		}
		t.row(p.GetTitle(), countWord(p.GetRemoved()), countWord(p.GetAbsent()), countWord(p.GetDiscarded()), countWord(p.GetFitted()), countWord(p.GetRefitted()), strings.Join(lots, "; "))
	}
	t.write(v.a.out, "  ", v.a.columns)
}

func certifiedLot(l *compliancepb.CertifiedLot) string {
	text := lastID(l.GetLot())
	if !l.GetRegistered() {
		return text + ", NOT REGISTERED"
	}
	if l.GetLotNumber() != "" {
		text += ", lot " + l.GetLotNumber()
	}
	if l.GetExpireDate() != nil {
		text += ", good through " + showDate(l.GetExpireDate())
	}
	return text
}

func (v certificateView) stations() {
	if len(v.c.GetStationWork()) == 0 {
		return
	}
	v.title("Done by approved stations, as theirs")
	for _, s := range v.c.GetStationWork() {
		line := fmt.Sprintf("%s  %s by %s, approval %s", v.at(s.GetOccurredTime()), s.GetActivity(), s.GetProvider(), s.GetApproval())
		if s.GetMarkDate() != nil {
			line += ", marked " + showDate(s.GetMarkDate())
		}
		if s.GetPassed() {
			line += ": pass"
		} else {
			line += ": FAIL"
		}
		if s.GetSuperseded() {
			line += ", told again later"
		}
		v.a.paragraph(v.a.out, "  ", noted(line, s.GetNote()))
	}
}

func (v certificateView) withdrawals() {
	if len(v.c.GetWithdrawals()) == 0 {
		return
	}
	v.title("Recorded and withdrawn: it never happened")
	for _, w := range v.c.GetWithdrawals() {
		v.a.paragraph(v.a.out, "  ", fmt.Sprintf("%s  %s; withdrawn by %s: %s", v.at(w.GetEvent().GetOccurredTime()), eventWords(w.GetEvent()), w.GetTechnician().GetDisplayName(), w.GetReason()))
	}
}

func (v certificateView) work() {
	v.title("In the unit's history")
	for _, w := range v.c.GetWork() {
		line := fmt.Sprintf("%s  %s: %s", v.at(w.GetOccurredTime()), joined(w.GetActivities()), outcomeWord(w.GetOutcome()))
		if w.GetProvider() != "" {
			line += ", by " + w.GetProvider()
		}
		if w.GetMarkDate() != nil {
			line += ", marked " + showDate(w.GetMarkDate())
		}
		v.a.paragraph(v.a.out, "  ", line)
		for _, k := range w.GetCorrections() {
			what := "CORRECTED "
			if k.GetNeverHappened() {
				what = "CORRECTED, IT NEVER HAPPENED "
			}
			v.a.paragraph(v.a.out, "    ", what+v.at(k.GetOccurredTime())+": "+k.GetReason())
		}
	}
}

func (v certificateView) standing() {
	a, s := v.a, v.c.GetStanding()
	v.title("Where it stands at " + v.at(s.GetInstant()))
	a.printf("  may be handed out  %s\n  may be filled      %s\n", yesNo(s.GetMayHandOut()), yesNo(s.GetMayFill()))
	for _, r := range s.GetReasons() {
		a.paragraph(a.out, "  ", fmt.Sprintf("%s [blocks %s]", r.GetSentence(), usesWord(r.GetBlocks())))
	}
	if len(s.GetHolds()) > 0 {
		v.title("Open holds")
		t := newTable("since", "unit", "cause", "blocks", "~reason", "~lifted by")
		for _, h := range s.GetHolds() {
			t.row(v.at(h.GetOpenTime()), v.tags[unitOf(h.GetName())], causeWord(h.GetCause()), usesWord(h.GetBlocks()), h.GetReason(), liftedBy(h))
		}
		t.write(a.out, "  ", a.columns)
	}
	v.title("Next due")
	if len(s.GetNextDue()) == 0 {
		a.paragraph(a.out, "  ", "No rule runs on it: nothing says when.")
		return
	}
	t := newTable("last day", "left", "state", "activity", "~rule", "~source")
	for _, c := range s.GetNextDue() {
		activity := c.GetActivity()
		if c.GetEndOfLife() {
			activity = "end of life"
		}
		t.row(showDate(c.GetDueDate()), leftWord(c), clockState(c), activity, c.GetTitle(), sourceLine(c.GetSource()))
	}
	t.write(a.out, "  ", a.columns)
}
