package compliancerpc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/civil"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// filterPack counts running time, weighed and not, and fills. Its figures are common practice, no source.
const filterPack = `
title: Compressors
effectiveDate: {year: 2020, month: 1, day: 1}
rules:
  - {id: filter, title: Filter, activity: filter-change, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [compressor]}, limit: {runningTime: 180000s, fills: 500}, runningTimeWeights: [{fromCelsius: -20, percent: 50}, {fromCelsius: 20, percent: 200}], baselines: [BASELINE_COMMISSIONING], blocks: [USE_FILL]}
  - {id: oil, title: Oil, activity: oil-change, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [compressor]}, limit: {months: 12, runningTime: 360000s}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_FILL]}
`

func (r *rig) forecast(req *compliancepb.ForecastUnitRequest) *compliancepb.ForecastUnitResponse {
	r.t.Helper()
	req.AtLeast = r.position
	resp, err := r.compliance.ForecastUnit(r.t.Context(), req)
	if err != nil {
		r.t.Fatal(err)
	}
	return resp
}

func dayOf(t *testing.T, d *date.Date) civil.Date {
	t.Helper()
	m, err := civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
	if err != nil {
		t.Fatal(err)
	}
	return m.First()
}

// TestForecastUnit asks for a set whose dives reach its part, beside others of its kind.
func TestForecastUnit(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage", "bcd", "torch")
	host, part, bcd, torch := r.unit("regulator-set", "R-1", "north"), r.unit("first-stage", "F-1", "north"), r.unit("bcd", "B-1", "north"), r.unit("torch", "L-1", "north")
	r.fit(part, host)

	// Nothing is known of any use: nothing is said of a day.
	empty := r.forecast(&compliancepb.ForecastUnitRequest{Unit: host})
	if len(empty.GetForecasts()) != 2 {
		t.Fatalf("forecasts of the set and its part: %v", empty)
	}
	for _, f := range empty.GetForecasts() {
		if f.GetExpectedDate() != nil || f.GetEarlyDate() != nil || f.GetLateDate() != nil || f.GetChance() != 0 || f.GetWeeklyRate() != 0 || f.GetLeft() != 100 || !strings.Contains(f.GetSentence(), "no use on record") {
			t.Errorf("from nothing: %v", f)
		}
	}

	// Eight sets go about 5 dives a week; this one too, from four months ago on.
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range 8 {
		u := r.unit("regulator-set", fmt.Sprintf("R-1%d", i), []string{"north", "south"}[i%2])
		for day := -120; day < 0; day += 1 + rng.IntN(7) {
			r.record(u, now.AddDate(0, 0, day), dives(int64(1+rng.IntN(4))))
		}
	}
	unused := r.forecast(&compliancepb.ForecastUnitRequest{Unit: host}).GetForecasts()[0]
	r.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: &registrypb.Unit{
		Name: r.org + "/units/" + uuid.NewString(), AssetTag: "R-2", Model: r.org + "/models/regulator-set", Kind: "regulator-set", Shop: r.org + "/shops/north",
		CommissionDate: &date.Date{Year: 2026, Month: 6, Day: 1}, State: registrypb.Unit_STATE_ACTIVE, Placements: []*registrypb.Placement{{Shop: r.org + "/shops/north"}},
	}}})
	all := r.registry.changes[r.org]
	fresh := r.forecast(&compliancepb.ForecastUnitRequest{Unit: all[len(all)-1].GetUnit().GetName()}).GetForecasts()[0]
	r.record(host, now.AddDate(0, 0, -115), dives(3))
	known := r.clock.Now()
	r.clock.Advance(time.Hour)
	for day := -110; day < 0; day += 4 {
		r.record(host, now.AddDate(0, 0, day), dives(3))
	}
	resp := r.forecast(&compliancepb.ForecastUnitRequest{Unit: host})
	if dayOf(t, resp.GetBeforeDate()) != civil.New(2026, time.July, 1) || !proto3Equal(resp.GetPosition(), r.position) {
		t.Errorf("before %v at %v", resp.GetBeforeDate(), resp.GetPosition())
	}
	if len(resp.GetForecasts()) != 2 || resp.GetForecasts()[0].GetUnit() != host || resp.GetForecasts()[1].GetUnit() != part {
		t.Fatalf("forecasts of the set and its part: %v", resp)
	}
	f := resp.GetForecasts()[0]
	clock := r.standing(host).GetClocks()[0]
	if f.GetRule() != clock.GetRule() || f.GetMeasure() != compliancepb.Measure_MEASURE_DIVES || f.GetLeft() != clock.GetDivesLeft() || f.GetLeft() != 13 {
		t.Errorf("what is left: %v, the clock has %v", f, clock)
	}
	on := civil.In(now, time.UTC)
	early, expected, late := dayOf(t, f.GetEarlyDate()), dayOf(t, f.GetExpectedDate()), dayOf(t, f.GetLateDate())
	if !(on <= early && early < expected && expected < late) || expected-on < 8 || expected-on > 35 {
		t.Errorf("13 dives left at 5 a week: %s, %s, %s", early, expected, late)
	}
	if f.GetWeeklyRate() < 3.5 || f.GetWeeklyRate() > 7 || f.GetOwnWeight() <= 0 || f.GetOwnWeight() >= 1 || !strings.HasPrefix(f.GetSentence(), "13 dives are left. At ") {
		t.Errorf("rate, weight, sentence: %v", f)
	}
	// The chance agrees with the days.
	for day, chance := range map[civil.Date]float64{early: 0.05, expected: 0.5, late: 0.95} {
		for less, d := range []civil.Date{day + 1, day} {
			y, m, dd := d.Parts()
			got := r.forecast(&compliancepb.ForecastUnitRequest{Unit: host, BeforeDate: &date.Date{Year: int32(y), Month: int32(m), Day: int32(dd)}}).GetForecasts()[0].GetChance()
			if (got >= chance) != (less == 0) || math.Abs(got-chance) > 0.15 {
				t.Errorf("the chance before %s is %v, and %s is the day for %v", d, got, day, chance)
			}
		}
	}
	// Before its own history there were months without any use; a new unit goes by its kind, and the spread is wider.
	if unused.GetWeeklyRate() > 1 || unused.GetExpectedDate() != nil || unused.GetEarlyDate() == nil || unused.GetOwnWeight() < 0.9 {
		t.Errorf("a unit without use: %v", unused)
	}
	if fresh.GetOwnWeight() != 0 || fresh.GetWeeklyRate() < 3 || fresh.GetWeeklyRate() > 7 || !strings.Contains(fresh.GetSentence(), "by 5 other units of its kind,") {
		t.Errorf("a new unit: %v", fresh)
	}
	// A part goes by the set's dives that reach it, since it was fitted.
	if p := resp.GetForecasts()[1]; p.GetLeft() != 13 || p.GetWeeklyRate() < 3 || p.GetWeeklyRate() > 7 {
		t.Errorf("the part: %v", p)
	}

	// As known before most was recorded, and at an instant before most happened.
	if g := r.forecast(&compliancepb.ForecastUnitRequest{Unit: host, KnownTime: timestamppb.New(known)}).GetForecasts()[0]; g.GetLeft() != 97 {
		t.Errorf("as known then: %v", g)
	}
	past := r.forecast(&compliancepb.ForecastUnitRequest{Unit: host, Instant: timestamppb.New(now.AddDate(0, 0, -50))})
	if g := past.GetForecasts()[0]; g.GetLeft() != 100-3-16*3 || dayOf(t, past.GetBeforeDate()) != on-50+30 || dayOf(t, g.GetEarlyDate()) < on-50 {
		t.Errorf("50 days ago: %v", past)
	}

	// What is used up has no forecast, nor what has no usage limit, what no rule is for, what is condemned or retired.
	r.record(host, now.Add(-time.Hour), dives(20))
	r.record(bcd, now.Add(-time.Hour), dives(20))
	for _, u := range []string{host, bcd, torch} {
		if resp := r.forecast(&compliancepb.ForecastUnitRequest{Unit: u}); len(resp.GetForecasts()) != 0 {
			t.Errorf("%s: %v", u, resp)
		}
	}
	other := r.unit("regulator-set", "R-3", "south")
	if resp := r.forecast(&compliancepb.ForecastUnitRequest{Unit: other}); len(resp.GetForecasts()) != 1 || dayOf(t, resp.GetBeforeDate()) != civil.New(2026, time.July, 1) {
		t.Errorf("in the south: %v", resp)
	}
	r.record(other, now.Add(-time.Hour), test("overhaul", historypb.Outcome_OUTCOME_CONDEMNED))
	if resp := r.forecast(&compliancepb.ForecastUnitRequest{Unit: other}); len(resp.GetForecasts()) != 0 {
		t.Errorf("condemned: %v", resp)
	}
}

