package order

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/procedure"
)

// Facts is what must be known about the world to sign an order.
type Facts struct {
	Signer         string // id of the technician
	Qualifications []Qualification
	At             time.Time      // when it is signed
	Zone           *time.Location // of the shop: days are its days; UTC if nil
	Jurisdiction   string         // of the shop; empty if not known, which is taken for the strictest
	Outcome        Outcome
	Lots           map[string]Lot // those that exist, by id
}

// Qualification is what a technician may do, from a day to a day.
type Qualification struct {
	Activity string
	Kind     string     // empty: every kind
	From     civil.Mark // first day; zero: always
	Through  civil.Mark // last day; zero: it does not lapse
}

// For says whether it is of an activity and kind of equipment.
func (q *Qualification) For(activity, kind string) bool {
	return q.Activity == activity && (q.Kind == "" || q.Kind == kind)
}

// Covers says whether it holds on a day.
func (q *Qualification) Covers(day civil.Date) bool {
	return (q.From.IsZero() || day >= q.From.First()) && (q.Through.IsZero() || day <= q.Through.Last())
}

// Lot is parts of one make and batch.
type Lot struct {
	Part    string     // what they are, as procedures call it; empty if that is not known
	Expires civil.Mark // the last day, or month, of their shelf life; zero: none
}

// Reason says what kind of problem it is. Reasons never change their meaning.
type Reason string

// The reasons.
const (
	NotOpen                Reason = "ORDER_NOT_OPEN"
	OtherProcedure         Reason = "ORDER_OTHER_PROCEDURE"
	OtherKind              Reason = "ORDER_OTHER_KIND"
	EventsConflict         Reason = "ORDER_EVENTS_CONFLICT"
	SignedBeforeWork       Reason = "ORDER_SIGNED_BEFORE_WORK"
	StepUnknown            Reason = "ORDER_STEP_UNKNOWN"
	CriticalStepOpen       Reason = "CRITICAL_STEP_OPEN"
	StepOpen               Reason = "STEP_OPEN"
	StepsOutOfOrder        Reason = "STEPS_OUT_OF_ORDER"
	SecondPersonMissing    Reason = "SECOND_PERSON_MISSING"
	SecondPersonSame       Reason = "SECOND_PERSON_SAME"
	MeasurementMissing     Reason = "MEASUREMENT_MISSING"
	MeasurementUnreadable  Reason = "MEASUREMENT_UNREADABLE"
	OutOfBounds            Reason = "OUT_OF_BOUNDS"
	PartsDoNotAddUp        Reason = "PARTS_DO_NOT_ADD_UP"
	PartReplaced           Reason = "PART_REPLACED"
	LotMissing             Reason = "LOT_MISSING"
	LotUnknown             Reason = "LOT_UNKNOWN"
	LotOfOtherPart         Reason = "LOT_OF_OTHER_PART"
	LotExpired             Reason = "LOT_EXPIRED"
	TestMissing            Reason = "TEST_MISSING"
	TestFailed             Reason = "TEST_FAILED"
	TestInconclusive       Reason = "TEST_INCONCLUSIVE"
	TestBeforeWork         Reason = "TEST_BEFORE_WORK"
	QualificationMissing   Reason = "QUALIFICATION_MISSING"
	QualificationLapsed    Reason = "QUALIFICATION_LAPSED"
	QualificationNotBegun  Reason = "QUALIFICATION_NOT_BEGUN"
	StationMissing         Reason = "STATION_MISSING"
	StationFailed          Reason = "STATION_FAILED"
	NothingSpeaksAgainstIt Reason = "NOTHING_SPEAKS_AGAINST_IT"
)

// Problem is why an order cannot be signed, or what whoever signs should know.
type Problem struct {
	Reason Reason
	Flag   bool   // it does not keep the order from being signed: it stands in the record
	Step   string // where it is about one
	Part   string // where it is about one
	Test   string // where it is about one
	Bound  string // where it is about one
	Value  string // what was found
	Text   string // one sentence: what is wrong and what to do
}

// Blocking returns the problems that keep an order from being signed.
func Blocking(ps []Problem) []Problem {
	return slices.DeleteFunc(slices.Clone(ps), func(p Problem) bool { return p.Flag })
}

