package procedure

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/measure"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/bench/wire"
)

var idPattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)

// Of returns the procedure of a message that has passed the checks its proto states, and a violation, PROCEDURE_INVALID, for everything with which it
// contradicts itself. Field paths begin with path, for example `procedure.`; it may be empty.
func Of(id, path string, p *historypb.Procedure) (Procedure, []errs.Violation) {
	out, found := of(id, p)
	var vs []errs.Violation
	for _, v := range found {
		v.Field = path + v.Field
		if v.line > 0 {
			v.Description = v.placed()
		}
		vs = append(vs, v.Violation)
	}
	return out, vs
}

// violation is a violation, and where in the text of its field it is.
type violation struct {
	errs.Violation
	line, column int    // from 1; 0 for the field as a whole
	whole        bool   // it follows from the whole of the procedure: what could not be read of it may be what is missed
	without      string // it follows from this field not being there: one that could not be read is no such field
}

// placed says what is wrong, and where in the text of its field.
func (v *violation) placed() string {
	return fmt.Sprintf("line %d, column %d: %s", v.line, v.column, v.Description)
}

// reader converts a procedure and collects what is wrong with it.
type reader struct {
	found   []violation
	unclear bool // a step names parts or kinds that are not there: how many come out and go in cannot be said
}

func (r *reader) bad(field, value, description string) {
	r.found = append(r.found, violation{Violation: errs.Violation{Field: field, Value: value, Description: description, Reason: "PROCEDURE_INVALID"}})
}

// missed is bad for what follows from the whole of the procedure.
func (r *reader) missed(field, value, description string) {
	r.bad(field, value, description)
	r.found[len(r.found)-1].whole = true
}

func of(id string, p *historypb.Procedure) (Procedure, []violation) {
	r := &reader{}
	out := Procedure{
		ID: id, Revision: int(p.GetRevision()), Title: p.GetTitle(), Kinds: p.GetKinds(), Models: p.GetModels(), Purpose: p.GetPurpose(),
		Activities: p.GetActivities(), Qualification: p.GetQualification(), Cautions: p.GetCautions(),
	}
	if !idPattern.MatchString(id) {
		r.bad("name", id, "want procedures/{procedure} with a procedure of 1 to 40 lower-case letters, digits and hyphens")
	}
	r.cautions(out.Cautions)
	for i, s := range p.GetStationActivities() {
		if !slices.Contains(out.Activities, s.GetActivity()) {
			r.bad(fmt.Sprintf("station_activities[%d].activity", i), s.GetActivity(), "the procedure performs no such activity: state one of its activities")
		}
		out.Stations = append(out.Stations, Station{s.GetActivity(), s.GetJurisdictions(), sourceOf(s.GetSource())})
	}
	for i, q := range p.GetParts() {
		if out.Part(q.GetId()) != nil {
			r.bad(fmt.Sprintf("parts[%d].id", i), q.GetId(), "another part of the procedure has this id: state one of its own")
		}
		out.Parts = append(out.Parts, Part{q.GetId(), q.GetTitle(), Policy(q.GetPolicy())})
	}
	for i, t := range p.GetTests() {
		out.Tests = append(out.Tests, r.test(fmt.Sprintf("tests[%d]", i), &out, t))
	}
	for i, s := range p.GetSteps() {
		at := fmt.Sprintf("steps[%d]", i)
		if out.Step(s.GetId()) != nil {
			r.bad(at+".id", s.GetId(), "another step of the procedure has this id: state one of its own")
		}
		out.Steps = append(out.Steps, r.step(at, &out, s))
	}
	for _, k := range out.Kinds {
		if !slices.ContainsFunc(out.Steps, func(s Step) bool { return s.Critical && s.For(k) }) {
			r.missed("steps", k, "no step for this kind is critical, so an order could be signed with nothing done: state critical for those without which the work is not done")
		}
	}
	r.used(&out)
	if !r.unclear {
		r.balance(&out)
	}
	return out, r.found
}

// Manual is the caution without which no procedure is read.
const Manual = "Local code and the maker's manual win over this procedure."

// cautions tells if no caution says that local code and the maker's manual win.
func (r *reader) cautions(cs []string) {
	if !slices.ContainsFunc(cs, func(c string) bool {
		c = strings.ToLower(strings.ReplaceAll(c, "’", "'"))
		return strings.Contains(c, "local code") && strings.Contains(c, "maker's manual") && strings.Contains(c, "win")
	}) {
		r.missed("cautions", "", "no caution says what wins: want "+Manual)
	}
}

