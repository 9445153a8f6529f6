package certificate

import (
	"strings"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// statement says what the certificate says and what it does not.
func statement(c *compliancepb.Certificate) string {
	all := []string{"This certificate says what was recorded of the work on this unit, and of no other."}
	switch c.GetSignature().GetOutcome() {
	case historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS:
		all = append(all, "Whoever signed it says that the procedure was followed as recorded.")
	case historypb.SignatureOutcome_SIGNATURE_OUTCOME_CONDEMNED:
		all = append(all, "It was signed to say that the unit is condemned: it is never used again.")
	default:
		all = append(all, "It was signed to say that the unit did not pass: it is not fit for use by this work.")
	}
	for _, t := range c.GetTests() {
		if t.GetAfterSignature() && t.GetJudgement().GetVerdict() != historypb.Verdict_VERDICT_PASS {
			all = append(all, "A test that did not pass was recorded after the signature.")
			break
		}
	}
	for _, w := range c.GetWork() {
		if len(w.GetCorrections()) > 0 {
			all = append(all, "What it says was performed has been corrected since; the correction counts.")
			break
		}
	}
	if s := c.GetStanding(); !s.GetMayHandOut() || !s.GetMayFill() {
		what := "handed out or filled"
		switch {
		case s.GetMayHandOut():
			what = "filled"
		case s.GetMayFill():
			what = "handed out"
		}
		all = append(all, "At the instant that it was asked for, the unit may not be "+what+": the reasons stand in it.")
	}
	if len(c.GetStationWork()) > 0 {
		all = append(all, "Work of an approved station is the station's, and proven by the station's own papers.")
	}
	all = append(all,
		"It does not say that the unit is safe, or that it has not been used, dropped or opened since: look at it before it is used, and ask again where it stands.",
		"Local code, the maker's manual and licensed practice come first.",
	)
	return strings.Join(all, " ")
}