// Ready returns why an order, worked by a procedure, cannot be signed, or what whoever signs it should know: in the order of the procedure's steps, then
// parts, tests and people. Without a problem that is not a flag it can be signed. To sign that the unit failed or is condemned, the work need not be finished, but
// something must speak against the unit.
func Ready(o *Order, p *procedure.Procedure, f Facts) []Problem {
	if f.Zone == nil {
		f.Zone = time.UTC
	}
	r := readiness{o: o, p: p, f: f}
	if !r.open() {
		return r.problems
	}
	r.strays()
	r.qualified()
	if f.Outcome != Pass {
		r.against()
		return r.problems
	}
	r.steps()
	r.parts()
	r.tests()
	r.stations()
	return r.problems
}

// readiness collects problems.
type readiness struct {
	o        *Order
	p        *procedure.Procedure
	f        Facts
	problems []Problem
}

func (r *readiness) add(p Problem, text string, args ...any) {
	p.Text = fmt.Sprintf(text, args...)
	r.problems = append(r.problems, p)
}

// open says whether the order can be looked at at all.
func (r *readiness) open() bool {
	o := r.o
	switch {
	case o.Opening == nil, o.State == SignedOff, o.State == ClosedOff:
		r.add(Problem{Reason: NotOpen, Value: o.State.String()}, "the order is %s: only one that is open can be signed", o.State)
	case o.Opening.Procedure != r.p.ID || o.Opening.Revision != r.p.Revision:
		r.add(Problem{Reason: OtherProcedure, Value: fmt.Sprintf("%s revision %d", o.Opening.Procedure, o.Opening.Revision)},
			"the order is worked by %s revision %d, and was held against %s revision %d", o.Opening.Procedure, o.Opening.Revision, r.p.ID, r.p.Revision)
	case !r.p.Covers(o.Opening.Kind, o.Opening.Model):
		r.add(Problem{Reason: OtherKind, Value: o.Opening.Kind}, "%s is not for a %s of the model %q: open an order of a procedure that is", r.p.ID, o.Opening.Kind, o.Opening.Model)
	case r.f.Outcome != Pass && r.f.Outcome != Fail && r.f.Outcome != Condemned:
		r.add(Problem{Reason: NotOpen}, "the signature does not say what for: state pass, fail or condemned")
	default:
		return true
	}
	return false
}

// strays tells of events that contradict each other, or of which it is not clear what they mean.
func (r *readiness) strays() {
	for _, id := range r.o.Conflicts {
		r.add(Problem{Reason: EventsConflict, Value: id.String()}, "two events with the id %s say different things: withdraw both and record anew what happened", id)
	}
	for _, s := range r.o.Strays {
		if s.Blocking {
			r.add(Problem{Reason: EventsConflict, Value: s.Event.String()}, "the event %s does not count, since %s: withdraw it, or record it anew", s.Event, s.Why)
		}
	}
	if r.o.Worked.After(r.f.At) || r.o.OpenedAt.After(r.f.At) {
		r.add(Problem{Reason: SignedBeforeWork, Value: r.f.At.UTC().Format(time.RFC3339)}, "the signature lies before the last of the work, %s: sign after it", cmpLater(r.o.Worked, r.o.OpenedAt).UTC().Format(time.RFC3339))
	}
}