func (r *reader) step(at string, p *Procedure, s *historypb.Step) Step {
	out := Step{
		ID: s.GetId(), Do: s.GetDo(), When: s.GetWhen(), Tools: s.GetTools(), Cautions: s.GetCautions(), Inspect: s.GetInspect(),
		Kinds: s.GetKinds(), Critical: s.GetCritical(), SecondPerson: s.GetSecondPerson(),
	}
	for i, k := range out.Kinds {
		if !slices.Contains(p.Kinds, k) {
			r.bad(fmt.Sprintf("%s.kinds[%d]", at, i), k, "the procedure is not for this kind: state one of its kinds")
			r.unclear = true
		}
	}
	if out.Critical && out.When != "" {
		r.bad(at+".when", out.When, "a critical step is done always: leave out when, or critical")
	}
	for i, b := range s.GetBounds() {
		at := fmt.Sprintf("%s.bounds[%d]", at, i)
		if out.Bound(b.GetId()) != nil {
			r.bad(at+".id", b.GetId(), "another bound of the step has this id: state one of its own")
		}
		out.Bounds = append(out.Bounds, r.bound(at, b))
	}
	out.Removes = r.counts(at+".removes", p, s.GetRemoves())
	out.Fits = r.counts(at+".fits", p, s.GetFits())
	for i, t := range s.GetTests() {
		at := fmt.Sprintf("%s.tests[%d].test", at, i)
		if p.Test(t.GetTest()) == nil {
			r.bad(at, t.GetTest(), "the procedure has no test of this id: state one of its tests")
		}
		if out.Test(t.GetTest()) != nil {
			r.bad(at, t.GetTest(), "the step has this test already: state it once")
		}
		out.Tests = append(out.Tests, StepTest{t.GetTest(), t.GetAsFound()})
	}
	for _, c := range s.GetSources() {
		out.Sources = append(out.Sources, sourceOf(c))
	}
	return out
}

// counts reads parts that a step removes or fits.
func (r *reader) counts(at string, p *Procedure, cs []*historypb.PartCount) (out []Count) {
	for i, c := range cs {
		at := fmt.Sprintf("%s[%d].part", at, i)
		if p.Part(c.GetPart()) == nil {
			r.bad(at, c.GetPart(), "the procedure has no part of this id: state one of its parts")
			r.unclear = true
		}
		if slices.ContainsFunc(out, func(o Count) bool { return o.Part == c.GetPart() }) {
			r.bad(at, c.GetPart(), "the step has this part already: state it once, with its count")
		}
		out = append(out, Count{c.GetPart(), max(1, int(c.GetCount()))})
	}
	return out
}

// measurands are the units in whose dimensions quantities are measured.
var measurands = map[historypb.Measurand]string{
	historypb.Measurand_MEASURAND_LENGTH: "mm", historypb.Measurand_MEASURAND_ANGLE: "turn", historypb.Measurand_MEASURAND_TORQUE: "N·m", historypb.Measurand_MEASURAND_PRESSURE: "bar",
	historypb.Measurand_MEASURAND_TIME: "s", historypb.Measurand_MEASURAND_MASS: "kg", historypb.Measurand_MEASURAND_TEMPERATURE: "°C", historypb.Measurand_MEASURAND_NUMBER: "1",
}

// bound reads a bounded quantity.
func (r *reader) bound(at string, b *historypb.Bound) Bound {
	out := Bound{ID: b.GetId(), Title: b.GetTitle(), Below: Out(b.GetBelow()), Above: Out(b.GetAbove()), Source: sourceOf(b.GetSource())}
	out.Least = r.limit(at+".at_least", b.GetMeasures(), b.GetAtLeast())
	out.Most = r.limit(at+".at_most", b.GetMeasures(), b.GetAtMost())
	if b.GetAtLeast() == nil && b.GetAtMost() == nil {
		r.bad(at, "", "it has no bound: state at_least, at_most or both")
	}
	for _, side := range []struct {
		field, limit string
		limited      bool
		out          historypb.OutOfBounds
	}{{".below", "at_least", b.GetAtLeast() != nil, b.GetBelow()}, {".above", "at_most", b.GetAtMost() != nil, b.GetAbove()}} {
		switch stated := side.out != historypb.OutOfBounds_OUT_OF_BOUNDS_UNSPECIFIED; {
		case side.limited && !stated:
			r.bad(at+side.field, "", "want what a quantity beyond "+side.limit+" means: OUT_OF_BOUNDS_REFUSE or OUT_OF_BOUNDS_FLAG")
		case stated && !side.limited:
			r.bad(at+side.field, side.out.String(), "there is no "+side.limit+" to be beyond: leave it out, or state "+side.limit)
			r.found[len(r.found)-1].without = at + "." + side.limit
		}
	}
	if out.Least != nil && out.Most != nil {
		switch c, err := out.Least.Cmp(*out.Most); {
		case err != nil:
			r.bad(at+".at_most", out.Most.String(), err.Error())
		case c > 0:
			r.bad(at+".at_most", out.Most.String(), "want no less than at_least, "+out.Least.String())
		}
	}
	return out
}

