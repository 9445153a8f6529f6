package compliancerpc

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	"strandline.example/strandline/internal/civil"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

func (r *questionReader) readWaivers(ps []*compliancepb.EvaluatedWaiver) {
	for i, p := range ps {
		at := fmt.Sprintf("waivers[%d]", i)
		w := due.Waiver{
			ID: fmt.Sprintf("#%d", i), Unit: r.unit(at+".unit", p.GetUnit()),
			From: r.day(at+".start_date", p.GetStartDate()), To: r.day(at+".end_date", p.GetEndDate()),
			Granted: r.instant(at+".grant_time", p.GetGrantTime()), Revoked: r.instant(at+".revoke_time", p.GetRevokeTime()),
		}
		w.Pack, w.Rule, _ = strings.Cut(p.GetRule(), "/")
		r.waivable(at+".rule", p.GetRule(), &w)
		switch days := int(w.To - w.From); {
		case w.From == 0 || w.To == 0: // said already
		case days < 0:
			r.bad(at+".end_date", dateText(p.GetEndDate()), "want a day not before start_date, "+dateText(p.GetStartDate()))
		case days > compliance.MaxWaiverDays:
			r.bad(at+".end_date", dateText(p.GetEndDate()), fmt.Sprintf("want a day at most %d days after start_date: an exception that lasts is a rule, so change the rule instead", compliance.MaxWaiverDays))
		}
		if !w.Revoked.IsZero() && w.Revoked.Before(w.Granted) {
			r.bad(at+".revoke_time", w.Revoked.Format(time.RFC3339), "want an instant not before grant_time")
		}
		r.input.Waivers = append(r.input.Waivers, w)
	}
}

// day reads a day that must be a full date; zero for one that is not.
func (r *questionReader) day(field string, d *date.Date) civil.Date {
	m, err := markOf(d)
	switch {
	case err != nil:
		r.bad(field, dateText(d), err.Error())
	case m.IsZero() || m.IsMonth():
		r.bad(field, dateText(d), "want a full date: year, month and day")
	default:
		return m.First()
	}
	return 0
}

// waivable refuses a waiver of a rule that no pack of the question has, or that cannot be waived in any revision of it.
func (r *questionReader) waivable(field, rule string, w *due.Waiver) {
	found, law, life := false, true, true
	for i := range r.input.Packs {
		p := &r.input.Packs[i]
		for k := range p.Rules {
			if p.ID == w.Pack && p.Rules[k].ID == w.Rule {
				found, law, life = true, law && p.Rules[k].Authority == due.Law, life && p.Rules[k].EndOfLife
			}
		}
	}
	switch {
	case !found:
		r.bad(field, rule, "want {pack}/{rule} with a pack and a rule of rule_packs, for example house/overhaul")
	case law:
		r.badFor("RULE_NOT_WAIVABLE", field, rule, "a rule of law cannot be waived: have the work done, or leave the waiver out")
	case life:
		r.badFor("RULE_NOT_WAIVABLE", field, rule, "an end of life cannot be waived: retire the unit, or leave the waiver out")
	}
}
