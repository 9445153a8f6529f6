package wire

import (
	"fmt"

	"strandline.example/strandline/internal/measure"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench"
)

// reader reads messages and keeps what is wrong with them.
type reader struct{ problems []bench.Problem }

func (r *reader) bad(field, value string, err error) {
	r.problems = append(r.problems, bench.Problem{Field: field, Value: value, Text: err.Error()})
}

// quantity reads a quantity that may be left out.
func (r *reader) quantity(field string, p *historypb.Quantity) (measure.Quantity, bool) {
	if p == nil {
		return measure.Quantity{}, false
	}
	q, err := Quantity(p)
	if err != nil {
		r.bad(field, p.GetValue()+" "+p.GetUnit(), err)
		return q, false
	}
	return q, true
}

func (r *reader) pointer(field string, p *historypb.Quantity) *measure.Quantity {
	q, ok := r.quantity(field, p)
	if !ok {
		return nil
	}
	return &q
}

func (r *reader) unit(field, s string) measure.Unit {
	u, err := measure.ParseUnit(symbol(s))
	if err != nil {
		r.bad(field, s, err)
	}
	return u
}

// Spec reads a test and compiles it. It returns everything that is wrong with it; fields are named as in TestSpec.
func Spec(p *historypb.TestSpec) (*bench.Test, []bench.Problem) {
	r := &reader{}
	out := bench.Spec{ID: p.GetId(), Title: p.GetTitle()}
	for i, w := range p.GetReadings() {
		out.Readings = append(out.Readings, bench.Wanted{
			Name: w.GetName(), Title: w.GetTitle(), Kind: bench.Kind(w.GetKind()), Unit: r.unit(fmt.Sprintf("readings[%d].unit", i), w.GetUnit()), Reference: Reference(w.GetReference()),
			Choices: w.GetChoices(), Optional: w.GetOptional(), Instrument: w.GetInstrumentKind(), Stated: w.GetStated(),
		})
	}
	for i, d := range p.GetDerived() {
		out.Derived = append(out.Derived, bench.Derived{
			Name: d.GetName(), Title: d.GetTitle(), Expression: d.GetExpression(), Unit: r.unit(fmt.Sprintf("derived[%d].unit", i), d.GetUnit()), Reference: Reference(d.GetReference()),
		})
	}
	for i, c := range p.GetCriteria() {
		at := fmt.Sprintf("criteria[%d]", i)
		k := bench.Criterion{
			ID: c.GetId(), Title: c.GetTitle(), When: c.GetWhen(), Of: c.GetOf(), Op: bench.Op(c.GetComparison()), Rule: bench.Rule(c.GetDecisionRule()), GuardFactor: decimal(c.GetGuardFactor()),
			Low: bench.Bound{Expression: c.GetLowOf()}, High: bench.Bound{Expression: c.GetHighOf()}, Uncertainty: r.pointer(at+".uncertainty", c.GetUncertainty()), Says: c.GetSays(),
			Source: bench.Source{Document: c.GetSource().GetDocument(), Section: c.GetSource().GetSection(), Edition: c.GetSource().GetEdition(), FromMemory: c.GetSource().GetFromMemory()},
		}
		for _, b := range []struct {
			name  string
			of    string
			p     *historypb.Quantity
			bound *bench.Bound
		}{{"low", c.GetLowOf(), c.GetLow(), &k.Low}, {"high", c.GetHighOf(), c.GetHigh(), &k.High}} {
			if b.of != "" && b.p != nil {
				r.problems = append(r.problems, bench.Problem{Field: at + "." + b.name + "_of", Value: b.of, Text: "the limit is stated twice; keep " + b.name + " or " + b.name + "_of"})
			}
			b.bound.Quantity, _ = r.quantity(at+"."+b.name, b.p)
		}
		out.Criteria = append(out.Criteria, k)
	}
	if len(r.problems) > 0 {
		return nil, r.problems
	}
	return bench.Compile(out)
}
