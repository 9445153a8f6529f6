package compliancerpc

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/packs"
)

// maxEvaluated bounds rules times units of one question: each pair is a clock to work out.
const maxEvaluated = 20_000

// maxViolations bounds how many violations one answer lists.
const maxViolations = 200

// questionReader reads a request and collects what is wrong with it.
type questionReader struct {
	question
	violations []errs.Violation
}

// readQuestion reads a request that has passed the checks its proto states.
func readQuestion(req *compliancepb.EvaluateRequest) (*question, []errs.Violation) {
	r := &questionReader{}
	r.instant("instant", req.GetInstant())
	r.instant("known_time", req.GetKnownTime())
	r.readUnits(req)
	r.readEntries(req.GetEntries())
	r.readFittings(req.GetFittings())
	r.readPacks(req)
	r.readWaivers(req.GetWaivers())
	return &r.question, r.violations[:min(len(r.violations), maxViolations)]
}

func (r *questionReader) bad(field, value, description string) {
	r.violations = append(r.violations, errs.Violation{Field: field, Value: value, Description: description, Reason: "INVALID_FIELD"})
}

func (r *questionReader) badFor(reason, field, value, description string) {
	r.violations = append(r.violations, errs.Violation{Field: field, Value: value, Description: description, Reason: reason})
}

// instant reads an instant that may be unset.
func (r *questionReader) instant(field string, p *timestamppb.Timestamp) time.Time {
	if p == nil {
		return time.Time{}
	}
	t := instantOf(p)
	if !p.IsValid() || t.Before(earliest) || t.After(latest) {
		r.bad(field, p.AsTime().Format(time.RFC3339), "want an instant of the years 1900 to 2999")
	}
	return t
}

// mark reads a date that may be unset, day 0 for a month.
func (r *questionReader) mark(field string, d *date.Date) civil.Mark {
	m, err := markOf(d)
	if err != nil {
		r.bad(field, dateText(d), err.Error())
	}
	return m
}

func (r *questionReader) readUnits(req *compliancepb.EvaluateRequest) {
	names := make([]string, len(req.GetUnits()))
	for i, u := range req.GetUnits() {
		if slices.Contains(names[:i], u.GetUnit()) {
			r.bad(fmt.Sprintf("units[%d].unit", i), u.GetUnit(), "the request has this unit twice")
		}
		names[i] = u.GetUnit()
	}
	r.units = callBy(names)
	for i, u := range req.GetUnits() {
		r.input.Units = append(r.input.Units, r.facts(fmt.Sprintf("units[%d]", i), u))
	}
	asked := req.GetUnit()
	if asked == "" && len(names) == 1 {
		asked = names[0]
	}
	r.input.Unit = r.unit("unit", asked)
}

// unit returns the id of a unit of the request.
func (r *questionReader) unit(field, name string) uuid.UUID {
	id, ok := r.units.ids[name]
	if !ok {
		r.bad(field, name, "want one of units[].unit")
	}
	return id
}

func (r *questionReader) facts(at string, u *compliancepb.UnitFacts) due.Facts {
	f := due.Facts{
		Unit: r.units.ids[u.GetUnit()], Kind: u.GetKind(), Maker: u.GetMaker(), Model: u.GetModel(), Serial: u.GetSerialNumber(),
		Size: u.GetSize(), Attributes: u.GetAttributes(),
		Manufactured: r.mark(at+".manufacture_date", u.GetManufactureDate()),
		Commissioned: r.mark(at+".commission_date", u.GetCommissionDate()),
		Retired:      r.instant(at+".retire_time", u.GetRetireTime()),
	}
	for i, s := range u.GetStays() {
		where := fmt.Sprintf("%s.stays[%d]", at, i)
		stay := due.Stay{From: r.instant(where+".start_time", s.GetStartTime()), Jurisdiction: s.GetJurisdiction(), Shop: s.GetShop()}
		zone, err := time.LoadLocation(s.GetTimeZone())
		if err != nil || s.GetTimeZone() == "Local" {
			r.bad(where+".time_zone", s.GetTimeZone(), "want an IANA time zone, for example Europe/Lisbon")
		}
		stay.Zone = zone
		if i > 0 && !stay.From.After(f.Stays[i-1].From) {
			r.bad(where+".start_time", stay.From.Format(time.RFC3339), "want stays earliest first, each but the first with a start_time")
		}
		f.Stays = append(f.Stays, stay)
	}
	return f
}

