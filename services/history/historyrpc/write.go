package historyrpc

import (
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

	datepb "google.golang.org/genproto/googleapis/type/date"
)

// entryProto writes a row of the ledger. It fails on a body that the ledger cannot have written.
func entryProto(org tenant.Org, r *history.Row) (*historypb.Entry, error) {
	e, err := r.Entry()
	if err != nil {
		return nil, unreadable(org, r, err)
	}
	p := &historypb.Entry{
		Name:         resname.EntryName(org, r.Unit, r.ID),
		Shop:         resname.ShopName(org, e.Shop),
		OccurredTime: timestamppb.New(e.Occurred),
		RecordedTime: timestamppb.New(r.Recorded),
		Sequence:     r.Sequence,
		Digest:       r.Digest[:],
		Recorder:     r.Recorder,
		Technician:   resname.TechnicianName(org, e.Technician),
		Note:         e.Note,
	}
	switch {
	case e.Usage != nil:
		p.Detail = &historypb.Entry_Usage{Usage: usageProto(e.Usage)}
	case e.Service != nil:
		p.Detail = &historypb.Entry_Service{Service: serviceProto(e.Service)}
	case e.Test != nil:
		p.Detail = &historypb.Entry_Test{Test: testProto(e.Test)}
	case e.Condition != nil:
		p.Detail = &historypb.Entry_Condition{Condition: conditionProto(e.Condition)}
	case e.Amendment != nil:
		p.Detail = &historypb.Entry_Amendment{Amendment: &historypb.Amendment{
			CorrectedEntry: resname.EntryName(org, r.Unit, e.Amendment.Corrects),
			Reason:         e.Amendment.Reason,
			Replacement:    replacementProto(e.Amendment.Replacement),
		}}
	case e.Order != nil:
		event := &historypb.OrderEvent{}
		if err := proto.Unmarshal(e.Order.Content, event); err != nil {
			return nil, unreadable(org, r, err)
		}
		event.Order = resname.OrderName(org, e.Order.Order)
		p.Detail = &historypb.Entry_OrderEvent{OrderEvent: event}
	}
	if w := e.Service; w != nil && w.Order != uuid.Nil {
		p.GetService().Order = resname.OrderName(org, w.Order)
	}
	if w := e.Test; w != nil {
		t := p.GetTest()
		if w.Order != uuid.Nil {
			t.Order = resname.OrderName(org, w.Order)
		}
		if w.Readings != uuid.Nil {
			t.ReadingsEntry = resname.EntryName(org, r.Unit, w.Readings)
		}
	}
	return p, nil
}

func unreadable(org tenant.Org, r *history.Row, err error) error {
	name := resname.EntryName(org, r.Unit, r.ID)
	return errs.New(errs.DataLoss, "LEDGER_DAMAGED", "the ledger is damaged: "+name+" cannot be read", "entry", name).Because(err)
}

func usageProto(u *history.Usage) *historypb.Usage {
	p := &historypb.Usage{Reference: u.Reference, Estimated: u.Estimated}
	if u.HasCelsius {
		p.IntakeCelsius = proto.Int32(int32(u.Celsius))
	}
	if u.Measure == 0 {
		inc := &historypb.UsageIncrement{Dives: u.Dives, Fills: u.Fills}
		if u.Running != 0 {
			inc.RunningTime = durationpb.New(u.Running)
		}
		p.Amount = &historypb.Usage_Increment{Increment: inc}
		return p
	}
	m := &historypb.MeterReading{Rollover: u.Rollover}
	switch u.Measure {
	case history.Dives:
		m.Value = &historypb.MeterReading_Dives{Dives: u.Value}
	case history.RunningTime:
		m.Value = &historypb.MeterReading_RunningTime{RunningTime: durationpb.New(time.Duration(u.Value))}
	case history.Fills:
		m.Value = &historypb.MeterReading_Fills{Fills: u.Value}
	}
	if u.Replaced {
		m.ReplacementStart = proto.Int64(u.Start)
	}
	p.Amount = &historypb.Usage_Reading{Reading: m}
	return p
}

func serviceProto(w *history.Work) *historypb.Service {
	return &historypb.Service{Activities: w.Activities, Outcome: historypb.Outcome(w.Outcome), MarkDate: markProto(w.Mark), Provider: w.Provider}
}

func testProto(w *history.Work) *historypb.Test {
	t := &historypb.Test{Activity: w.Activities[0], Outcome: historypb.Outcome(w.Outcome), MarkDate: markProto(w.Mark), Provider: w.Provider}
	if len(w.Calibration) > 0 {
		c := &historypb.Calibration{}
		if proto.Unmarshal(w.Calibration, c) == nil { // what cannot be read vouches for nothing
			t.Calibration = c
		}
	}
	return t
}

func markProto(m civil.Mark) *datepb.Date {
	if m.IsZero() {
		return nil
	}
	year, month, day := m.Parts()
	return &datepb.Date{Year: int32(year), Month: int32(month), Day: int32(day)}
}

func conditionProto(c *history.Condition) *historypb.Condition {
	return &historypb.Condition{Condition: c.Condition, Severity: historypb.Condition_Severity(c.Severity), ClearedBy: c.ClearedBy}
}

func replacementProto(r *history.Replacement) *historypb.Replacement {
	if r == nil {
		return nil
	}
	p := &historypb.Replacement{OccurredTime: timestamppb.New(r.Occurred)}
	switch {
	case r.Usage != nil:
		p.Detail = &historypb.Replacement_Usage{Usage: usageProto(r.Usage)}
	case r.Service != nil:
		p.Detail = &historypb.Replacement_Service{Service: serviceProto(r.Service)}
	case r.Test != nil:
		p.Detail = &historypb.Replacement_Test{Test: testProto(r.Test)}
	case r.Condition != nil:
		p.Detail = &historypb.Replacement_Condition{Condition: conditionProto(r.Condition)}
	}
	return p
}