func cmpLater(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// qualified tells whether the signer may sign work of this kind on this day.
func (r *readiness) qualified() {
	day := civil.In(r.f.At, r.f.Zone)
	about := fmt.Sprintf("%s of a %s", r.p.Qualification, r.o.Opening.Kind)
	best, lapsed, begins := 0, civil.Date(0), civil.Date(0)
	for _, q := range r.f.Qualifications {
		switch {
		case !q.For(r.p.Qualification, r.o.Opening.Kind):
		case q.Covers(day):
			return
		case !q.From.IsZero() && day < q.From.First():
			if best < 1 || best == 1 && q.From.First() < begins {
				best, begins = 1, q.From.First()
			}
		default:
			if best < 2 || q.Through.Last() > lapsed {
				best, lapsed = 2, q.Through.Last()
			}
		}
	}
	who := cmp.Or(r.f.Signer, "nobody")
	switch best {
	case 2:
		r.add(Problem{Reason: QualificationLapsed, Value: who}, "the qualification of %s for %s lapsed on %s, and it is signed on %s: let somebody sign who is qualified on that day", who, about, lapsed, day)
	case 1:
		r.add(Problem{Reason: QualificationNotBegun, Value: who}, "the qualification of %s for %s begins on %s, and it is signed on %s: let somebody sign who is qualified on that day", who, about, begins, day)
	default:
		r.add(Problem{Reason: QualificationMissing, Value: who}, "%s is not qualified for %s: let somebody sign who is", who, about)
	}
}

// against tells if nothing speaks against a unit that is to be signed off as failed.
func (r *readiness) against() {
	o := r.o
	bad := len(o.Findings) > 0
	for _, t := range o.Trials {
		bad = bad || t.Verdict != bench.Pass
	}
	for _, s := range o.Stations {
		bad = bad || !s.Passed
	}
	sub := readiness{o: o, p: r.p, f: r.f}
	for i := range r.p.Steps {
		sub.measured(&r.p.Steps[i])
	}
	bad = bad || len(Blocking(sub.problems)) > 0
	if !bad {
		r.add(Problem{Reason: NothingSpeaksAgainstIt}, "no test failed and nothing was found: record the finding for which the unit does not pass")
	}
}

// steps tells of steps that are open, were done before those above them, or were not checked by somebody else.
func (r *readiness) steps() {
	for _, id := range slices.Sorted(maps.Keys(r.o.Steps)) {
		if r.p.Step(id) == nil {
			r.add(Problem{Reason: StepUnknown, Step: id, Value: id}, "the procedure has no step %s: withdraw what was done in it", id)
		}
	}
	var latest time.Time
	after := ""
	for i := range r.p.Steps {
		s := &r.p.Steps[i]
		d := r.o.Steps[s.ID]
		switch {
		case !s.For(r.o.Opening.Kind):
			continue
		case d.Times == 0 && s.Critical:
			r.add(Problem{Reason: CriticalStepOpen, Step: s.ID}, "the critical step %s is open: do it", s.ID)
			continue
		case d.Times == 0 && s.When == "":
			r.add(Problem{Reason: StepOpen, Flag: true, Step: s.ID}, "the step %s was not done", s.ID)
			continue
		case d.Times == 0:
			continue
		}
		if d.At.Before(latest) {
			r.add(Problem{Reason: StepsOutOfOrder, Step: s.ID, Value: d.At.UTC().Format(time.RFC3339)}, "the step %s was done before %s, which comes first: do it again after it", s.ID, after)
		} else {
			latest, after = d.At, s.ID
		}
		if s.SecondPerson {
			switch d.Checked {
			case "":
				r.add(Problem{Reason: SecondPersonMissing, Step: s.ID}, "nobody else checked the step %s: let a second person check it", s.ID)
			case d.By:
				r.add(Problem{Reason: SecondPersonSame, Step: s.ID, Value: d.Checked}, "%s did the step %s and checked it: let somebody else check it", d.Checked, s.ID)
			}
		}
		r.measured(s)
	}
}

// measured tells of quantities of a step that are missing or beyond their bounds.
func (r *readiness) measured(s *procedure.Step) {
	d := r.o.Steps[s.ID]
	if d.Times == 0 {
		return
	}
	for i := range s.Bounds {
		b := &s.Bounds[i]
		at := Problem{Step: s.ID, Bound: b.ID}
		found := false
		for _, m := range d.Measured {
			if m.Bound != b.ID {
				continue
			}
			found = true
			at.Value = m.Quantity.String()
			beyond, err := b.Judge(m.Quantity)
			switch {
			case err != nil:
				at.Reason = MeasurementUnreadable
				r.add(at, "%s of the step %s: %v: measure it again", b.ID, s.ID, err)
			case beyond.Out != 0:
				at.Reason, at.Flag = OutOfBounds, beyond.Out == procedure.Flag
				r.add(at, "%s of the step %s is %s, %s: %s", b.ID, s.ID, m.Quantity, beyond, b.Title)
			}
		}
		if !found {
			at.Reason, at.Flag = MeasurementMissing, !b.Refuses()
			r.add(at, "%s of the step %s was not measured: %s", b.ID, s.ID, b.Title)
		}
	}
}
