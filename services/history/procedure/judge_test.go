package procedure

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/measure"
	"strandline.example/strandline/services/history/bench"
)

// read writes readings as people would: `drop 1 bar difference`, `table EN 12021`, `odour no`, a series as `0 s: 1 bar gauge, 5 min: 2 bar gauge`. Each is read with an
// instrument of the kind that the test asks for, in calibration, that is off by nothing.
func read(t *testing.T, test *bench.Test, readings map[string]string) bench.Input {
	t.Helper()
	quantity := func(text string) *measure.Quantity {
		q, err := measure.Parse(text)
		if err != nil {
			t.Fatal(err)
		}
		return &q
	}
	in := bench.Input{Day: civil.New(2026, time.March, 9)}
	for _, w := range test.Spec().Readings {
		text, ok := readings[w.Name]
		if !ok {
			continue
		}
		r := bench.Reading{Name: w.Name}
		switch w.Kind {
		case bench.Value:
			r.Quantity = quantity(text)
		case bench.Series:
			for sample := range strings.SplitSeq(text, ", ") {
				at, value, _ := strings.Cut(sample, ": ")
				r.Series = append(r.Series, bench.Sample{At: *quantity(at), Value: *quantity(value)})
			}
		case bench.Choice:
			r.Choice = text
		case bench.YesNo:
			yes := text == "yes"
			r.Yes = &yes
		case bench.Count:
			n, err := strconv.ParseInt(text, 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			r.Count = &n
		}
		if w.Instrument != "" {
			r.Instrument = w.Name
			i := bench.Instrument{ID: w.Name, Kind: w.Instrument, Calibrated: civil.Month(2026, 1), CalibrationDue: civil.Month(2026, 12)}
			if w.Unit.Dimension().IsPressure() || w.Unit.Dimension() == quantity("1 ft").Dimension() {
				zero := "0 " + w.Unit.Symbol()
				if w.Unit.Dimension().IsPressure() {
					zero += " difference"
				}
				i.Uncertain = &bench.Uncertainty{Quantity: *quantity(zero)}
			}
			in.Instruments = append(in.Instruments, i)
		}
		in.Readings = append(in.Readings, r)
	}
	return in
}

// TestShippedJudge holds the tests of the shipped procedures against published limits and worked figures; the source stands beside each. What is practice says so.
func TestShippedJudge(t *testing.T) {
	t.Parallel()
	with := func(base map[string]string, pairs ...string) map[string]string {
		out := map[string]string{}
		for k, v := range base {
			out[k] = v
		}
		for i := 0; i+1 < len(pairs); i += 2 {
			out[pairs[i]] = pairs[i+1]
		}
		return out
	}
	// 49 CFR 180.209(a) and 180.205. The figures of the first are those of a requalifier's worked report: service 2,400 psi, total 56.3 mL, permanent 0.3 mL.
	hydro := map[string]string{"design": "ordinary", "service": "2400 psi gauge", "pressure": "4000 psi gauge", "held": "30 s", "total": "56.3 mL", "permanent": "0.3 mL", "station_passed": "yes"}
	// A sample that passes two tables and not the third; the limits are those of EN 12021:2014, CGA G-7.1 grade E and 29 CFR 1910.430(b)(3), as each criterion says.
	air := map[string]string{"charging": "200 bar gauge", "oxygen": "21.4 %", "carbon_monoxide": "8 ppm", "carbon_dioxide": "600 ppm", "oil": "0.6 mg/m3", "water": "40 mg/m3", "odour": "no"}
	clean := with(air, "carbon_monoxide", "2 ppm", "carbon_dioxide", "450 ppm", "oil", "0.1 mg/m3")
	// California Title 8 section 6057(b)(1).
	breath := map[string]string{"rate": "15", "inhalation": "-3 inH2O difference", "exhalation": "3 inH2O difference"}
	// Common practice, no source.
	lockUp := map[string]string{"supply": "200 bar gauge", "intermediate": "0 s: 128 psi gauge, 20 s: 135 psi gauge, 5 min: 140 psi gauge"}
	look := map[string]string{"material": "aluminium", "crack": "0", "cracked_elsewhere": "no", "leaks": "no", "heated": "no", "sound": "yes", "marks": "yes"}
	set := map[string]string{"before": "200 bar gauge", "after": "200 bar gauge", "watched": "3 min", "holds_vacuum": "yes"}
	for _, tt := range []struct {
		name, procedure, test string
		give                  map[string]string
		want                  string // verdict, then the criteria that are not pass or not asked
	}{
		{"a worked report", "cylinder-hydrostatic-record", "expansion", hydro, "pass"},
		{"exactly a tenth, which binary floating point takes for more", "cylinder-hydrostatic-record", "expansion", with(hydro, "total", "22.4 mL", "permanent", "2.24 mL"), "pass"},
		{"a little over a tenth", "cylinder-hydrostatic-record", "expansion", with(hydro, "total", "22.4 mL", "permanent", "2.241 mL"), "fail permanent"},
		{"11 % of a 4E", "cylinder-hydrostatic-record", "expansion", with(hydro, "design", "4E", "total", "100 mL", "permanent", "11 mL"), "pass"},
		{"12.1 % of a 4E", "cylinder-hydrostatic-record", "expansion", with(hydro, "design", "4E", "total", "100 mL", "permanent", "12.1 mL"), "fail permanent-4e"},
		{"5 % of a composite; the figure is from memory", "cylinder-hydrostatic-record", "expansion", with(hydro, "design", "composite", "total", "100 mL", "permanent", "5 mL"), "pass"},
		{"6 % of a composite", "cylinder-hydrostatic-record", "expansion", with(hydro, "design", "composite", "total", "100 mL", "permanent", "6 mL"), "fail permanent-composite"},
		{"5/3 of 3,442 psi is more than 5,736 psi", "cylinder-hydrostatic-record", "expansion", with(hydro, "service", "3442 psi gauge", "pressure", "5736 psi gauge"), "fail pressure"},
		{"and less than 5,737 psi", "cylinder-hydrostatic-record", "expansion", with(hydro, "service", "3442 psi gauge", "pressure", "5737 psi gauge"), "pass"},
		{"29 s under pressure", "cylinder-hydrostatic-record", "expansion", with(hydro, "held", "29 s"), "fail held"},
		{"the station said no", "cylinder-hydrostatic-record", "expansion", with(hydro, "station_passed", "no"), "fail station"},
		{"more permanent than total", "cylinder-hydrostatic-record", "expansion", with(hydro, "total", "2 mL", "permanent", "3 mL"), "fail permanent possible"},

		{"by 29 CFR 1910.430", "compressor-air-analysis", "purity", with(air, "table", "OSHA subpart T"), "pass"},
		{"by CGA grade E", "compressor-air-analysis", "purity", with(air, "table", "CGA grade E"), "pass"},
		{"by EN 12021", "compressor-air-analysis", "purity", with(air, "table", "EN 12021"), "fail en-carbon-monoxide en-carbon-dioxide en-oil"},
		{"21 ppm of carbon monoxide by 29 CFR 1910.430", "compressor-air-analysis", "purity", with(air, "table", "OSHA subpart T", "carbon_monoxide", "21 ppm"), "fail osha-carbon-monoxide"},
		{"11 ppm by CGA grade E", "compressor-air-analysis", "purity", with(air, "table", "CGA grade E", "carbon_monoxide", "11 ppm"), "fail grade-e-carbon-monoxide"},
		{"water of 40 mg/m3 at 200 bar", "compressor-air-analysis", "purity", with(clean, "table", "EN 12021"), "pass"},
		{"at 232 bar", "compressor-air-analysis", "purity", with(clean, "table", "EN 12021", "charging", "232 bar gauge"), "fail en-water-300"},
		{"at 300 bar", "compressor-air-analysis", "purity", with(clean, "table", "EN 12021", "charging", "300 bar gauge"), "fail en-water-300"},
		{"35 mg/m3 at 300 bar", "compressor-air-analysis", "purity", with(clean, "table", "EN 12021", "charging", "300 bar gauge", "water", "35 mg/m3"), "pass"},
		{"51 mg/m3 at 200 bar", "compressor-air-analysis", "purity", with(clean, "table", "EN 12021", "water", "51 mg/m3"), "fail en-water-200"},
		{"at every limit of EN 12021", "compressor-air-analysis", "purity", with(clean, "table", "EN 12021", "oxygen", "22 %", "carbon_monoxide", "5 mL/m3", "carbon_dioxide", "500 mL/m3", "oil", "0.5 mg/m3", "water", "50 mg/m3"), "pass"},
		{"too little oxygen", "compressor-air-analysis", "purity", with(clean, "table", "EN 12021", "oxygen", "19.9 %"), "fail en-oxygen"},
		{"an odour", "compressor-air-analysis", "purity", with(air, "table", "OSHA subpart T", "odour", "yes"), "fail odour"},

		{"3 inches of water", "regulator-set-inspection", "breathing-effort", breath, "pass"},
		{"7.5 mbar are 3.011 inches", "regulator-set-inspection", "breathing-effort", with(breath, "exhalation", "7.5 mbar difference"), "fail exhalation"},
		{"3.1 inches of pull", "regulator-set-inspection", "breathing-effort", with(breath, "inhalation", "-3.1 inH2O difference"), "fail inhalation"},
		{"breathed too slowly", "regulator-set-inspection", "breathing-effort", with(breath, "rate", "14"), "fail rate"},
		{"the gauge stands", "regulator-set-inspection", "tightness", set, "pass"},
		{"the gauge moved", "regulator-set-inspection", "tightness", with(set, "after", "199 bar gauge"), "fail stands"},
		{"watched for too short", "regulator-set-inspection", "tightness", with(set, "watched", "179 s"), "fail watched"},

		{"a rise of 5 psi", "first-stage-overhaul", "intermediate-pressure", lockUp, "pass"},
		{"from 135.0 to 140.05 psi", "first-stage-overhaul", "intermediate-pressure", with(lockUp, "intermediate", "0 s: 130 psi gauge, 20 s: 135.0 psi gauge, 5 min: 140.05 psi gauge"), "fail creep"},
		{"too high", "first-stage-overhaul", "intermediate-pressure", with(lockUp, "intermediate", "0 s: 150 psi gauge, 20 s: 151 psi gauge, 6 min: 151 psi gauge"), "fail band"},
		{"9.65 bar", "first-stage-overhaul", "intermediate-pressure", with(lockUp, "intermediate", "0 s: 9.5 bar gauge, 20 s: 9.65 bar gauge, 6 min: 9.65 bar gauge"), "pass"},
		{"watched for 4 minutes", "first-stage-overhaul", "intermediate-pressure", with(lockUp, "intermediate", "0 s: 135 psi gauge, 4 min: 135 psi gauge"), "fail watched"},
		{"an effort of 0.97 inches", "second-stage-overhaul", "cracking-effort", map[string]string{"effort": "0.97 inH2O difference", "intermediate": "140 psi gauge"}, "pass"},
		{"2.41 mbar are 0.97 inches", "second-stage-overhaul", "cracking-effort", map[string]string{"effort": "2.41 mbar difference", "intermediate": "140 psi gauge"}, "pass"},
		{"1.61 inches", "second-stage-overhaul", "cracking-effort", map[string]string{"effort": "1.61 inH2O difference", "intermediate": "140 psi gauge"}, "fail effort"},
		{"1.61 inches for an alternate", "second-stage-overhaul", "cracking-effort-alternate", map[string]string{"effort": "1.61 inH2O difference", "intermediate": "140 psi gauge"}, "pass"},

		{"two gauges 5.0 of 250 apart, exactly 2 % (29 CFR 1910.430(g)(2))", "gauge-comparison", "depth", map[string]string{"found": "0 s: 65.0 ft", "master": "0 s: 60.0 ft", "full_scale": "250 ft"}, "pass"},
		{"5.1 apart", "gauge-comparison", "depth", map[string]string{"found": "0 s: 65.1 ft", "master": "0 s: 60.0 ft", "full_scale": "250 ft"}, "fail scale"},
		{"too shallow is as wrong", "gauge-comparison", "depth", map[string]string{"found": "0 s: 0 ft, 1 min: 54.9 ft", "master": "0 s: 0 ft, 1 min: 60.0 ft", "full_scale": "250 ft"}, "fail scale"},
		{"a tenth of the scale (NOAA)", "gauge-comparison", "cylinder-pressure", map[string]string{"found": "0 s: 0 bar gauge, 1 min: 165 bar gauge", "master": "0 s: 0 bar gauge, 1 min: 200 bar gauge", "full_scale": "350 bar gauge"}, "pass"},
		{"more than that", "gauge-comparison", "cylinder-pressure", map[string]string{"found": "0 s: 0 bar gauge, 1 min: 164.9 bar gauge", "master": "0 s: 0 bar gauge, 1 min: 200 bar gauge", "full_scale": "350 bar gauge"}, "fail scale"},

		{"a sound cylinder", "cylinder-visual-inspection", "look", look, "pass"},
		{"a crack of two threads (49 CFR part 180 Appendix C)", "cylinder-visual-inspection", "look", with(look, "crack", "2"), "fail neck no-crack"},
		{"a shorter one", "cylinder-visual-inspection", "look", with(look, "crack", "1.5"), "fail no-crack"},
		{"176 °C (49 CFR 180.203)", "cylinder-visual-inspection", "look", with(look, "hottest", "176 °C"), "fail heat-aluminium"},
		{"175 °C", "cylinder-visual-inspection", "look", with(look, "hottest", "175 °C"), "pass"},
		{"176.3 °C, which the limit of 350 °F lets pass and the other does not", "cylinder-visual-inspection", "look", with(look, "hottest", "349.34 °F"), "fail heat-aluminium"},
		{"steel at 176 °C", "cylinder-visual-inspection", "look", with(look, "material", "steel", "hottest", "176 °C"), "pass"},
		{"steel at 343 °C", "cylinder-visual-inspection", "look", with(look, "material", "steel", "hottest", "343 °C"), "fail heat-steel"},
		{"nobody looked at the marks", "cylinder-visual-inspection", "look", map[string]string{"material": "steel", "crack": "0", "cracked_elsewhere": "no", "leaks": "no", "heated": "no", "sound": "yes"}, "inconclusive marks"},
		{"an inflator that sticks", "bcd-inspection", "valves", map[string]string{"sticks": "yes", "relief_opens": "yes", "relief_shuts": "yes", "dumps": "yes"}, "fail inflator"},
		{"a valve that leaks when shut", "valve-service", "works", map[string]string{"watched": "3 min", "bubbles_open": "no", "bubbles_shut": "yes", "smooth": "yes", "flows": "yes"}, "fail tight"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			docs, _, err := Shipped.Procedure(tt.procedure)
			if err != nil {
				t.Fatal(err)
			}
			test := docs[0].Procedure.Test(tt.test)
			if test == nil {
				t.Fatalf("there is no test %s", tt.test)
			}
			for name := range tt.give {
				if !slices.ContainsFunc(test.Bench.Spec().Readings, func(w bench.Wanted) bool { return w.Name == name }) {
					t.Errorf("there is no reading %s", name)
				}
			}
			j, problems := test.Bench.Judge(read(t, test.Bench, tt.give))
			if len(problems) > 0 {
				t.Fatal(problems)
			}
			got := j.Verdict.String()
			for _, r := range j.Results {
				if r.Verdict != bench.Pass && r.Verdict != bench.NotApplicable {
					got += " " + r.ID
				}
			}
			if got != tt.want {
				t.Errorf("%s, want %s: %s %+v", got, tt.want, fmt.Sprint(j.Reasons), j.Results)
			}
		})
	}
}
