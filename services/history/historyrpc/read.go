package historyrpc

import (
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/order/wire"

	datepb "google.golang.org/genproto/googleapis/type/date"
)

// reading reads entries of one org. The messages have been held against the rules of their proto; what those cannot say becomes a
// problem of the draft.
type reading struct {
	org         tenant.Org
	units       string // prefix of the names of units
	shops       string
	technicians string
}

func newReading(org tenant.Org) *reading {
	return &reading{org: org, units: org.Name() + "/units/", shops: org.Name() + "/shops/", technicians: org.Name() + "/technicians/"}
}

// entry reads p into d.
func (in *reading) entry(p *historypb.Entry, d *history.Draft) {
	e := &d.Entry
	e.Unit, e.ID = in.entryName(d, "name", p.GetName())
	e.Shop = in.child(d, "shop", p.GetShop(), in.shops, "shops")
	e.Technician = in.child(d, "technician", p.GetTechnician(), in.technicians, "technicians")
	e.Occurred = instant(d, "occurred_time", p.GetOccurredTime())
	e.Note = p.GetNote()
	switch t := p.GetDetail().(type) {
	case *historypb.Entry_Usage:
		e.Usage = usage(d, "usage", t.Usage)
	case *historypb.Entry_Service:
		e.Service = service(d, "service", t.Service)
	case *historypb.Entry_Test:
		e.Test = test(d, "test", t.Test)
	case *historypb.Entry_Condition:
		e.Condition = condition(d, "condition", t.Condition)
	case *historypb.Entry_Amendment:
		a := t.Amendment
		unit, id := in.entryName(d, "amendment.corrected_entry", a.GetCorrectedEntry())
		if unit != e.Unit && len(d.Problems) == 0 {
			problem(d, "amendment.corrected_entry", a.GetCorrectedEntry(), "is of another unit; amend an entry of the same unit", "AMENDMENT_TARGET")
		}
		e.Amendment = &history.Amendment{Corrects: id, Reason: a.GetReason(), Replacement: replacement(d, a.GetReplacement())}
	case *historypb.Entry_OrderEvent:
		problem(d, "order_event", "", "what happens to a service order is recorded by OrderService; call RecordWork, SignOrder or CloseOrder", "ORDER_EVENT_REFUSED")
	default:
		problem(d, "detail", "", "must be set: usage, service, test, condition or amendment", "INVALID_FIELD")
	}
}

func problem(d *history.Draft, field, value, description, reason string) {
	d.Problems = append(d.Problems, history.Problem{Field: field, Value: value, Description: description, Reason: reason})
}

// refused turns an error about a name into problems.
func refused(d *history.Draft, field, value string, err error) {
	e := errs.As(err)
	if e == nil || len(e.Violations) == 0 {
		reason := "INVALID_FIELD"
		if e != nil {
			reason = e.Reason
		}
		problem(d, field, value, err.Error(), reason)
		return
	}
	for _, v := range e.Violations {
		problem(d, field, v.Value, v.Description, e.Reason)
	}
}

const uuidLength = 36

func (in *reading) entryName(d *history.Draft, field, name string) (unit, id uuid.UUID) {
	// The usual case first, without allocation; what it does not take gets its explanation from resname.
	const between = "/entries/"
	if rest, ok := strings.CutPrefix(name, in.units); ok && len(rest) == 2*uuidLength+len(between) && rest[uuidLength:uuidLength+len(between)] == between {
		var ok1, ok2 bool
		unit, ok1 = parse(rest[:uuidLength])
		id, ok2 = parse(rest[uuidLength+len(between):])
		if ok1 && ok2 {
			return unit, id
		}
	}
	unit, id, err := resname.UnitChildUUID(in.org, field, name, "entries")
	if err == nil && id == uuid.Nil {
		err = errs.Field(field, name, "the id is all zeros; give every entry a UUID of its own")
	}
	if err != nil {
		refused(d, field, name, err)
	}
	return unit, id
}

// parse reads a UUID in its one canonical spelling, but for the zero one.
func parse(s string) (uuid.UUID, bool) {
	for i := range len(s) {
		if c := s[i]; c >= 'A' && c <= 'F' {
			return uuid.Nil, false
		}
	}
	id, err := uuid.Parse(s)
	return id, err == nil && id != uuid.Nil
}

func (in *reading) child(d *history.Draft, field, name, prefix, collection string) string {
	if name == "" {
		return ""
	}
	if rest, ok := strings.CutPrefix(name, prefix); ok && rest != "" && !strings.Contains(rest, "/") {
		return rest
	}
	_, err := resname.Part(in.org, field, name, collection)
	if err != nil {
		refused(d, field, name, err)
	}
	return ""
}

func instant(d *history.Draft, field string, t *timestamppb.Timestamp) time.Time {
	if t == nil {
		problem(d, field, "", "must be set", "INVALID_FIELD")
		return time.Time{}
	}
	if err := t.CheckValid(); err != nil {
		problem(d, field, t.String(), "is not an instant from year 1 to 9999; give RFC 3339 UTC time", "INVALID_FIELD")
		return time.Time{}
	}
	return t.AsTime().Truncate(time.Microsecond) // what the database keeps
}

