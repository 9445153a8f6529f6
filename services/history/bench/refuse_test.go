package bench

import (
	"math/big"
	"slices"
	"strings"
	"testing"

	"strandline.example/strandline/internal/measure"
)

// TestCompileRefuses: what is wrong with a Spec is told before anything is measured, with its field and what to do.
func TestCompileRefuses(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name   string
		change func(s *Spec)
		field  string
		want   string
	}{
		{"no readings", func(s *Spec) { s.Readings = nil }, "readings", "there are 0; want 1 to 100"},
		{"no criteria", func(s *Spec) { s.Criteria = nil }, "criteria", "there are 0; want 1 to 60"},
		{"a name", func(s *Spec) { s.Readings[0].Name = "Total" }, "readings[0].name", "want a small letter"},
		{"a word taken", func(s *Spec) { s.Readings[0].Name = "max" }, "readings[0].name", "use this word for something else"},
		{"twice", func(s *Spec) { s.Readings[1].Name = "total" }, "readings[1].name", "another reading or derived quantity has this name"},
		{"derived as a reading", func(s *Spec) { s.Derived[0].Name = "total" }, "derived[0].name", "another reading"},
		{"no kind", func(s *Spec) { s.Readings[0].Kind = 0 }, "readings[0].kind", "say what the reading is"},
		{"no choices", func(s *Spec) { s.Readings[0] = Wanted{Name: "total", Kind: Choice} }, "readings[0].choices", "2 to 20"},
		{"no reference", func(s *Spec) { s.Readings[0].Unit = unit(t, "bar") }, "readings[0].reference", "gauge, absolute or difference"},
		{"a reference", func(s *Spec) { s.Readings[0].Reference = measure.Gauge }, "readings[0].reference", "mL is no pressure"},
		{"stated and measured", func(s *Spec) { s.Readings[0].Stated, s.Readings[0].Instrument = true, "burette" }, "readings[0].stated", "leave out one"},
		{"unknown name", func(s *Spec) { s.Derived[0].Expression = "permanent / totall" }, "derived[0].expression", "no reading and no function called totall; there are permanent, total; and quantity("},
		{"later name", func(s *Spec) { s.Derived[0].Expression = "share" }, "derived[0].expression", "share is derived later"},
		{"unknown criterion", func(s *Spec) { s.Criteria[0].Of = "shares" }, "criteria[0].of", "called shares"},
		{"another dimension", func(s *Spec) { s.Derived[0].Expression = "permanent" }, "derived[0].expression", "it yields volume, and the unit % is for number or fraction"},
		{"adding what differs", func(s *Spec) { s.Derived[0].Expression = "permanent / total + permanent" }, "derived[0].expression", "do not go together"},
		{"comparing what differs", func(s *Spec) { s.Criteria[0].When = "permanent > 3" }, "criteria[0].when", "do not go together"},
		{"when of no truth", func(s *Spec) { s.Criteria[0].When = "permanent" }, "criteria[0].when", "want true or false"},
		{"decimals", func(s *Spec) { s.Derived[0].Expression = "permanent / total * 0.5" }, "derived[0].expression", "is written as a quantity"},
		{"a quantity made up", func(s *Spec) { s.Derived[0].Expression = `quantity("1 " + "mL") / total` }, "derived[0].expression", "want the quantity written out"},
		{"a quantity that is none", func(s *Spec) { s.Derived[0].Expression = `quantity("1 psig") / total` }, "derived[0].expression", "then psi gauge"},
		{"a loop", func(s *Spec) { s.Derived[0].Expression = "[1, 2].map(x, x)" }, "derived[0].expression", ""},
		{"a list", func(s *Spec) { s.Criteria[0].When = "[1] == [2]" }, "criteria[0].when", ""},
		{"no CEL", func(s *Spec) { s.Criteria[0].Of = "share ==" }, "criteria[0].of", "no CEL"},
		{"one equals sign", func(s *Spec) { s.Criteria[0].When = "permanent = total" }, "criteria[0].when", "a single '='"},
		{"nothing", func(s *Spec) { s.Criteria[0].Of = " " }, "criteria[0].of", "the expression is empty"},
		{"a limit of another kind", func(s *Spec) { s.Criteria[0].High.Quantity = q(t, "10 mL") }, "criteria[0].high", "it is volume, and what is compared with it is number or fraction"},
		{"no limit", func(s *Spec) { s.Criteria[0].High = Bound{} }, "criteria[0].high", "state the limit"},
		{"a limit too many", func(s *Spec) { s.Criteria[0].Low.Quantity = q(t, "1 %") }, "criteria[0].low", "leave it out"},
		{"limits exchanged", func(s *Spec) {
			s.Criteria[0].Op, s.Criteria[0].Low.Quantity = Between, q(t, "11 %")
		}, "criteria[0].low", "exchange them"},
		{"no comparison", func(s *Spec) { s.Criteria[0].Op = 0 }, "criteria[0].comparison", "say how it is compared"},
		{"no rule", func(s *Spec) { s.Criteria[0].Rule = 0 }, "criteria[0].decision_rule", "say how uncertainty"},
		{"no guard", func(s *Spec) { s.Criteria[0].GuardFactor = big.NewRat(1, 1) }, "criteria[0].guard_factor", "only a guarded rule"},
		{"guard of nothing", func(s *Spec) { s.Criteria[0].Rule, s.Criteria[0].GuardFactor = Guarded, new(big.Rat) }, "criteria[0].guard_factor", "above 0"},
		{"uncertainty of another kind", func(s *Spec) { u := q(t, "1 mL"); s.Criteria[0].Uncertainty = &u }, "criteria[0].uncertainty", "want number or fraction"},
		{"holds without truth", func(s *Spec) { s.Criteria[0].Op, s.Criteria[0].High = Holds, Bound{} }, "criteria[0].of", "true or false"},
		{"an id", func(s *Spec) { s.Criteria[0].ID = "A b" }, "criteria[0].id", "small letters"},
		{"an id twice", func(s *Spec) { s.Criteria = append(s.Criteria, s.Criteria[0]) }, "criteria[1].id", "give each its own"},
		{"a choice never made", func(s *Spec) {
			s.Readings = append(s.Readings, Wanted{Name: "odour", Kind: Choice, Choices: []string{"none", "slight"}})
			s.Criteria[0].When = `odour == "nonne"`
		}, "criteria[0].when", `odour is never "nonne"; it is one of none, slight`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			s := hydrostatic(t)
			tt.change(&s)
			_, problems := Compile(s)
			i := slices.IndexFunc(problems, func(p Problem) bool { return p.Field == tt.field && strings.Contains(p.Text, tt.want) })
			if i < 0 {
				t.Fatalf("%v, want %s: %s", problems, tt.field, tt.want)
			}
			if p := problems[i]; len(p.Text) > 1200 || p.Text == "" || strings.Contains(p.Field, "expression") && p.Value == "" {
				t.Errorf("%+v", p)
			}
		})
	}
}