func (r *questionReader) readEntries(entries []*compliancepb.EvaluatedEntry) {
	names := make([]string, len(entries))
	index := make(map[string]int, len(entries))
	for i, e := range entries {
		names[i] = e.GetId()
		if names[i] == "" {
			names[i] = fmt.Sprintf("#%d", i)
		}
		if _, twice := index[names[i]]; twice {
			r.bad(fmt.Sprintf("entries[%d].id", i), names[i], "the request has this entry twice")
		}
		index[names[i]] = i
	}
	r.entries = callBy(names)
	r.input.Entries = make([]due.Entry, len(entries))
	for i, e := range entries {
		at := fmt.Sprintf("entries[%d]", i)
		out := &r.input.Entries[i]
		*out = due.Entry{
			ID: r.entries.ids[names[i]], Unit: r.unit(at+".unit", e.GetUnit()),
			Occurred: r.instant(at+".occurred_time", e.GetOccurredTime()), Recorded: r.instant(at+".recorded_time", e.GetRecordedTime()),
		}
		if out.Recorded.IsZero() {
			out.Recorded = out.Occurred
		}
		if a := e.GetAmendment(); a != nil {
			r.amendment(at+".amendment", out, a, entries, index)
			continue
		}
		r.detail(at, out, detailOf(e.GetUsage(), e.GetService(), e.GetTest(), e.GetCondition()))
	}
}

// detail is what an entry or a replacement tells of: one of these.
type detail struct {
	usage     *historypb.Usage
	service   *historypb.Service
	test      *historypb.Test
	condition *historypb.Condition
}

func detailOf(u *historypb.Usage, s *historypb.Service, t *historypb.Test, c *historypb.Condition) detail {
	return detail{u, s, t, c}
}

func (r *questionReader) detail(at string, out *due.Entry, d detail) {
	var err error
	switch {
	case d.usage != nil:
		at, err = at+".usage", usageInto(out, d.usage)
	case d.service != nil:
		if at += ".service"; r.readable(at, d.service.GetMarkDate()) {
			err = serviceInto(out, d.service)
		}
	case d.test != nil:
		if at += ".test"; r.readable(at, d.test.GetMarkDate()) {
			err = testInto(out, d.test)
		}
	case d.condition != nil:
		at, err = at+".condition", conditionInto(out, d.condition)
	}
	if err != nil {
		r.bad(at, "", err.Error())
	}
}

// readable reads the mark of work done, and says whether that is a date.
func (r *questionReader) readable(at string, d *date.Date) bool {
	before := len(r.violations)
	r.mark(at+".mark_date", d)
	return len(r.violations) == before
}

func (r *questionReader) amendment(at string, out *due.Entry, a *compliancepb.EvaluatedAmendment, entries []*compliancepb.EvaluatedEntry, index map[string]int) {
	out.Kind = due.Amendment
	i, ok := index[a.GetCorrectedEntry()]
	switch {
	case !ok:
		r.badFor("AMENDMENT_TARGET", at+".corrected_entry", a.GetCorrectedEntry(), "want the id of an entry of the request")
	case entries[i].GetAmendment() != nil:
		r.badFor("AMENDMENT_TARGET", at+".corrected_entry", a.GetCorrectedEntry(), "an amendment is never amended: name the entry it corrects")
	case r.units.ids[entries[i].GetUnit()] != out.Unit:
		r.badFor("AMENDMENT_TARGET", at+".corrected_entry", a.GetCorrectedEntry(), "want an entry of the same unit")
	}
	out.Corrects = r.entries.ids[a.GetCorrectedEntry()]
	p := a.GetReplacement()
	if p == nil {
		return
	}
	out.Correct = &due.Entry{
		ID: out.Corrects, Unit: out.Unit, Occurred: r.instant(at+".replacement.occurred_time", p.GetOccurredTime()), Recorded: out.Recorded,
	}
	r.detail(at+".replacement", out.Correct, detailOf(p.GetUsage(), p.GetService(), p.GetTest(), p.GetCondition()))
}

func (r *questionReader) readPacks(req *compliancepb.EvaluateRequest) {
	r.packs = map[string]string{}
	type day struct {
		id       string
		on       civil.Date
		revision int64
	}
	seen := map[day]bool{}
	rules := 0
	var batch packs.Batch
	for i, p := range req.GetRulePacks() {
		at := fmt.Sprintf("rule_packs[%d]", i)
		id := lastSegment(p.GetName())
		if p.GetName() == "" {
			id = fmt.Sprintf("pack-%d", i+1)
		}
		pack, violations := batch.Of(id, at, p)
		r.violations = append(r.violations, violations...)
		k := day{id, pack.Effective, pack.Revision}
		if seen[k] {
			r.badFor("RULE_PACK_INVALID", at, p.GetName(), "the request has two revisions of this pack with the same effective date: state their revision")
		}
		seen[k] = true
		r.packs[id] = p.GetName()
		if lastSegment(p.GetName()) == p.GetName() {
			r.packs[id] = "rulePacks/" + id
		}
		r.input.Packs = append(r.input.Packs, pack)
		rules += len(pack.Rules)
	}
	if rules*len(req.GetUnits()) > maxEvaluated {
		r.bad("rule_packs", fmt.Sprint(rules), fmt.Sprintf("%d rules for %d units are too many for one question: want at most %d of rules times units", rules, len(req.GetUnits()), maxEvaluated))
	}
}
