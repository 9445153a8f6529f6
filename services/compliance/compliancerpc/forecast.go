package compliancerpc

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/forecast"
)

// beforeDays is how many days ahead the chance is asked for if nobody says.
const beforeDays = 30

// ForecastUnit says when the usage limits of a unit and of its parts will be reached. It is made from the entries each time, for any instant and as
// known at any.
func (s *Server) ForecastUnit(ctx context.Context, req *compliancepb.ForecastUnitRequest) (*compliancepb.ForecastUnitResponse, error) {
	org, err := resname.Org(ctx, "unit", req.GetUnit())
	if err != nil {
		return nil, err
	}
	unit, err := resname.Unit(org, "unit", req.GetUnit())
	if err != nil {
		return nil, err
	}
	at, err := asked("instant", req.GetInstant(), s.clock.Now())
	if err != nil {
		return nil, err
	}
	known, err := asked("known_time", req.GetKnownTime(), time.Time{})
	if err != nil {
		return nil, err
	}
	resp := &compliancepb.ForecastUnitResponse{}
	resp.Position, err = s.read(ctx, org, req.GetAtLeast(), func(ctx context.Context, r *compliancepg.Reader) error {
		set, input, err := r.Explain(ctx, unit, at, known)
		if err != nil {
			return err
		}
		on := set.Stand(at).On
		before, err := beforeOf(req.GetBeforeDate(), on)
		if err != nil {
			return err
		}
		forecasts, err := forecastsOf(ctx, r, set, input, at, known)
		if err != nil {
			return err
		}
		n := orgNaming(org, nil)
		resp.BeforeDate, resp.Forecasts = datePB(civil.Day(before)), make([]*compliancepb.UsageForecast, len(forecasts))
		for i := range forecasts {
			resp.Forecasts[i] = forecastPB(&forecasts[i], before, n)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// forecastsOf returns the forecasts of a set, its own and then its parts'. A unit that no work makes fit again, or that is not in the
// fleet, has none.
func forecastsOf(ctx context.Context, r *compliancepg.Reader, set *compliance.Set, input func(uuid.UUID) due.Input, at, known time.Time) ([]compliance.UsageForecast, error) {
	if !compliance.WorkIsDue(set.Self, at) {
		return nil, nil
	}
	st := set.Stand(at)
	return compliance.Forecasts(st.Clocks, st.On, at, known, input, func(q compliance.PeerQuery) ([]due.Input, error) { return r.Peers(ctx, q) })
}

// beforeOf returns the day before which a chance is asked: one after the day asked about, as far as a forecast reaches.
func beforeOf(d *date.Date, on civil.Date) (civil.Date, error) {
	if d == nil {
		return on.AddDays(beforeDays), nil
	}
	mark, err := civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
	last := on.AddMonths(12 * forecast.Years)
	if err != nil || mark.IsMonth() || mark.First() <= on || mark.First() > last {
		given := fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
		return 0, errs.Field("before_date", given, fmt.Sprintf("want a day after %s and up to %s", on, last))
	}
	return mark.First(), nil
}

func forecastPB(f *compliance.UsageForecast, before civil.Date, n naming) *compliancepb.UsageForecast {
	c, o := f.Clock, f.Outlook
	return &compliancepb.UsageForecast{
		Rule: n.rule(c.Pack.ID, c.Rule.ID), Unit: n.unit(c.Unit), Measure: compliancepb.Measure(f.Measure), Left: f.Left,
		ExpectedDate: datePB(o.Expected), EarlyDate: datePB(o.Early), LateDate: datePB(o.Late), Chance: o.Before(before),
		WeeklyRate: o.WeeklyRate, OwnWeight: o.OwnWeight, Sentence: f.Sentence(before),
	}
}