// TestForecastRunningTime asks for hours, weighed by the air's temperature and not, from runs and from a meter, and for fills.
func TestForecastRunningTime(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("filters", filterPack)
	r.catalogue("compressor")
	unit, metered := r.unit("compressor", "C-1", "north"), r.unit("compressor", "C-2", "north")
	run := func(on time.Time, d time.Duration, celsius int32) {
		r.record(unit, on, func(e *historypb.Entry) {
			e.Detail = &historypb.Entry_Usage{Usage: &historypb.Usage{IntakeCelsius: &celsius, Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{RunningTime: durationpb.New(d), Fills: 4}}}}
		})
	}
	for week := range 20 { // an hour a week on a hot day
		run(now.AddDate(0, 0, -7*week-3), time.Hour, 25)
	}
	for week := range 20 { // read once a week, two hours each
		r.record(metered, now.AddDate(0, 0, -7*(19-week)-3), func(e *historypb.Entry) {
			e.Detail = &historypb.Entry_Usage{Usage: &historypb.Usage{Amount: &historypb.Usage_Reading{Reading: &historypb.MeterReading{
				Value: &historypb.MeterReading_RunningTime{RunningTime: durationpb.New(time.Duration(2*week+2) * time.Hour)},
			}}}}
		})
	}
	want := map[string]struct {
		left    int64
		measure compliancepb.Measure
		weekly  float64
	}{
		"filter hours": {10, compliancepb.Measure_MEASURE_RUNNING_TIME, 2},
		"filter fills": {420, compliancepb.Measure_MEASURE_FILLS, 4},
		"oil hours":    {80, compliancepb.Measure_MEASURE_RUNNING_TIME, 1},
	}
	for _, f := range r.forecast(&compliancepb.ForecastUnitRequest{Unit: unit}).GetForecasts() {
		name := f.GetRule()[strings.LastIndex(f.GetRule(), "/")+1:] + map[compliancepb.Measure]string{compliancepb.Measure_MEASURE_RUNNING_TIME: " hours", compliancepb.Measure_MEASURE_FILLS: " fills"}[f.GetMeasure()]
		w, ok := want[name]
		if !ok || f.GetLeft() != w.left || f.GetMeasure() != w.measure || math.Abs(f.GetWeeklyRate()-w.weekly) > w.weekly*0.4 {
			t.Errorf("%s: %v, want %+v", name, f, w)
		}
		delete(want, name)
	}
	if len(want) > 0 {
		t.Errorf("no forecast of %v", want)
	}
	for _, f := range r.forecast(&compliancepb.ForecastUnitRequest{Unit: metered}).GetForecasts() {
		if strings.HasSuffix(f.GetRule(), "/oil") && (f.GetLeft() != 60 || math.Abs(f.GetWeeklyRate()-2) > 0.8) {
			t.Errorf("40 hours by the meter, two a week: %v", f)
		}
	}
}

