package compliancerpc

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"

	"google.golang.org/genproto/googleapis/type/date"
)

const (
	maxPage    = 5000             // the feed's own limit of changes a page
	pageWithin = 20 * time.Second // a page that takes longer will not come: whoever follows without a deadline asks again
)

// feedReader reads one source's feed as compliance's changes.
type feedReader struct {
	source compliance.Source
	client feedpb.FeedServiceClient
}

// Read returns the changes after a number. A page too large for one message is asked for again in smaller pieces.
func (f feedReader) Read(ctx context.Context, org tenant.Org, after int64) (compliance.Page, error) {
	for limit := int32(maxPage); ; limit /= 4 {
		resp, err := f.ask(ctx, &feedpb.ReadFeedRequest{Parent: org.Name(), After: after, Limit: limit})
		if status.Code(err) == codes.ResourceExhausted && limit > 4 {
			continue
		}
		if err != nil {
			return compliance.Page{}, feedError(ctx, f.source, err)
		}
		page := compliance.Page{Changes: make([]compliance.Change, len(resp.GetChanges())), Head: resp.GetHead(), At: instantOf(resp.GetReadTime())}
		for i, c := range resp.GetChanges() {
			if page.Changes[i], err = changeOf(org, c); err != nil {
				return compliance.Page{}, errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("the feed of %s has a change compliance cannot read", f.source)).
					With("number", fmt.Sprint(c.GetPosition())).Because(err)
			}
		}
		return page, nil
	}
}

func (f feedReader) ask(ctx context.Context, req *feedpb.ReadFeedRequest) (*feedpb.ReadFeedResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, pageWithin)
	defer cancel()
	return f.client.ReadFeed(ctx, req)
}

func feedError(ctx context.Context, s compliance.Source, err error) error {
	if ctx.Err() != nil {
		switch ctx.Err() {
		case context.DeadlineExceeded:
			return errs.New(errs.Deadline, "DEADLINE_EXCEEDED", "the deadline passed while reading the feed of "+s.String()).Because(err)
		default:
			return errs.New(errs.Canceled, "CANCELLED", "the caller cancelled").Because(err)
		}
	}
	return errs.New(errs.Unavailable, "UNAVAILABLE", "the feed of "+s.String()+" cannot be read", "service", s.String()).Because(err)
}

func changeOf(org tenant.Org, c *feedpb.Change) (compliance.Change, error) {
	out := compliance.Change{Number: c.GetPosition(), At: instantOf(c.GetChangeTime())}
	var err error
	switch r := c.GetResource().(type) {
	case *feedpb.Change_Shop:
		out.Shop, err = shopOf(org, r.Shop)
	case *feedpb.Change_Model:
		out.Model, err = modelOf(org, r.Model)
	case *feedpb.Change_Unit:
		out.Unit, err = unitOf(org, r.Unit)
	case *feedpb.Change_Fitting:
		out.Fitting, err = fittingOf(org, r.Fitting)
	case *feedpb.Change_Entry:
		out.Entry, err = entryOf(org, r.Entry)
	}
	return out, err
}

func shopOf(org tenant.Org, s *registrypb.Shop) (*compliance.Shop, error) {
	id, err := resname.Part(org, "shop", s.GetName(), "shops")
	if err != nil {
		return nil, err
	}
	if _, err := time.LoadLocation(s.GetTimeZone()); err != nil {
		return nil, fmt.Errorf("shop %s: %w", s.GetName(), err)
	}
	return &compliance.Shop{ID: id, Name: s.GetDisplayName(), Zone: s.GetTimeZone(), Jurisdiction: s.GetJurisdiction()}, nil
}

func modelOf(org tenant.Org, m *registrypb.Model) (*compliance.Model, error) {
	id, err := resname.Part(org, "model", m.GetName(), "models")
	if err != nil {
		return nil, err
	}
	return &compliance.Model{ID: id, Kind: m.GetKind(), Maker: m.GetMaker(), Size: m.GetSize(), Attributes: m.GetAttributes()}, nil
}

