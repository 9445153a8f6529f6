package wire

import (
	"fmt"

	"google.golang.org/genproto/googleapis/type/date"

	"strandline.example/strandline/internal/civil"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench"
)

// Input reads what was read, with what and when. It returns everything that is wrong with it; fields are named as in JudgeRequest.
func Input(day *date.Date, readings []*historypb.Reading, instruments []*historypb.Instrument, ambient *historypb.Quantity) (bench.Input, []bench.Problem) {
	r := &reader{}
	out := bench.Input{Ambient: r.pointer("ambient", ambient)}
	switch m := r.mark("test_date", day); {
	case m.IsZero() && len(r.problems) == 0, m.IsMonth():
		r.bad("test_date", m.String(), fmt.Errorf("state the day on which the test was done: year, month and day"))
	default:
		out.Day = m.First()
	}
	for i, p := range readings {
		at := fmt.Sprintf("readings[%d]", i)
		in := bench.Reading{Name: p.GetName(), Instrument: p.GetInstrument(), Uncertain: r.uncertainty(at+".uncertainty", p.GetUncertainty())}
		switch v := p.GetValue().(type) {
		case *historypb.Reading_Quantity:
			in.Quantity = r.pointer(at+".quantity", v.Quantity)
		case *historypb.Reading_Series:
			for n, s := range v.Series.GetSamples() {
				of := fmt.Sprintf("%s.series.samples[%d]", at, n)
				elapsed, _ := r.quantity(of+".elapsed", s.GetElapsed())
				value, _ := r.quantity(of+".quantity", s.GetQuantity())
				in.Series = append(in.Series, bench.Sample{At: elapsed, Value: value})
			}
		case *historypb.Reading_Choice:
			in.Choice = v.Choice
		case *historypb.Reading_Yes:
			in.Yes = &v.Yes
		case *historypb.Reading_Count:
			in.Count = &v.Count
		}
		out.Readings = append(out.Readings, in)
	}
	for i, p := range instruments {
		at := fmt.Sprintf("instruments[%d]", i)
		out.Instruments = append(out.Instruments, bench.Instrument{
			ID: p.GetId(), Kind: p.GetKind(), Calibrated: r.mark(at+".calibration_date", p.GetCalibrationDate()), CalibrationDue: r.mark(at+".calibration_due_date", p.GetCalibrationDueDate()),
			OutOfTolerance: p.GetOutOfTolerance(), FullScale: r.pointer(at+".full_scale", p.GetFullScale()), Uncertain: r.uncertainty(at+".uncertainty", p.GetUncertainty()),
		})
	}
	return out, r.problems
}

func (r *reader) uncertainty(field string, p *historypb.Uncertainty) *bench.Uncertainty {
	if p == nil {
		return nil
	}
	q, _ := r.quantity(field+".quantity", p.GetQuantity())
	return &bench.Uncertainty{Quantity: q, Of: bench.Basis(p.GetBasis()), Coverage: decimal(p.GetCoverageFactor())}
}

// mark reads a date, or a month with day 0.
func (r *reader) mark(field string, d *date.Date) civil.Mark {
	if d == nil {
		return civil.Mark{}
	}
	m, err := civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
	if err != nil {
		r.bad(field, fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay()), err)
	}
	return m
}