// TestForecastUnitRefuses names what is wrong.
func TestForecastUnitRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set")
	unit := r.unit("regulator-set", "R-1", "north")
	for name, d := range map[string]*date.Date{
		"today":           {Year: 2026, Month: 6, Day: 1},
		"the past":        {Year: 2020, Month: 1, Day: 1},
		"a month":         {Year: 2026, Month: 8},
		"no date":         {Year: 2026, Month: 2, Day: 30},
		"eleven years on": {Year: 2037, Month: 6, Day: 2},
		"nothing":         {},
	} {
		_, err := r.compliance.ForecastUnit(t.Context(), &compliancepb.ForecastUnitRequest{Unit: unit, BeforeDate: d, AtLeast: r.position})
		wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
		if !strings.Contains(err.Error(), "2026-06-01") || !strings.Contains(err.Error(), "before_date") {
			t.Errorf("%s: %v", name, err)
		}
	}
	_, err := r.compliance.ForecastUnit(t.Context(), &compliancepb.ForecastUnitRequest{Unit: r.org + "/units/" + uuid.NewString()})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	_, err = r.compliance.ForecastUnit(t.Context(), &compliancepb.ForecastUnitRequest{Unit: unit, Instant: &timestamppb.Timestamp{Seconds: -62135596800}})
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = r.compliance.ForecastUnit(t.Context(), &compliancepb.ForecastUnitRequest{Unit: unit, KnownTime: &timestamppb.Timestamp{Seconds: -62135596800}})
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = r.compliance.ForecastUnit(t.Context(), &compliancepb.ForecastUnitRequest{Unit: unit, AtLeast: &typepb.Position{Compliance: 99}})
	wantReason(t, err, codes.Unavailable, "NOT_CAUGHT_UP")
	foreign := compliancepb.NewComplianceServiceClient(r.conn(auth.RoleChainManager, "atoll"))
	_, err = foreign.ForecastUnit(t.Context(), &compliancepb.ForecastUnitRequest{Unit: unit})
	wantReason(t, err, codes.PermissionDenied, "ORG_MISMATCH")

	// Asked twice, it says the same.
	a, b := r.forecast(&compliancepb.ForecastUnitRequest{Unit: unit}), r.forecast(&compliancepb.ForecastUnitRequest{Unit: unit})
	if diff := cmp.Diff(a, b, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
}