func unitOf(org tenant.Org, u *registrypb.Unit) (*compliance.Unit, error) {
	id, err := resname.Unit(org, "unit", u.GetName())
	if err != nil {
		return nil, err
	}
	model, err := resname.Part(org, "model", u.GetModel(), "models")
	if err != nil {
		return nil, err
	}
	out := &compliance.Unit{
		ID: id, Tag: u.GetAssetTag(), Serial: u.GetSerialNumber(), Model: model, Size: u.GetSize(), Attributes: u.GetAttributes(),
		Retired: instantOf(u.GetRetireTime()),
	}
	if out.Manufactured, err = markOf(u.GetManufactureDate()); err != nil {
		return nil, err
	}
	if out.Commissioned, err = markOf(u.GetCommissionDate()); err != nil {
		return nil, err
	}
	for _, p := range u.GetPlacements() {
		shop, err := resname.Part(org, "shop", p.GetShop(), "shops")
		if err != nil {
			return nil, err
		}
		out.Placements = append(out.Placements, compliance.Placement{Shop: shop, From: instantOf(p.GetStartTime())})
	}
	if len(out.Placements) == 0 {
		return nil, fmt.Errorf("unit %s has no placement", u.GetName())
	}
	return out, nil
}

func fittingOf(org tenant.Org, f *registrypb.Fitting) (*compliance.Fitting, error) {
	part, id, err := resname.UnitChildUUID(org, "fitting", f.GetName(), "fittings")
	if err != nil {
		return nil, err
	}
	host, err := resname.Unit(org, "host", f.GetHost())
	if err != nil {
		return nil, err
	}
	return &compliance.Fitting{
		ID: id, Part: part, Host: host, Place: f.GetPlace(), From: instantOf(f.GetFitTime()), To: instantOf(f.GetUnfitTime()),
	}, nil
}

// entryOf reads an entry of the ledger. A kind it does not know is refused: an entry that is skipped could be a failed test.
func entryOf(org tenant.Org, e *historypb.Entry) (*due.Entry, error) {
	unit, id, err := resname.UnitChildUUID(org, "entry", e.GetName(), "entries")
	if err != nil {
		return nil, err
	}
	out := &due.Entry{ID: id, Unit: unit, Occurred: instantOf(e.GetOccurredTime()), Recorded: instantOf(e.GetRecordedTime())}
	switch d := e.GetDetail().(type) {
	case *historypb.Entry_Usage:
		err = usageInto(out, d.Usage)
	case *historypb.Entry_Service:
		err = serviceInto(out, d.Service)
	case *historypb.Entry_Test:
		err = testInto(out, d.Test)
	case *historypb.Entry_Condition:
		err = conditionInto(out, d.Condition)
	case *historypb.Entry_Amendment:
		err = amendmentInto(org, out, d.Amendment)
	case *historypb.Entry_OrderEvent:
		err = orderEventInto(org, out, d.OrderEvent)
	default:
		err = fmt.Errorf("entry %s tells of nothing this version knows", e.GetName())
	}
	return out, err
}

func amendmentInto(org tenant.Org, out *due.Entry, a *historypb.Amendment) error {
	out.Kind = due.Amendment
	unit, target, err := resname.UnitChildUUID(org, "corrected_entry", a.GetCorrectedEntry(), "entries")
	if err != nil {
		return err
	}
	if unit != out.Unit {
		return fmt.Errorf("entry %s corrects one of another unit", out.ID)
	}
	out.Corrects = target
	r := a.GetReplacement()
	if r == nil {
		return nil
	}
	c := &due.Entry{ID: target, Unit: out.Unit, Occurred: instantOf(r.GetOccurredTime()), Recorded: out.Recorded}
	switch d := r.GetDetail().(type) {
	case *historypb.Replacement_Usage:
		err = usageInto(c, d.Usage)
	case *historypb.Replacement_Service:
		err = serviceInto(c, d.Service)
	case *historypb.Replacement_Test:
		err = testInto(c, d.Test)
	case *historypb.Replacement_Condition:
		err = conditionInto(c, d.Condition)
	default:
		err = fmt.Errorf("entry %s replaces with nothing this version knows", out.ID)
	}
	out.Correct = c
	return err
}

