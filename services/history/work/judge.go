package work

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/bench"
	benchwire "strandline.example/strandline/services/history/bench/wire"
	"strandline.example/strandline/services/history/order/wire"
)

// instruments returns the units that the readings of a test were read with, each once.
func instruments(org tenant.Org, t *historypb.TestMade) (ids []uuid.UUID, bad []errs.Violation) {
	for i, r := range t.GetReadings() {
		if r.GetInstrument() == "" {
			continue
		}
		id, err := resname.Unit(org, "instrument", r.GetInstrument())
		if err != nil {
			bad = append(bad, errs.Violation{Field: fmt.Sprintf("test_made.readings[%d].instrument", i), Value: r.GetInstrument(), Description: "want " + org.Name() + "/units/{unit}: instruments are units; or nothing, where it was read without one"})
			continue
		}
		if !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	return ids, bad
}

// shelf is the instruments of an org, as far as somebody asked for them, with their calibrations.
type shelf map[uuid.UUID][]history.Calibration

// calibrations reads the calibrations of instruments.
func calibrations(ctx context.Context, tx history.Bench, ids []uuid.UUID) (shelf, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	rows, err := tx.TestsOf(ctx, ids)
	if err != nil {
		return nil, err
	}
	of, err := history.Calibrations(rows)
	if err != nil {
		return nil, errs.New(errs.DataLoss, "LEDGER_DAMAGED", "the ledger is damaged: a calibration cannot be read").Because(err)
	}
	return of, nil
}

// as returns an instrument as it stood at an instant. One that was never calibrated, or not for a stated time, vouches for nothing.
func (s shelf) as(org tenant.Org, id uuid.UUID, kind string, at time.Time, zone *time.Location) (*historypb.Instrument, error) {
	out := &historypb.Instrument{Id: resname.UnitName(org, id), Kind: kind}
	good, wrong := history.AsOf(s[id], at)
	out.OutOfTolerance = wrong != nil
	if good == nil || len(good.Calibration) == 0 {
		return out, nil
	}
	var c historypb.Calibration
	if err := proto.Unmarshal(good.Calibration, &c); err != nil {
		return nil, errs.New(errs.DataLoss, "LEDGER_DAMAGED", "the ledger is damaged: a calibration cannot be read", "entry", resname.EntryName(org, id, good.Entry)).Because(err)
	}
	day := civil.Day(civil.In(good.Occurred, zone))
	if !good.Mark.IsZero() {
		day = good.Mark
	}
	out.CalibrationDate, out.CalibrationDueDate, out.FullScale, out.Uncertainty = dateOf(day), c.GetThroughDate(), c.GetFullScale(), c.GetUncertainty()
	return out, nil
}

func dateOf(m civil.Mark) *date.Date {
	if m.IsZero() {
		return nil
	}
	year, month, day := m.Parts()
	return &date.Date{Year: int32(year), Month: int32(month), Day: int32(day)}
}

// judge judges a test with the instruments as they stood when it was made, and writes into the event what it came to. It returns what is wrong with the readings, with
// fields named within the event.
func (w *world) judge(org tenant.Org, s shelf, e *Event) ([]errs.Violation, error) {
	made := e.Detail.GetTestMade()
	test := w.procedure.Test(made.GetTest())
	ids, _ := instruments(org, made)
	made.Instruments, made.Si, made.Judgement = nil, nil, nil
	for _, id := range ids {
		u, _ := w.asked.Unit(id)
		in, err := s.as(org, id, u.Kind, e.Occurred, w.place.Zone)
		if err != nil {
			return nil, err
		}
		made.Instruments = append(made.Instruments, in)
	}
	day := dateOf(civil.Day(civil.In(e.Occurred, w.place.Zone)))
	in, problems := benchwire.Input(day, made.GetReadings(), made.GetInstruments(), made.GetAmbient())
	var j *bench.Judgement
	if len(problems) == 0 {
		j, problems = test.Bench.Judge(in)
	}
	if len(problems) > 0 {
		bad := make([]errs.Violation, len(problems))
		for i, p := range problems {
			bad[i] = errs.Violation{Field: "test_made." + p.Field, Value: p.Value, Description: p.Placed()}
		}
		return bad, nil
	}
	made.Judgement = benchwire.JudgementPB(j)
	made.Si = si(in.Readings)
	e.Event.Tested.Verdict, e.Event.Tested.Why = j.Verdict, wire.Why(made.Judgement)
	return nil, nil
}

// si writes readings in the units of the SI; nil where none is a quantity.
func si(readings []bench.Reading) []*historypb.SiReading {
	out := make([]*historypb.SiReading, len(readings))
	any := false
	for i, r := range readings {
		out[i] = &historypb.SiReading{}
		if r.Quantity != nil {
			if q, err := r.Quantity.InSI(); err == nil {
				out[i].Quantities = append(out[i].Quantities, benchwire.QuantityPB(q))
			}
		}
		for _, s := range r.Series {
			if q, err := s.Value.InSI(); err == nil {
				out[i].Quantities = append(out[i].Quantities, benchwire.QuantityPB(q))
			}
		}
		any = any || len(out[i].Quantities) > 0
	}
	if !any {
		return nil
	}
	return out
}

// doubt has tests that passed reach no verdict where an instrument that they were made with is known by now to have read wrongly.
func doubt(org tenant.Org, s shelf, events []*Event) {
	for _, e := range events {
		made := e.Detail.GetTestMade()
		if made == nil || e.Event.Tested.Verdict != bench.Pass {
			continue
		}
		ids, _ := instruments(org, made)
		for _, id := range ids {
			if _, wrong := history.AsOf(s[id], e.Occurred); wrong != nil {
				e.Event.Tested.Verdict = bench.Inconclusive
				e.Event.Tested.Why = fmt.Sprintf("It was made with %s, which was found out of tolerance at %s: make it again with another.", resname.UnitName(org, id), wrong.Occurred.UTC().Format(time.RFC3339))
			}
		}
	}
}

// used returns the instruments of all tests in events.
func used(org tenant.Org, events []*Event) (ids []uuid.UUID) {
	for _, e := range events {
		if made := e.Detail.GetTestMade(); made != nil {
			of, _ := instruments(org, made)
			for _, id := range of {
				if !slices.Contains(ids, id) {
					ids = append(ids, id)
				}
			}
		}
	}
	return ids
}

func stamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }
