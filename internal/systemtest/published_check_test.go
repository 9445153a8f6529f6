package systemtest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// check compares a standing with what the case expects.
func (c *publishedCase) check(t *testing.T, s *compliancepb.Standing) {
	t.Helper()
	if s.GetMayFill() != c.MayFill || s.GetMayHandOut() != c.MayHandOut {
		t.Errorf("may fill %v, may hand out %v; want %v, %v", s.GetMayFill(), s.GetMayHandOut(), c.MayFill, c.MayHandOut)
	}
	var reasons []string
	for _, r := range s.GetReasons() {
		reasons = append(reasons, strings.TrimPrefix(r.GetCode().String(), "REASON_"))
	}
	slices.Sort(reasons)
	if reasons = slices.Compact(reasons); !slices.Equal(reasons, c.Reasons) {
		t.Errorf("reasons %v, want %v: %v", reasons, c.Reasons, s.GetReasons())
	}
	if (len(s.GetReasons()) == 0) != (s.GetMayFill() && s.GetMayHandOut()) {
		t.Errorf("a no without a reason, or a reason without a no: %v", s.GetReasons())
	}
	if k := findClock(s, c.NoClock); c.NoClock != "" && k != nil {
		t.Errorf("rule %s runs and should not", c.NoClock)
	}
	if c.Clock == "" {
		return
	}
	k := findClock(s, c.Clock)
	if k == nil {
		t.Fatalf("rule %s does not run; clocks: %v", c.Clock, s.GetClocks())
	}
	c.checkClock(t, k)
}

// checkClock compares the clock that the case is about.
func (c *publishedCase) checkClock(t *testing.T, k *compliancepb.Clock) {
	t.Helper()
	same := func(what, got, want string) {
		t.Helper()
		if want != "" && got != want {
			t.Errorf("%s %s, want %s", what, got, want)
		}
	}
	same("state", strings.TrimPrefix(k.GetState().String(), "STATE_"), c.State)
	same("authority", strings.TrimPrefix(k.GetAuthority().String(), "AUTHORITY_"), c.Authority)
	same("due", isoDate(k.GetDueDate()), c.DueDate)
	same("phased in up to", isoDate(k.GetPhaseInDate()), c.PhaseIn)
	anchor := k.GetAnchorEntry()
	if anchor == "" {
		anchor = strings.TrimPrefix(k.GetAnchorBaseline().String(), "BASELINE_")
	}
	same("anchor", anchor, c.Anchor)

	number := func(what string, limited bool, got int64, want *int64) {
		t.Helper()
		if want != nil && (!limited || got != *want) {
			t.Errorf("%s %d (limited: %v), want %d", what, got, limited, *want)
		}
	}
	number("dives left", k.DivesLeft != nil, k.GetDivesLeft(), c.DivesLeft)
	number("fills left", k.FillsLeft != nil, k.GetFillsLeft(), c.FillsLeft)
	number("dives estimated", true, k.GetDivesEstimated(), c.Estimated.Dives)
	number("fills estimated", true, k.GetFillsEstimated(), c.Estimated.Fills)
	hours := func(what string, limited bool, got time.Duration, want string) {
		t.Helper()
		if want == "" {
			return
		}
		d, err := time.ParseDuration(want)
		if err != nil {
			t.Fatal(err)
		}
		if !limited || got != d {
			t.Errorf("%s %v (limited: %v), want %v", what, got, limited, d)
		}
	}
	hours("hours left", k.GetRunningTimeLeft() != nil, k.GetRunningTimeLeft().AsDuration(), c.HoursLeft)
	hours("hours used", true, k.GetRunningTimeUsed().AsDuration(), c.HoursUsed)
	hours("hours estimated", true, k.GetRunningTimeEstimated().AsDuration(), c.Estimated.Hours)
	if c.Waived != nil && (k.GetWaiver() != "") != *c.Waived {
		t.Errorf("waiver %q, want one: %v", k.GetWaiver(), *c.Waived)
	}

	told := strings.Join(k.GetExplanation(), " ")
	if told == "" {
		t.Error("the clock explains nothing")
	}
	for _, s := range c.Says {
		if !strings.Contains(told, s) {
			t.Errorf("the explanation does not say %q: %s", s, told)
		}
	}
	for _, s := range c.SaysNot {
		if strings.Contains(told, s) {
			t.Errorf("the explanation says %q: %s", s, told)
		}
	}
}

// isoDate writes a date, and nothing for none.
func isoDate(d *date.Date) string {
	if d == nil {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

// findClock returns the clock of {pack}/{rule} on the unit asked about.
func findClock(s *compliancepb.Standing, rule string) *compliancepb.Clock {
	pack, id, _ := strings.Cut(rule, "/")
	for _, k := range s.GetClocks() {
		if strings.HasSuffix(k.GetRule(), "rulePacks/"+pack+"/rules/"+id) {
			return k
		}
	}
	return nil
}
