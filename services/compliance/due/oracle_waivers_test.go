package due_test

import (
	"testing"

	"strandline.example/strandline/services/compliance/due"
)

// waived says whether a signed waiver covers the day: from the day it was granted at the earliest, until its last, and no longer than
// the day before it was revoked.
func (o *oracle) waived(u int, p *wPack, k wRule, c running, today ymd) bool {
	if k.authority == "law" || k.life || c.from.y == 0 {
		return false
	}
	for _, v := range o.w.waivers {
		if v.unit != u || v.pack != p.id || v.rule != k.id || v.granted.After(o.at) || !o.isKnown(v.granted) {
			continue
		}
		covers := number(today) >= number(v.from) && number(today) <= number(v.to) && number(today) >= number(o.day(u, v.granted))
		if !v.revoked.IsZero() && !v.revoked.After(o.at) && o.isKnown(v.revoked) && number(today) >= number(o.day(u, v.revoked)) {
			covers = false
		}
		if covers {
			return true
		}
	}
	return false
}

// TestOracleWaivers compares histories with signed waivers, of rules that cannot be waived too.
func TestOracleWaivers(t *testing.T) {
	compare(t, 2_500, waivers, func(c *due.Clock, s *due.Standing, w *world) string {
		id, ok := c.Excused(s.On)
		switch {
		case ok && id == "":
			return "" // phased in
		case ok && c.State(s.On) == due.Overdue:
			return "overdue and waived"
		case ok:
			return "waived"
		case len(c.Waivers) > 0:
			return "another day"
		}
		for _, v := range w.waivers {
			if unitID(v.unit) == c.Unit && v.pack == c.Pack.ID && v.rule == c.Rule.ID && c.Blocking(s.On) {
				return "cannot be waived, or not yet"
			}
		}
		return ""
	}, "overdue and waived", "waived", "another day", "cannot be waived, or not yet")
}
