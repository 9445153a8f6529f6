package historyrpc_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// A test is judged with the instruments as they were calibrated on its day.
func TestCalibrationDecides(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	never := w.unit("water-manometer")
	lapsed := w.unit("water-manometer")
	untold := w.unit("water-manometer") // calibrated, and nobody knows for how long
	through := func(unit string, day *datepb.Date) {
		e := &historypb.Entry{Name: unit + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(start.AddDate(-1, 0, 0)), Detail: &historypb.Entry_Test{Test: &historypb.Test{Activity: "calibration", Outcome: historypb.Outcome_OUTCOME_PASS}}}
		if day != nil {
			e.GetTest().Calibration = &historypb.Calibration{ThroughDate: day}
		}
		appendEntries(t, w.history, orgA, e)
	}
	through(lapsed, &datepb.Date{Year: 2026, Month: 2, Day: 28})
	through(untold, nil)
	last := w.unit("water-manometer")
	through(last, &datepb.Date{Year: 2026, Month: 3, Day: 1})
	w.clock.Advance(time.Hour)
	for name, c := range map[string]struct {
		instrument string
		want       historypb.Verdict
	}{
		"in calibration":                        {w.manometer, historypb.Verdict_VERDICT_PASS},
		"on the last day":                       {last, historypb.Verdict_VERDICT_PASS},
		"never calibrated":                      {never, historypb.Verdict_VERDICT_INCONCLUSIVE},
		"lapsed the day before":                 {lapsed, historypb.Verdict_VERDICT_INCONCLUSIVE},
		"calibrated, and not told for how long": {untold, historypb.Verdict_VERDICT_INCONCLUSIVE},
		"without an instrument":                 {"", historypb.Verdict_VERDICT_INCONCLUSIVE},
	} {
		unit := w.unit("second-stage")
		opened := w.open(unit, "second-stage-overhaul", start)
		j := &job{w: w, at: start}
		j.test("as-found", "cracking-effort", true).GetTestMade().Readings[0].Instrument = c.instrument
		out, err := w.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: opened.GetOrder().GetName(), Events: j.events})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		made := out.GetOrder().GetEvents()[0].GetTestMade()
		if got := made.GetJudgement().GetVerdict(); got != c.want {
			t.Errorf("%s: %v, want %v: %v", name, got, c.want, made.GetJudgement())
		}
		want := []string{"test function-test pass"}
		if c.want != historypb.Verdict_VERDICT_PASS {
			want = []string{"test function-test inconclusive"}
		}
		wantSaid(t, w.entries(unit), want...)
	}
}

// A calibration that finds an instrument out of tolerance pulls what was tested with it since its last good one, and nothing else (21 CFR 820.72(a) and ISO/IEC
// 17025:2017, 7.10, from memory: the effect on earlier results is looked into).
func TestOutOfTolerance(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.clock.Advance(240 * time.Hour)
	other := w.unit("water-manometer")
	w.calibrate(other, start.AddDate(0, -2, 0), historypb.Outcome_OUTCOME_PASS)
	tested := func(at time.Time, instrument string) (unit, order string) {
		unit = w.unit("second-stage")
		opened := w.open(unit, "second-stage-overhaul", at)
		j := &job{w: w, at: at}
		e := j.test("as-found", "cracking-effort", true)
		e.GetTestMade().Readings[0].Instrument = instrument
		w.record(opened.GetOrder().GetName(), e)
		return unit, opened.GetOrder().GetName()
	}
	before, _ := tested(start, w.manometer)
	w.calibrate(w.manometer, start.Add(24*time.Hour), historypb.Outcome_OUTCOME_PASS)
	since, order := tested(start.Add(48*time.Hour), w.manometer)
	elsewhere, _ := tested(start.Add(48*time.Hour), other)
	found := w.calibrate(w.manometer, start.Add(96*time.Hour), historypb.Outcome_OUTCOME_FAIL)

	wantSaid(t, w.entries(before), "test function-test pass")
	wantSaid(t, w.entries(elsewhere), "test function-test pass")
	wantSaid(t, w.entries(since), "test function-test pass", "condition suspect-instrument cleared by function-test")
	es := w.entries(since)
	last := es[len(es)-1]
	if !last.GetOccurredTime().AsTime().Equal(start.Add(48*time.Hour + time.Second)) {
		t.Errorf("the condition is of %v, want the last test with the instrument", last.GetOccurredTime().AsTime())
	}
	if !strings.Contains(last.GetNote(), found.GetName()) || !strings.Contains(last.GetNote(), w.manometer) {
		t.Errorf("the condition does not say which calibration found what: %s", last.GetNote())
	}
	// The same calibration once more, and again: nothing new.
	n := w.count()
	appendEntries(t, w.history, orgA, found)
	if got := w.count(); got != n {
		t.Errorf("%d entries became %d", n, got)
	}
	// Its order cannot be signed on that test, and a test that arrives late was made with it too.
	if ps := w.get(order).GetProblems(); !slices.ContainsFunc(ps, func(p *historypb.OrderProblem) bool { return p.GetReason() == "CRITICAL_STEP_OPEN" }) {
		t.Errorf("problems: %v", ps)
	}
	late, _ := tested(start.Add(72*time.Hour), w.manometer)
	wantSaid(t, w.entries(late), "test function-test inconclusive")
	// Once calibrated anew it vouches again, for later tests.
	w.calibrate(w.manometer, start.Add(120*time.Hour), historypb.Outcome_OUTCOME_PASS)
	after, _ := tested(start.Add(144*time.Hour), w.manometer)
	wantSaid(t, w.entries(after), "test function-test pass")
	still, _ := tested(start.Add(72*time.Hour), w.manometer)
	wantSaid(t, w.entries(still), "test function-test inconclusive")

	var uses []string
	token := ""
	for {
		out, err := w.orders.ListInstrumentUses(t.Context(), &historypb.ListInstrumentUsesRequest{Parent: w.manometer, PageSize: 2, PageToken: token, OccurredFromTime: timestamppb.New(start.Add(24 * time.Hour))})
		if err != nil {
			t.Fatal(err)
		}
		for _, u := range out.GetUses() {
			uses = append(uses, u.GetUnit())
		}
		if token = out.GetNextPageToken(); token == "" {
			break
		}
	}
	slices.Sort(uses)
	want := []string{since, late, after, still}
	slices.Sort(want)
	if !slices.Equal(uses, want) {
		t.Errorf("uses: %q, want %q", uses, want)
	}
}

