package bench

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/measure"
)

func q(t testing.TB, text string) measure.Quantity {
	t.Helper()
	out, err := measure.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func unit(t testing.TB, symbol string) measure.Unit {
	t.Helper()
	u, err := measure.ParseUnit(symbol)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func compiled(t testing.TB, s Spec) *Test {
	t.Helper()
	out, problems := Compile(s)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return out
}

// on is the day of the tests.
var on = civil.New(2026, time.May, 20)

// hydrostatic is the test of 49 CFR 180.205: a cylinder whose permanent expansion exceeds a tenth of the total is condemned.
func hydrostatic(t testing.TB) Spec {
	return Spec{
		ID: "hydrostatic", Title: "Hydrostatic test",
		Readings: []Wanted{
			{Name: "total", Title: "Total expansion", Kind: Value, Unit: unit(t, "mL")},
			{Name: "permanent", Title: "Permanent expansion", Kind: Value, Unit: unit(t, "mL")},
		},
		Derived: []Derived{{Name: "share", Title: "Permanent over total expansion", Expression: "permanent / total", Unit: unit(t, "%")}},
		Criteria: []Criterion{{
			ID: "permanent-expansion", Title: "Permanent over total expansion", Of: "share", Op: AtMost, High: Bound{Quantity: q(t, "10 %")}, Rule: Simple,
		}},
	}
}

// read returns readings of quantities, in pairs of a name and a text.
func read(t testing.TB, pairs ...string) (out []Reading) {
	for i := 0; i+1 < len(pairs); i += 2 {
		v := q(t, pairs[i+1])
		out = append(out, Reading{Name: pairs[i], Quantity: &v})
	}
	return out
}

// TestExact: the ratios that binary floating point puts above a tenth are exactly a tenth, and pass a limit that must not be exceeded.
func TestExact(t *testing.T) {
	t.Parallel()
	test := compiled(t, hydrostatic(t))
	for _, total := range []string{"22.4", "24.9", "27.4", "34.3", "40.3", "41.9", "42.3", "44.8"} {
		whole, _ := new(big.Rat).SetString(total)
		permanent := new(big.Rat).Quo(whole, big.NewRat(10, 1)).FloatString(2)
		for by, want := range map[string]Verdict{permanent: Pass, permanent + "0000000001": Fail} {
			j, problems := test.Judge(Input{Day: on, Readings: read(t, "total", total+" mL", "permanent", by+" mL")})
			if len(problems) > 0 || j.Verdict != want || len(j.Results) != 1 || j.Results[0].Verdict != want {
				t.Fatalf("%s of %s: %+v, %v; want %v", by, total, j, problems, want)
			}
		}
	}
	j, _ := test.Judge(Input{Day: on, Readings: read(t, "total", "22.4 mL", "permanent", "0.002240000001 L")})
	if got := j.Results[0].Sentence; got != "Permanent over total expansion: 10.000000004 % measured, at most 10 % allowed." {
		t.Error(got)
	}
}

// calibrated is an instrument in calibration on the day.
func calibrated(id, kind string, u *Uncertainty) Instrument {
	return Instrument{ID: id, Kind: kind, Calibrated: civil.Day(civil.New(2026, 1, 15)), CalibrationDue: civil.Day(civil.New(2026, 7, 14)), Uncertain: u}
}

// guarded is an intermediate pressure judged with a guard band; the limit and the uncertainties are invented.
func guarded(t testing.TB, rule Rule, factor *big.Rat) Spec {
	return Spec{
		ID: "ip", Title: "Intermediate pressure",
		Readings: []Wanted{{Name: "ip", Title: "Intermediate pressure", Kind: Value, Unit: unit(t, "psi"), Reference: measure.Gauge, Instrument: "pressure gauge"}},
		Criteria: []Criterion{{ID: "ip", Title: "Intermediate pressure", Of: "ip", Op: AtMost, High: Bound{Quantity: q(t, "145 psi gauge")}, Rule: rule, GuardFactor: factor}},
	}
}

// TestDecisionRules walks across the limit and its guard bands: U is 3.0 psi at k = 2, so that u is 1.5 psi.
func TestDecisionRules(t *testing.T) {
	t.Parallel()
	factor, _ := new(big.Rat).SetString("0.825") // 1.65 u
	for _, tt := range []struct {
		read   string
		rule   Rule
		factor *big.Rat
		want   Verdict
	}{
		{"142.0", Simple, nil, Pass}, {"145.0", Simple, nil, Pass}, {"145.0001", Simple, nil, Fail},
		{"142.0", Guarded, nil, Pass}, {"142.0001", Guarded, nil, Inconclusive}, {"145.0", Guarded, nil, Inconclusive}, {"145.1", Guarded, nil, Fail},
		{"142.525", Guarded, factor, Pass}, {"142.526", Guarded, factor, Inconclusive}, {"142.6", Guarded, factor, Inconclusive},
		{"142.0", GuardedBothWays, nil, Pass}, {"142.5", GuardedBothWays, nil, Inconclusive}, {"145.1", GuardedBothWays, nil, Inconclusive},
		{"147.9999", GuardedBothWays, nil, Inconclusive}, {"148.0", GuardedBothWays, nil, Fail}, {"148.1", GuardedBothWays, nil, Fail},
	} {
		u := &Uncertainty{Quantity: q(t, "3.0 psi difference")}
		r := read(t, "ip", tt.read+" psi gauge")
		r[0].Instrument = "G-1"
		in := Input{Day: on, Readings: r, Instruments: []Instrument{calibrated("G-1", "pressure gauge", u)}}
		j, problems := compiled(t, guarded(t, tt.rule, tt.factor)).Judge(in)
		if len(problems) > 0 || j.Verdict != tt.want {
			t.Errorf("%s by %v: %+v, %v; want %v", tt.read, tt.rule, j, problems, tt.want)
			continue
		}
		t.Log(j.Verdict, j.Results[0].Sentence, *j.Results[0].Conforming)
		// Without an uncertainty nothing guarded passes.
		in.Instruments[0].Uncertain = nil
		if j, _ = compiled(t, guarded(t, tt.rule, tt.factor)).Judge(in); tt.rule != Simple && j.Verdict == Pass {
			t.Errorf("%s by %v without an uncertainty passes", tt.read, tt.rule)
		}
	}
}

// TestInstruments: whatever it reads, a test with an instrument out of calibration on the day is inconclusive.
func TestInstruments(t *testing.T) {
	t.Parallel()
	test := compiled(t, guarded(t, Simple, nil))
	good := calibrated("G-1", "pressure gauge", nil)
	for _, tt := range []struct {
		name string
		make func(i *Instrument)
		day  civil.Date
		want Verdict
		says string
	}{
		{"in calibration", func(*Instrument) {}, on, Pass, "140 psi gauge measured"},
		{"the first day", func(*Instrument) {}, civil.New(2026, 1, 15), Pass, ""},
		{"the day before", func(*Instrument) {}, civil.New(2026, 1, 14), Inconclusive, "before its calibration of 2026-01-15"},
		{"the last day", func(*Instrument) {}, civil.New(2026, 7, 14), Pass, ""},
		{"the day after", func(*Instrument) {}, civil.New(2026, 7, 15), Inconclusive, "out of calibration since 2026-07-15"},
		{"never", func(i *Instrument) { i.Calibrated = civil.Mark{} }, on, Inconclusive, "whose calibration is not known"},
		{"without an end", func(i *Instrument) { i.CalibrationDue = civil.Mark{} }, on, Inconclusive, "whose calibration is not known"},
		{"month", func(i *Instrument) { i.CalibrationDue = civil.Month(2026, time.May) }, civil.New(2026, 5, 31), Pass, ""},
		{"month after", func(i *Instrument) { i.CalibrationDue = civil.Month(2026, time.May) }, civil.New(2026, 6, 1), Inconclusive, "out of calibration since 2026-06-01"},
		{"out of tolerance", func(i *Instrument) { i.OutOfTolerance = true }, on, Inconclusive, "found out of tolerance"},
		{"end of scale", func(i *Instrument) { v := q(t, "139 psi gauge"); i.FullScale = &v }, on, Inconclusive, "beyond the end of the scale"},
		{"within the scale", func(i *Instrument) { v := q(t, "10 bar gauge"); i.FullScale = &v }, on, Pass, ""},
	} {
		i := good
		tt.make(&i)
		r := read(t, "ip", "140 psi gauge")
		r[0].Instrument = i.ID
		j, problems := test.Judge(Input{Day: tt.day, Readings: r, Instruments: []Instrument{i}})
		if len(problems) > 0 || j.Verdict != tt.want || !strings.Contains(fmt.Sprint(j.Reasons, j.Results[0].Sentence), tt.says) {
			t.Errorf("%s: %+v, %v", tt.name, j, problems)
		}
	}
	j, _ := test.Judge(Input{Day: on, Readings: read(t, "ip", "140 psi gauge")})
	if j.Verdict != Inconclusive || !strings.Contains(j.Results[0].Sentence, "no instrument is named") {
		t.Errorf("without an instrument: %+v", j)
	}
	if j, _ := test.Judge(Input{Day: on}); j.Verdict != Inconclusive || !strings.Contains(j.Results[0].Sentence, "not judged, as Intermediate pressure was not read") {
		t.Errorf("without a reading: %+v", j)
	}
}

// series is a test of everything that is made of a series; the pressures are invented.
func series(t testing.TB) Spec {
	psi, rate := unit(t, "psi"), unit(t, "psi/min")
	d := func(name, expr string, u measure.Unit, r measure.Reference) Derived {
		return Derived{Name: name, Expression: expr, Unit: u, Reference: r}
	}
	return Spec{
		ID: "lock-up", Title: "Lock-up",
		Readings: []Wanted{
			{Name: "ip", Kind: Series, Unit: psi, Reference: measure.Gauge},
			{Name: "master", Kind: Series, Unit: psi, Reference: measure.Gauge, Optional: true},
			{Name: "seal", Kind: Choice, Choices: []string{"clean", "worn"}, Optional: true},
			{Name: "nicked", Kind: YesNo, Optional: true},
			{Name: "removed", Kind: Count, Optional: true},
			{Name: "scale", Kind: Value, Unit: psi, Reference: measure.Gauge, Stated: true, Optional: true},
		},
		Derived: []Derived{
			d("creep", "ip.at(quantity(\"5 min\")) - ip.first()", psi, measure.Difference),
			d("creep_again", "ip.at(quantity(\"5 min\")) - ip.at(quantity(\"0 s\"))", psi, measure.Difference),
			d("rise", "ip.change()", psi, measure.Difference),
			d("rate", "ip.slope()", rate, measure.None),
			d("average", "ip.mean()", psi, measure.Gauge),
			d("swing", "ip.max() - ip.min()", psi, measure.Difference),
			d("lasted", "ip.span()", unit(t, "min"), measure.None),
			d("mean_rate", "rise / lasted", rate, measure.None),
			d("off", "deviation(ip, master)", psi, measure.Difference),
			d("off_scale", "of_full_scale(off, scale)", unit(t, "%"), measure.None),
			d("test_pressure", "5 / 3 * scale", psi, measure.Gauge),
			d("half", "max(rise, -rise) * quantity(\"0.5\")", psi, measure.Difference),
			d("left", "3 - removed", measure.One(), measure.None),
		},
		Criteria: []Criterion{
			{ID: "creep", Of: "creep", Op: AtMost, High: Bound{Quantity: q(t, "5 psi difference")}, Rule: Simple},
			{ID: "clean", Of: `seal == "clean" && !nicked`, Op: Holds},
			{ID: "off", Of: "off_scale", Op: AtMost, High: Bound{Quantity: q(t, "2 %")}, Rule: Simple},
			{ID: "worn", When: `seal == "worn"`, Of: "removed", Op: Between, Low: Bound{Quantity: q(t, "1")}, High: Bound{Quantity: q(t, "3")}, Rule: Simple},
			{ID: "marked", Of: "ip.max()", Op: LessThan, High: Bound{Expression: "scale"}, Rule: Simple},
		},
	}
}

func sampled(t testing.TB, name string, pairs ...string) Reading {
	r := Reading{Name: name}
	for i := 0; i+1 < len(pairs); i += 2 {
		r.Series = append(r.Series, Sample{At: q(t, pairs[i]), Value: q(t, pairs[i+1])})
	}
	return r
}

func TestSeries(t *testing.T) {
	t.Parallel()
	test := compiled(t, series(t))
	yes, three := false, int64(3)
	scale := q(t, "300 psi gauge")
	in := Input{Day: on, Readings: []Reading{
		sampled(t, "ip", "0 s", "135 psi gauge", "2 min", "137 psi gauge", "240 s", "139 psi gauge", "6 min", "141 psi gauge"),
		sampled(t, "master", "0 min", "134 psi gauge", "120 s", "137.5 psi gauge", "4 min", "132 psi gauge", "6 min", "141 psi gauge"),
		{Name: "seal", Choice: "clean"}, {Name: "nicked", Yes: &yes}, {Name: "removed", Count: &three}, {Name: "scale", Quantity: &scale},
	}}
	j, problems := test.Judge(in)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	var got []string
	for _, d := range j.Derived {
		got = append(got, d.Name+" "+d.Quantity.String())
	}
	want := []string{
		"creep 5 psi difference", "creep_again 5 psi difference", "rise 6 psi difference", "rate 1 psi/min", "average 138 psi gauge", "swing 6 psi difference",
		"lasted 6 min", "mean_rate 1 psi/min", "off 7 psi difference", "off_scale 2.33333333333333 %", "test_pressure 500 psi gauge", "half 3 psi difference", "left 0",
	}
	if !slices.Equal(got, want) {
		t.Errorf("derived\n%s, want\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	var verdicts []string
	for _, r := range j.Results {
		verdicts = append(verdicts, r.ID+" "+r.Verdict.String())
	}
	if want := []string{"creep pass", "clean pass", "off fail", "worn not applicable", "marked pass"}; !slices.Equal(verdicts, want) || j.Verdict != Fail {
		t.Errorf("%v, %v, want %v", j.Verdict, verdicts, want)
	}
	// A series that ends too soon decides nothing.
	in.Readings = []Reading{sampled(t, "ip", "0 s", "135 psi gauge", "2 min", "137 psi gauge")}
	j, _ = test.Judge(in)
	if j.Verdict != Inconclusive || !strings.Contains(j.Results[0].Sentence, "creep could not be computed: the series ends at 2 min, before 5 min") || j.Results[1].Verdict != NotApplicable {
		t.Errorf("%+v", j)
	}
}