func usageInto(e *due.Entry, u *historypb.Usage) error {
	e.Kind = due.UsageEntry
	e.Estimated = u.GetEstimated()
	if u.IntakeCelsius != nil {
		if e.Celsius, e.HasCelsius = int16(u.GetIntakeCelsius()), true; int32(e.Celsius) != u.GetIntakeCelsius() {
			return fmt.Errorf("entry %s has a temperature of %d degrees Celsius", e.ID, u.GetIntakeCelsius())
		}
	}
	if i := u.GetIncrement(); i != nil {
		e.Amount = due.Amount{Dives: i.GetDives(), Hours: i.GetRunningTime().AsDuration(), Fills: i.GetFills()}
		return nil
	}
	r := u.GetReading()
	e.Reading = true
	switch v := r.GetValue().(type) {
	case *historypb.MeterReading_Dives:
		e.Meter, e.Amount.Dives = due.Dives, v.Dives
	case *historypb.MeterReading_RunningTime:
		e.Meter, e.Amount.Hours = due.Hours, v.RunningTime.AsDuration()
	case *historypb.MeterReading_Fills:
		e.Meter, e.Amount.Fills = due.Fills, v.Fills
	default:
		return fmt.Errorf("entry %s reads nothing this version knows", e.ID)
	}
	if e.Rollover = r.GetRollover(); e.Meter == due.Hours {
		e.Rollover *= int64(time.Second)
	}
	if r.ReplacementStart != nil {
		e.Replaced = true
		switch n := r.GetReplacementStart(); e.Meter {
		case due.Dives:
			e.Replacement.Dives = n
		case due.Hours:
			e.Replacement.Hours = time.Duration(n) * time.Second
		case due.Fills:
			e.Replacement.Fills = n
		}
	}
	return nil
}

func serviceInto(e *due.Entry, s *historypb.Service) (err error) {
	e.Kind, e.Activities = due.Work, s.GetActivities()
	return workInto(e, s.GetOutcome(), s.GetMarkDate())
}

func testInto(e *due.Entry, t *historypb.Test) error {
	e.Kind, e.Activities = due.Work, []string{t.GetActivity()}
	return workInto(e, t.GetOutcome(), t.GetMarkDate())
}

func workInto(e *due.Entry, o historypb.Outcome, mark *date.Date) (err error) {
	switch o {
	case historypb.Outcome_OUTCOME_PASS:
		e.Outcome = due.Pass
	case historypb.Outcome_OUTCOME_FAIL:
		e.Outcome = due.Fail
	case historypb.Outcome_OUTCOME_INCONCLUSIVE:
		e.Outcome = due.Inconclusive
	case historypb.Outcome_OUTCOME_CONDEMNED:
		e.Outcome = due.Condemned
	default:
		return fmt.Errorf("entry %s ended in a way this version does not know", e.ID)
	}
	e.Mark, err = markOf(mark)
	return err
}

func conditionInto(e *due.Entry, c *historypb.Condition) error {
	e.Kind, e.Condition = due.Condition, c.GetCondition()
	switch c.GetSeverity() {
	case historypb.Condition_SEVERITY_PULL:
		e.Pull, e.Activities = true, c.GetClearedBy()
	case historypb.Condition_SEVERITY_NOTE:
	default:
		return fmt.Errorf("entry %s has a severity this version does not know", e.ID)
	}
	return nil
}

func markOf(d *date.Date) (civil.Mark, error) {
	if d == nil {
		return civil.Mark{}, nil
	}
	return civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
}

// instantOf returns the instant to the microsecond, which is what the database keeps; zero if unset.
func instantOf(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime().Truncate(time.Microsecond)
}

func orgOf(name string) (tenant.Org, bool) {
	return tenant.New(strings.TrimPrefix(name, "orgs/"))
}