func duration(d *history.Draft, field string, t *durationpb.Duration) time.Duration {
	if t == nil {
		return 0
	}
	if err := t.CheckValid(); err != nil || t.AsDuration() < 0 {
		problem(d, field, t.String(), "is not a duration of zero or more", "INVALID_FIELD")
		return 0
	}
	return t.AsDuration()
}

func usage(d *history.Draft, at string, p *historypb.Usage) *history.Usage {
	u := &history.Usage{Reference: p.GetReference(), Estimated: p.GetEstimated(), HasCelsius: p.IntakeCelsius != nil, Celsius: int16(p.GetIntakeCelsius())}
	switch a := p.GetAmount().(type) {
	case *historypb.Usage_Increment:
		u.Dives, u.Fills = a.Increment.GetDives(), a.Increment.GetFills()
		u.Running = duration(d, at+".increment.running_time", a.Increment.GetRunningTime())
	case *historypb.Usage_Reading:
		switch v := a.Reading.GetValue().(type) {
		case *historypb.MeterReading_Dives:
			u.Measure, u.Value = history.Dives, v.Dives
		case *historypb.MeterReading_RunningTime:
			u.Measure, u.Value = history.RunningTime, int64(duration(d, at+".reading.running_time", v.RunningTime))
		case *historypb.MeterReading_Fills:
			u.Measure, u.Value = history.Fills, v.Fills
		default:
			problem(d, at+".reading.value", "", "must be set: dives, running_time or fills", "INVALID_FIELD")
		}
		u.Rollover = a.Reading.GetRollover()
		if a.Reading.ReplacementStart != nil {
			u.Replaced, u.Start = true, a.Reading.GetReplacementStart()
		}
	default:
		problem(d, at+".amount", "", "must be set: increment or reading", "INVALID_FIELD")
	}
	return u
}

func service(d *history.Draft, at string, p *historypb.Service) *history.Work {
	return &history.Work{
		Activities: p.GetActivities(), Outcome: history.Outcome(p.GetOutcome()),
		Mark: mark(d, at+".mark_date", p.GetMarkDate()), Provider: p.GetProvider(),
	}
}

func test(d *history.Draft, at string, p *historypb.Test) *history.Work {
	return &history.Work{
		Activities: []string{p.GetActivity()}, Outcome: history.Outcome(p.GetOutcome()),
		Mark: mark(d, at+".mark_date", p.GetMarkDate()), Provider: p.GetProvider(), Calibration: calibration(d, at+".calibration", p),
	}
}

func mark(d *history.Draft, field string, p *datepb.Date) civil.Mark {
	if p == nil {
		return civil.Mark{}
	}
	m, err := civil.MarkOf(int(p.GetYear()), int(p.GetMonth()), int(p.GetDay()))
	if err != nil {
		problem(d, field, p.String(), err.Error(), "INVALID_FIELD")
	}
	return m
}

func condition(d *history.Draft, at string, p *historypb.Condition) *history.Condition {
	c := &history.Condition{Condition: p.GetCondition(), Severity: history.Severity(p.GetSeverity())}
	if len(p.GetClearedBy()) > 0 {
		c.ClearedBy = p.GetClearedBy()
		if c.Severity != history.Pull {
			problem(d, at+".cleared_by", strings.Join(c.ClearedBy, ", "), "a condition that does not pull the unit has nothing to clear; leave it out, or pull the unit", "INVALID_FIELD")
		}
	}
	return c
}

// calibration reads what an instrument is good for.
func calibration(d *history.Draft, at string, p *historypb.Test) []byte {
	c := p.GetCalibration()
	if c == nil {
		return nil
	}
	if p.GetActivity() != history.ActivityCalibration || p.GetOutcome() != historypb.Outcome_OUTCOME_PASS {
		problem(d, at, "", "only a test of the activity calibration that passed says what an instrument is good for; leave it out", "INVALID_FIELD")
		return nil
	}
	for _, v := range wire.Calibration(c) {
		problem(d, at+"."+v.Field, v.Value, v.Description, "INVALID_FIELD")
	}
	b, err := (proto.MarshalOptions{Deterministic: true}).Marshal(c)
	if err != nil {
		problem(d, at, "", err.Error(), "INVALID_FIELD")
	}
	return b
}

func replacement(d *history.Draft, p *historypb.Replacement) *history.Replacement {
	if p == nil {
		return nil
	}
	const at = "amendment.replacement."
	r := &history.Replacement{Occurred: instant(d, at+"occurred_time", p.GetOccurredTime())}
	switch t := p.GetDetail().(type) {
	case *historypb.Replacement_Usage:
		r.Usage = usage(d, at+"usage", t.Usage)
	case *historypb.Replacement_Service:
		r.Service = service(d, at+"service", t.Service)
	case *historypb.Replacement_Test:
		r.Test = test(d, at+"test", t.Test)
	case *historypb.Replacement_Condition:
		r.Condition = condition(d, at+"condition", t.Condition)
	default:
		problem(d, at+"detail", "", "must be set: usage, service, test or condition", "INVALID_FIELD")
	}
	return r
}