// TestJudgeRefuses: what is no reading is refused, with the field, the value and what to do, and nothing is judged.
func TestJudgeRefuses(t *testing.T) {
	t.Parallel()
	p := func(text string) *measure.Quantity { v := q(t, text); return &v }
	yes, minus := true, int64(-1)
	test := compiled(t, series(t))
	for _, tt := range []struct {
		name  string
		give  Input
		field string
		want  string
	}{
		{"another dimension", Input{Readings: []Reading{{Name: "scale", Quantity: p("3 mL")}}}, "readings[0].quantity", "it is in mL, which measures volume; want pressure, such as in psi"},
		{"absolute without an ambient", Input{Readings: []Reading{{Name: "scale", Quantity: p("3 psi absolute")}}}, "readings[0].quantity", "as gauge; read it so, or state the ambient pressure"},
		{"a difference", Input{Ambient: p("1 bar absolute"), Readings: []Reading{{Name: "scale", Quantity: p("3 psi difference")}}}, "readings[0].quantity", "as gauge; read it so"},
		{"below vacuum", Input{Readings: []Reading{{Name: "scale", Quantity: p("-1.2 bar gauge")}}}, "readings[0].quantity", "below vacuum anywhere on earth"},
		{"below this vacuum", Input{Ambient: p("900 hPa absolute"), Readings: []Reading{{Name: "scale", Quantity: p("-0.95 bar gauge")}}}, "readings[0].quantity", "below vacuum, with 900 hPa absolute around the bench"},
		{"an ambient that is none", Input{Ambient: p("1 bar gauge")}, "ambient", "as an absolute one"},
		{"backwards", Input{Readings: []Reading{sampled(t, "ip", "0 s", "1 psi gauge", "60 s", "1 psi gauge", "59 s", "1 psi gauge")}}, "readings[0].series.samples[2].elapsed", "not after the one before it, 60 s"},
		{"standing still", Input{Readings: []Reading{sampled(t, "ip", "60 s", "1 psi gauge", "1 min", "1 psi gauge")}}, "readings[0].series.samples[1].elapsed", "not after"},
		{"before it began", Input{Readings: []Reading{sampled(t, "ip", "-1 s", "1 psi gauge")}}, "readings[0].series.samples[0].elapsed", "want the time"},
		{"no time", Input{Readings: []Reading{sampled(t, "ip", "1 mL", "1 psi gauge")}}, "readings[0].series.samples[0].elapsed", "want the time"},
		{"a sample of another dimension", Input{Readings: []Reading{sampled(t, "ip", "1 s", "1 mL")}}, "readings[0].series.samples[0].quantity", "want pressure"},
		{"empty", Input{Readings: []Reading{{Name: "ip"}}}, "readings[0].series", "is a series, and none is given"},
		{"one for a series", Input{Readings: []Reading{{Name: "ip", Quantity: p("1 psi gauge")}}}, "readings[0].quantity", "leave this out"},
		{"too many", Input{Readings: []Reading{{Name: "ip", Series: make([]Sample, MaxSamples+1)}}}, "readings[0].series.samples", "at most 1000"},
		{"unknown", Input{Readings: []Reading{{Name: "ipp", Quantity: p("1 psi gauge")}}}, "readings[0].name", "asks for no such reading; it asks for ip, master"},
		{"twice", Input{Readings: []Reading{{Name: "nicked", Yes: &yes}, {Name: "nicked", Yes: &yes}}}, "readings[1].name", "given twice"},
		{"no choice of it", Input{Readings: []Reading{{Name: "seal", Choice: "dirty"}}}, "readings[0].choice", "one of clean, worn"},
		{"below nothing", Input{Readings: []Reading{{Name: "removed", Count: &minus}}}, "readings[0].count", "not below zero"},
		{"no such instrument", Input{Readings: []Reading{{Name: "scale", Quantity: p("3 psi gauge"), Instrument: "G-9"}}}, "readings[0].instrument", "no such instrument"},
		{"instrument twice", Input{Instruments: []Instrument{{ID: "G"}, {ID: "G"}}}, "instruments[1].id", "given twice"},
		{"no instrument", Input{Instruments: []Instrument{{}}}, "instruments[0].id", "has no id"},
		{"scale of another dimension", Input{Instruments: []Instrument{func() Instrument { i := calibrated("G", "gauge", nil); i.FullScale = p("3 mL"); return i }()},
			Readings: []Reading{{Name: "scale", Quantity: p("3 psi gauge"), Instrument: "G"}}, Day: on}, "readings[0].instrument", "its scale is in mL"},
		{"less than no uncertainty", Input{Instruments: []Instrument{{ID: "G", Uncertain: &Uncertainty{Quantity: q(t, "-1 psi difference")}}}}, "instruments[0].uncertainty", "not below zero"},
		{"part of no scale", Input{Instruments: []Instrument{{ID: "G", Uncertain: &Uncertainty{Quantity: q(t, "1 %"), Of: OfFullScale}}}}, "instruments[0].full_scale", "state it"},
		{"part that is none", Input{Instruments: []Instrument{{ID: "G", Uncertain: &Uncertainty{Quantity: q(t, "1 mL"), Of: OfReading}}}}, "instruments[0].uncertainty", "is a fraction"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			j, problems := test.Judge(tt.give)
			if j != nil || !slices.ContainsFunc(problems, func(p Problem) bool { return p.Field == tt.field && strings.Contains(p.Text, tt.want) }) {
				t.Errorf("%v, %v; want %s: %s", j, problems, tt.field, tt.want)
			}
		})
	}
}

