package compliance

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance/due"
)

// MaxWaiverDays is how many days after its first the last day of a waiver may be.
const MaxWaiverDays = 366

// CheckWaiver says what forbids a waiver that is granted on a day at its unit's shop, given every revision of the org's packs.
//
// The rule must stand in a revision that is in force on that day or comes later: one that only a superseded revision has binds
// nobody any more, and one that is published ahead may be waived ahead. If any of these revisions has it as law or as the end of a
// life the waiver is refused, for it would hold in some revisions and not in others without saying so.
func CheckWaiver(org tenant.Org, w *due.Waiver, today civil.Date, packs []due.Pack) error {
	var bad []errs.Violation
	if w.From < today {
		bad = append(bad, errs.Violation{Field: "waiver.start_date", Value: w.From.String(), Description: "must not be before today at the unit's shop, " + today.String() + "; leave it out to begin today"})
	}
	switch {
	case w.To < w.From:
		bad = append(bad, errs.Violation{Field: "waiver.end_date", Value: w.To.String(), Description: "must not be before the first day, " + w.From.String()})
	case w.To > w.From.AddDays(MaxWaiverDays):
		bad = append(bad, errs.Violation{Field: "waiver.end_date", Value: w.To.String(), Description: fmt.Sprintf("must not be more than %d days after the first, %s: at the latest %s", MaxWaiverDays, w.From, w.From.AddDays(MaxWaiverDays))})
	}
	if len(bad) > 0 {
		return errs.Fields(bad...)
	}
	name := resname.RuleName(org, w.Pack, w.Rule)
	rules := due.RuleFrom(packs, w.Pack, w.Rule, today)
	if len(rules) == 0 {
		e := errs.Missing(name)
		e.Message = name + " does not exist in a revision of its pack that is in force or yet to come"
		return e
	}
	for _, r := range rules {
		if r.Waivable() {
			continue
		}
		why := "it is a rule of law"
		if r.EndOfLife {
			why = "it ends the unit's life"
		}
		return errs.New(errs.Precondition, "RULE_NOT_WAIVABLE", fmt.Sprintf("no waiver excuses from %q: %s", r.Title, why), "rule", name, "title", r.Title, "why", why)
	}
	return nil
}

// WaiverQuery asks for waivers, the last granted first.
type WaiverQuery struct {
	Unit  uuid.UUID // only this unit's; zero for all
	Ended bool      // also those that have ended or were revoked
	At    time.Time // the present, or with Past the instant asked about
	Past  bool      // as they stood at that instant: what came later does not count
	Known time.Time // with Past, only what was recorded by then counts; zero for all
	After *WaiverKey
	Limit int
}

// WaiverKey is the place of a waiver in a list: the last granted first, then by id backwards.
type WaiverKey struct {
	Granted time.Time
	ID      uuid.UUID
}