// A gauge's own comparison, in an order: what it was found to be is told first and pulls what it had passed; the signature says what it is good for.
func TestComparisonOfAGauge(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.clock.Advance(240 * time.Hour)
	gauge := w.unit("pressure-gauge")
	opened := w.open(gauge, "gauge-comparison", start)
	j := &job{w: w, at: start}
	j.test("found-cylinder-pressure", "cylinder-pressure", false)
	w.record(opened.GetOrder().GetName(), j.events...)
	wantSaid(t, w.entries(gauge), "test calibration fail")
	j = &job{w: w, at: start.Add(time.Minute)}
	j.whole(opened.GetProcedure(), "pressure-gauge")
	for _, e := range j.events {
		if m := e.GetTestMade(); m.GetStep() == "left-cylinder-pressure" {
			m.Calibration = &historypb.Calibration{ThroughDate: &datepb.Date{Year: 2027, Month: 3}, FullScale: quantity(t, "300 bar gauge")}
		}
	}
	req := w.signing(opened.GetOrder().GetName(), start.Add(time.Hour))
	req.Events = j.events
	if _, err := w.orders.SignOrder(t.Context(), req); err != nil {
		t.Fatal(err)
	}
	// No pass of the activity that the procedure performs before the signature.
	wantSaid(t, w.entries(gauge), "test calibration fail", "test calibration pass")
	es := w.entries(gauge)
	if c := es[len(es)-1].GetTest(); c.GetCalibration().GetThroughDate().GetYear() != 2027 || c.GetOrder() == "" || c.GetReadingsEntry() == "" {
		t.Errorf("the calibration: %v", c)
	}
}

// A gauge that is found out before the signature keeps the order from being signed on its tests; found out after it, it pulls the unit from the signature on, so that what was signed
// does not lift the hold.
func TestCalibrationAroundTheSignature(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.clock.Advance(240 * time.Hour)
	work := func(at time.Time) (unit, order string) {
		unit = w.unit("second-stage")
		opened := w.open(unit, "second-stage-overhaul", at)
		j := &job{w: w, at: at}
		j.whole(opened.GetProcedure(), "second-stage")
		w.record(opened.GetOrder().GetName(), j.events...)
		return unit, opened.GetOrder().GetName()
	}
	w.stock(w.open(w.unit("second-stage"), "second-stage-overhaul", start).GetProcedure(), shelf)
	signed, order := work(start)
	_, open := work(start)
	at := start.Add(time.Hour)
	if _, err := w.orders.SignOrder(t.Context(), w.signing(order, at)); err != nil {
		t.Fatal(err)
	}
	w.calibrate(w.manometer, start.Add(24*time.Hour), historypb.Outcome_OUTCOME_FAIL)
	es := w.entries(signed)
	last := es[len(es)-1]
	if last.GetCondition().GetCondition() != "suspect-instrument" || !last.GetOccurredTime().AsTime().Equal(at) {
		t.Errorf("what pulls the unit is of %v, and it was signed at %v: %v", last.GetOccurredTime().AsTime(), at, last.GetCondition())
	}
	_, err := w.orders.SignOrder(t.Context(), w.signing(open, start.Add(25*time.Hour)))
	if got := keptBy(t, err); !slices.Equal(got, []string{"TEST_INCONCLUSIVE tests/cracking-effort"}) {
		t.Errorf("kept by %q", got)
	}
}