// limit reads a bound of a quantity that is measured as m says; nil if there is none, or none that can be.
func (r *reader) limit(at string, m historypb.Measurand, p *historypb.Quantity) *measure.Quantity {
	if p == nil {
		return nil
	}
	q, err := wire.Quantity(p)
	if err != nil {
		r.bad(at, p.GetValue()+" "+p.GetUnit(), err.Error())
		return nil
	}
	if symbol := measurands[m]; symbol != "" {
		if u, err := measure.ParseUnit(symbol); err == nil && u.Dimension() != q.Dimension() {
			r.bad(at, q.String(), fmt.Sprintf("that is a quantity of %s, and the bound measures %s: state it in a unit of that, such as %s", q.Dimension(), u.Dimension(), symbol))
			return nil
		}
	}
	return &q
}

// used tells of parts that no step touches and that are replaced always, and of tests that no step runs.
func (r *reader) used(p *Procedure) {
	for i, q := range p.Parts {
		if q.Policy != IfWorn && !slices.ContainsFunc(p.Steps, func(s Step) bool {
			return slices.ContainsFunc(append(slices.Clone(s.Removes), s.Fits...), func(c Count) bool { return c.Part == q.ID })
		}) {
			r.missed(fmt.Sprintf("parts[%d].id", i), q.ID, "no step removes or fits it: state in which step, or leave the part out")
		}
	}
	for i, t := range p.Tests {
		if !slices.ContainsFunc(p.Steps, func(s Step) bool { return s.Test(t.ID) != nil }) {
			r.missed(fmt.Sprintf("tests[%d].spec.id", i), t.ID, "no step runs it: state in which step, or leave the test out")
		}
	}
}

// balance tells of parts that cannot come out as they go in: of the steps for a kind, those that are done always, and those that are done in one case, each fit as many
// of a part as they removed before, and remove none that they do not fit again.
func (r *reader) balance(p *Procedure) {
	told := map[string]bool{}
	for _, kind := range p.Kinds {
		r.balanceOf(p, kind, told)
	}
}

// balanceOf is balance for one kind; what was told of a field of one kind is not told again of another.
func (r *reader) balanceOf(p *Procedure, kind string, told map[string]bool) {
	type key struct{ when, part string }
	out := map[key]int{}
	last := map[key]string{} // where the part was last moved
	var seen []key
	tell := func(at string, n int, part, text string) {
		if !told[at] {
			told[at] = true
			r.missed(at, fmt.Sprintf("%d of %s", n, part), text)
		}
	}
	move := func(k key, n int, at string) {
		if last[k] == "" {
			seen = append(seen, k)
		}
		out[k] += n
		last[k] = at
	}
	for i, s := range p.Steps {
		if !s.For(kind) {
			continue
		}
		for j, c := range s.Removes {
			move(key{s.When, c.Part}, c.Count, fmt.Sprintf("steps[%d].removes[%d]", i, j))
		}
		for j, c := range s.Fits {
			k, at := key{s.When, c.Part}, fmt.Sprintf("steps[%d].fits[%d]", i, j)
			move(k, -c.Count, at)
			if out[k] < 0 {
				tell(at, c.Count, c.Part, "that is more than was removed in the steps up to here: state where they are removed, or fewer")
				out[k] = 0
			}
		}
	}
	for _, k := range seen {
		if n := out[k]; n > 0 {
			tell(last[k], n, k.part, "what is removed is not fitted again: state where it is fitted")
		}
	}
}

func sourceOf(p *historypb.Citation) bench.Source {
	return bench.Source{Document: p.GetDocument(), Section: p.GetSection(), Edition: p.GetEdition(), FromMemory: p.GetFromMemory()}
}