// TestNeverBelowZero: less than nothing of a gas or an oil is an instrument that is off, and never within a limit.
func TestNeverBelowZero(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		give    string
		refused bool
	}{
		{"-1 ppm", true}, {"-0.5 mL/m3", true}, {"-0.1 mg/m3", true}, {"-1 g", true}, {"-1 µg/m3", true}, {"0 ppm", false}, {"-0 mg/m3", false},
		{"-1 %", false}, {"-1", false}, {"-0.1 mL", false}, {"-1 mm", false}, {"-3 °C", false}, {"-1 N·m", false}, {"-1 L/min", false}, {"-2 mbar difference", false},
	} {
		v := q(t, tt.give)
		one := v
		if v.Dimension().IsPressure() {
			one = q(t, "5 mbar difference")
		}
		limit, err := measure.New("5", one.Unit(), one.Reference())
		if err != nil {
			t.Fatal(err)
		}
		test := compiled(t, Spec{ID: "x", Title: "X", Readings: []Wanted{{Name: "x", Kind: Value, Unit: v.Unit(), Reference: v.Reference()}},
			Criteria: []Criterion{{ID: "x", Of: "x", Op: AtMost, High: Bound{Quantity: limit}, Rule: Simple}}})
		_, problems := test.Judge(Input{Day: on, Readings: []Reading{{Name: "x", Quantity: &v}}})
		if refused := len(problems) > 0 && strings.Contains(problems[0].Text, "never less than none"); refused != tt.refused || !refused && len(problems) > 0 {
			t.Errorf("%s: %v", tt.give, problems)
		}
	}
}

