package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func newForecastCmd(a *app) *cobra.Command {
	var before string
	var m moments
	cmd := &cobra.Command{
		Use:   "forecast TAG",
		Short: "when a unit's dives, hours and fills will be used up, and how sure that is",
		Long: `For every usage limit of the unit and of what is fitted to it that is not reached yet: the day by which it is as likely as not to
be used up, the days by which it is with a chance of 1 in 20 and of 19 in 20, and the chance that it is before a day. No day is
named beyond ten years.

It goes by what the unit was used for in the last three years, the latest most, by what others of its kind at shops with the
same seasons were used for where the unit's own history is short, and by how use goes with the months.

It is an estimate for planning. Limits are judged by what was counted, never by this.`,
		Example: `  strandline forecast GB-REG-014
  strandline forecast GB-REG-014 --before 2026-09-01
  strandline forecast GB-REG-014 --as-of 2026-02-01 --as-known 2026-02-01 --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				day, err := parseDay("before", before)
				if err != nil {
					return err
				}
				u, err := c.unit(ctx, args[0])
				if err != nil {
					return err
				}
				req := &compliancepb.ForecastUnitRequest{Unit: u.GetName(), BeforeDate: day}
				if req.Instant, req.KnownTime, err = m.read(ctx, c, u.GetShop()); err != nil {
					return err
				}
				if req.AtLeast, err = c.atLeast(ctx); err != nil {
					return err
				}
				r, err := c.Compliance.ForecastUnit(ctx, req)
				if err != nil {
					return err
				}
				if a.json() {
					return a.printJSON(r)
				}
				units := make([]string, 0, len(r.GetForecasts()))
				for _, f := range r.GetForecasts() {
					units = append(units, f.GetUnit())
				}
				zone, _ := c.zone(ctx, u.GetShop())
				forecastView{a: a, unit: u, zone: zone, tags: c.tags(ctx, units)}.print(req, r)
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&before, "before", "", "the `day` before which the chance is asked (default 30 days ahead)")
	m.flags(cmd, "", "")
	return cmd
}

// forecastView prints the forecasts of a unit for people.
type forecastView struct {
	a    *app
	unit *registrypb.Unit
	zone *time.Location
	tags map[string]string // by unit name
}

func (v forecastView) print(req *compliancepb.ForecastUnitRequest, r *compliancepb.ForecastUnitResponse) {
	a := v.a
	a.paragraph(a.out, "", fmt.Sprintf("%s  %s, at %s", v.unit.GetAssetTag(), v.unit.GetKind(), lastID(v.unit.GetShop())))
	when := "Now"
	if req.GetInstant() != nil {
		when = "At " + showInstant(req.GetInstant(), v.zone)
	}
	if req.GetKnownTime() != nil {
		when += ", as known at " + showInstant(req.GetKnownTime(), v.zone)
	}
	if len(r.GetForecasts()) == 0 {
		a.printf("%s: no limit by dives, hours or fills that is yet to be reached.\n", when)
		return
	}
	a.printf("%s:\n\n", when)
	t := newTable(">left", "part", "rule", ">a week", "1 in 20 by", "expected", "19 in 20 by", ">before "+showDate(r.GetBeforeDate()), ">own history")
	for _, f := range r.GetForecasts() {
		days := []string{"not known", "not known", "not known"}
		weekly, chance, own := "not known", "not known", ""
		if f.GetWeeklyRate() > 0 {
			for i, d := range []string{showDate(f.GetEarlyDate()), showDate(f.GetExpectedDate()), showDate(f.GetLateDate())} {
				if days[i] = d; d == "" {
					days[i] = "over 10 years"
				}
			}
			weekly, chance, own = fmt.Sprintf("%.1f", f.GetWeeklyRate()), percent(f.GetChance()), percent(f.GetOwnWeight())
		}
		t.row(measured(f.GetMeasure(), f.GetLeft()), v.part(f.GetUnit()), packAndRule(f.GetRule()), weekly, days[0], days[1], days[2], chance, own)
	}
	t.write(a.out, "  ", a.columns)
	for _, f := range r.GetForecasts() {
		head := packAndRule(f.GetRule())
		if part := v.part(f.GetUnit()); part != "" {
			head += " on " + part
		}
		a.printf("\n")
		a.paragraph(a.out, "", head)
		a.paragraph(a.out, "  ", f.GetSentence())
	}
}

// part returns the tag of a part, and nothing for the unit itself.
func (v forecastView) part(unit string) string {
	if unit == v.unit.GetName() {
		return ""
	}
	if tag, ok := v.tags[unit]; ok {
		return tag
	}
	return lastID(unit)
}

// measured prints how much there is of a measure.
func measured(m compliancepb.Measure, n int64) string {
	switch m {
	case compliancepb.Measure_MEASURE_DIVES:
		return plural(n, "dive")
	case compliancepb.Measure_MEASURE_RUNNING_TIME:
		return fmt.Sprintf("%dh", n)
	case compliancepb.Measure_MEASURE_FILLS:
		return plural(n, "fill")
	}
	return fmt.Sprint(n)
}

// percent prints a chance or a share in whole hundredths; never as certain.
func percent(p float64) string {
	switch {
	case p > 0 && p < 0.005:
		return "<1%"
	case p < 1 && p > 0.995:
		return ">99%"
	}
	return strings.TrimSpace(fmt.Sprintf("%.0f%%", 100*p))
}