// TestAmbient: with the pressure around the bench an absolute reading answers for a gauge one, and what was given stays as it was.
func TestAmbient(t *testing.T) {
	t.Parallel()
	ambient := q(t, "1 bar absolute")
	given := read(t, "ip", "11 bar absolute")
	spec := guarded(t, Simple, nil)
	spec.Readings[0].Instrument = ""
	j, problems := compiled(t, spec).Judge(Input{Day: on, Ambient: &ambient, Readings: given})
	if len(problems) > 0 || j.Verdict != Fail || !strings.Contains(j.Results[0].Sentence, "145.038 psi gauge measured, at most 145 psi gauge allowed") {
		t.Errorf("%+v, %v", j, problems)
	}
	if given[0].Quantity.String() != "11 bar absolute" {
		t.Errorf("what was given became %v", given[0].Quantity)
	}
}

// TestUncertainty: what the instruments' uncertainties come to in a derived quantity, worked out by hand.
func TestUncertainty(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name  string
		u     *Uncertainty
		scale string
		want  string
	}{
		// permanent/total = 2/20: moving the 2 by 0.02 moves it by 0.1 %; moving the 20 by 0.02, to 19.98, by 10.01001 % - 10 % = 0.01001… %.
		{"plain", &Uncertainty{Quantity: q(t, "0.02 mL")}, "", "0.11001001001001 %"},
		// 1 % of each: 0.1 %, and 2/19.8 - 2/20 = 0.10101… %.
		{"of the reading", &Uncertainty{Quantity: q(t, "1 %"), Of: OfReading}, "", "0.201010101010101 %"},
		// 0.1 % of 20 mL is 0.02 mL.
		{"of the scale", &Uncertainty{Quantity: q(t, "0.1 %"), Of: OfFullScale}, "20 mL", "0.11001001001001 %"},
	} {
		spec := hydrostatic(t)
		spec.Criteria[0].Rule = Guarded
		i := calibrated("B", "burette", tt.u)
		if tt.scale != "" {
			v := q(t, tt.scale)
			i.FullScale = &v
		}
		r := read(t, "total", "20 mL", "permanent", "2 mL")
		r[0].Instrument, r[1].Instrument = "B", "B"
		j, problems := compiled(t, spec).Judge(Input{Day: on, Readings: r, Instruments: []Instrument{i}})
		if len(problems) > 0 || j.Verdict != Inconclusive || j.Results[0].GuardBand.String() != tt.want {
			t.Errorf("%s: %v, %v; want %s", tt.name, j.Results[0].GuardBand, problems, tt.want)
		}
		// What is taken as it stands adds nothing.
		spec.Readings[0].Stated = true
		if j, _ := compiled(t, spec).Judge(Input{Day: on, Readings: r, Instruments: []Instrument{i}}); j.Results[0].GuardBand.Rounded(6) != "0.1" {
			t.Errorf("%s: with the total as stated %v", tt.name, j.Results[0].GuardBand)
		}
	}
	// An uncertainty that is stated with the criterion goes before the instruments'.
	spec := hydrostatic(t)
	u := q(t, "0.5 %")
	spec.Criteria[0].Rule, spec.Criteria[0].Uncertainty = Guarded, &u
	for permanent, want := range map[string]Verdict{"1.9 mL": Pass, "1.91 mL": Inconclusive, "2.01 mL": Fail} {
		if j, _ := compiled(t, spec).Judge(Input{Day: on, Readings: read(t, "total", "20 mL", "permanent", permanent)}); j.Verdict != want {
			t.Errorf("%s: %+v, want %v", permanent, j, want)
		}
	}
}
