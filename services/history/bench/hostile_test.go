package bench

import (
	"math/big"
	"runtime/metrics"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/measure"
)

// What an expression may take at worst, however hostile. What it allocates is the same on every machine; the times are for the slowest.
const (
	mostCompileTime = 5 * time.Second
	mostJudgeTime   = 20 * time.Second
	mostBytes       = 64 << 20
)

func allocated() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// filled repeats a part of an expression as often as the length allows, with an end.
func filled(part, end string) string {
	return strings.Repeat(part, (MaxLength-len(end))/len(part)) + end
}

// TestHostile: expressions that ask for more than a criterion may take are refused soon; a criterion that never ends cannot be written.
func TestHostile(t *testing.T) {
	for name, expr := range map[string]string{
		"long":             strings.Repeat("a", MaxLength+1),
		"parentheses":      strings.Repeat("(", 400) + "ip.first()" + strings.Repeat(")", 400),
		"open parentheses": strings.Repeat("(", 900),
		"minus":            strings.Repeat("-", 900) + "scale",
		"abs":              strings.Repeat("abs(", 150) + "scale" + strings.Repeat(")", 150),
		"nots":             strings.Repeat("!", 900) + "nicked",
		"conditions":       strings.Repeat("nicked?", 120) + "1",
		"power":            filled("scale*", "scale"),
		"large number":     strings.Repeat("9", 900),
		"exponent":         "1e" + strings.Repeat("9", 500),
		"large quantity":   `quantity("` + strings.Repeat("9", 900) + ` mL")`,
		"endless text":     `quantity("1`,
		"map":              `{1: 2}[1] == 2`,
		"message":          `google.protobuf.Struct{fields: {}} == {}`,
		"all":              "[1].all(x, x > 0)",
		"exists":           "ip.exists(x, true)",
		"matches":          `seal.matches("(a+)+b")`,
		"text of texts":    filled("seal+", "seal"),
		"time":             `timestamp("2026-01-01T00:00:00Z") > timestamp("2025-01-01T00:00:00Z")`,
		"now":              "now() > 1",
		"zero":             "ip\x00",
		"half a character": "ip\xc3",
	} {
		t.Run(name, func(t *testing.T) {
			spec := series(t)
			spec.Criteria[0].Of = expr
			before, start := allocated(), time.Now()
			_, problems := Compile(spec)
			if took, bytes := time.Since(start), allocated()-before; took > mostCompileTime || bytes > mostBytes {
				t.Errorf("it took %v and %d KB to refuse it", took, bytes>>10)
			}
			if len(problems) == 0 || len(problems[0].Text) > 1500 {
				t.Errorf("%v, want it refused", problems)
			} else if testing.Verbose() {
				t.Logf("%.200v", problems[0])
			}
		})
	}
}

// TestTogether: as many and as long expressions as a Spec may have take their time within bounds, whether they are right or wrong; more are refused.
func TestTogether(t *testing.T) {
	for name, part := range map[string]string{
		"sums": "scale/scale+", "slopes": "ip.slope()/ip.slope()+", "conditions": "(nicked?1:2)/1+", "calls": "abs(abs(abs(scale)))/scale+", "what differs": "scale+ip.span()+", "unknown": "zzz+",
	} {
		t.Run(name, func(t *testing.T) {
			spec := series(t)
			spec.Derived, spec.Criteria = nil, nil
			for i := range MaxTogether / MaxLength {
				spec.Criteria = append(spec.Criteria, Criterion{ID: "c" + string(rune('a'+i)), Of: filled(part, "0"), Op: AtMost, High: Bound{Quantity: q(t, "1")}, Rule: Simple})
			}
			before, start := allocated(), time.Now()
			_, problems := Compile(spec)
			if took, bytes := time.Since(start), allocated()-before; took > 2*mostCompileTime || bytes > mostBytes {
				t.Errorf("it took %v and %d KB to compile it", took, bytes>>10)
			} else if testing.Verbose() {
				t.Logf("%v, %d KB, %d problems", took, bytes>>10, len(problems))
			}
			spec.Criteria[0].When = strings.Repeat(" ", MaxLength) + "nicked"
			if _, problems := Compile(spec); len(problems) != 1 || !strings.Contains(problems[0].Text, "characters together; want at most 10000") {
				t.Errorf("%v", problems)
			}
		})
	}
}

// TestCostly: what is taken takes its time within bounds, on the longest series there may be.
func TestCostly(t *testing.T) {
	long := Reading{Name: "ip"}
	for i := range MaxSamples {
		at, err := measure.New(strings.Repeat("1", 30)+string(rune('0'+i/100))+string(rune('0'+i/10%10))+string(rune('0'+i%10)), unit(t, "s"), measure.None)
		if err != nil {
			t.Fatal(err)
		}
		value, err := measure.New("135."+strings.Repeat("7", 30)+string(rune('0'+i%10)), unit(t, "psi"), measure.Gauge)
		if err != nil {
			t.Fatal(err)
		}
		long.Series = append(long.Series, Sample{At: at, Value: value})
	}
	for name, expr := range map[string]string{
		"slopes":    filled("ip.slope()/ip.slope()+", "0"),
		"means":     filled("ip.mean()/ip.mean()+", "0"),
		"at":        filled(`ip.at(quantity("9 d"))/scale+`, "0"),
		"deviation": filled("deviation(ip,ip)/scale+", "0"),
		"powers":    strings.Repeat("(", 30) + "1" + strings.Repeat("*(scale/ip.mean()))", 30),
	} {
		t.Run(name, func(t *testing.T) {
			spec := series(t)
			spec.Derived = nil
			spec.Criteria = []Criterion{{ID: "x", Of: expr, Op: AtMost, High: Bound{Quantity: q(t, "1")}, Rule: Guarded}}
			test, problems := Compile(spec)
			if len(problems) > 0 {
				t.Fatal(problems)
			}
			scale := q(t, "300 psi gauge")
			before, start := allocated(), time.Now()
			j, problems := test.Judge(Input{Day: on, Readings: []Reading{long, {Name: "scale", Quantity: &scale}}})
			took, bytes := time.Since(start), allocated()-before
			if took > mostJudgeTime || bytes > mostBytes {
				t.Errorf("it took %v and %d KB to judge it", took, bytes>>10)
			}
			if len(problems) > 0 || j.Verdict == Pass {
				t.Errorf("%v, %v", j, problems)
			} else if testing.Verbose() {
				t.Logf("%v, %d KB: %.200s", took, bytes>>10, j.Results[0].Sentence)
			}
		})
	}
}

// TestManyUncertain: working out uncertainties from as many readings as there may be takes its time within bounds, and decides nothing where it is too much.
func TestManyUncertain(t *testing.T) {
	spec, in := Spec{ID: "x", Title: "X"}, Input{Day: on}
	sum := "0"
	for i := range MaxReadings {
		name := "r" + strings.Repeat("i", i%10) + string(rune('a'+i/10))
		spec.Readings = append(spec.Readings, Wanted{Name: name, Kind: Series, Unit: unit(t, "mL")})
		r := Reading{Name: name, Uncertain: &Uncertainty{Quantity: q(t, "0.1 mL")}}
		for s := range maxGuarded {
			at, err := measure.Of(big.NewRat(int64(s), 1), unit(t, "s"), measure.None)
			if err != nil {
				t.Fatal(err)
			}
			r.Series = append(r.Series, Sample{At: at, Value: q(t, "1.25 mL")})
		}
		in.Readings = append(in.Readings, r)
		if len(sum) < 900 && i%2 == 0 {
			sum += "+" + name + ".max()/" + name + ".mean()"
		}
	}
	for i := range 10 {
		spec.Criteria = append(spec.Criteria, Criterion{ID: "c" + string(rune('a'+i)), Of: sum, Op: AtMost, High: Bound{Quantity: q(t, "1000")}, Rule: Guarded})
	}
	test := compiled(t, spec)
	before, start := allocated(), time.Now()
	j, problems := test.Judge(in)
	if took, bytes := time.Since(start), allocated()-before; took > mostJudgeTime || bytes > mostBytes {
		t.Errorf("it took %v and %d KB to judge it", took, bytes>>10)
	} else if testing.Verbose() {
		t.Logf("%v, %d KB: %s", took, bytes>>10, j.Results[0].Sentence)
	}
	if len(problems) > 0 || j.Verdict != Inconclusive {
		t.Errorf("%v, %v", j, problems)
	}
}

// FuzzExpression: whatever an expression says, it compiles or is refused, and what compiles judges or says why not, with every place in the text.
func FuzzExpression(f *testing.F) {
	for _, s := range []string{`creep / scale`, `ip.at(quantity("5 min")) - ip.first()`, `seal == "clean" && !nicked`, `-removed * 3 / 2`, `nicked ? rate : rate * 2`, `of_full_scale(off, scale)`, `1/0`, `abs(min(rise, swing))`,
		`ip == master`, `quantity("1e9 s")`, `ip.slope() / ip.slope() > 3`} {
		f.Add(s)
	}
	scale, three, yes := q(f, "300 psi gauge"), int64(3), true
	in := Input{Day: on, Readings: []Reading{
		sampled(f, "ip", "0 s", "135 psi gauge", "6 min", "141 psi gauge"), sampled(f, "master", "0 s", "135 psi gauge", "6 min", "140 psi gauge"),
		{Name: "seal", Choice: "worn"}, {Name: "removed", Count: &three}, {Name: "nicked", Yes: &yes}, {Name: "scale", Quantity: &scale, Uncertain: &Uncertainty{Quantity: q(f, "1 psi difference")}},
	}}
	f.Fuzz(func(t *testing.T, expr string) {
		spec := series(t)
		spec.Derived = spec.Derived[:4]
		spec.Criteria = []Criterion{
			{ID: "a", Of: expr, Op: AtMost, High: Bound{Expression: expr}, Rule: Guarded},
			{ID: "b", Of: expr, Op: Holds},
			{ID: "c", When: expr, Of: "creep", Op: MoreThan, Low: Bound{Quantity: q(t, "5 psi difference")}, Rule: Simple},
		}
		for i := range spec.Criteria {
			one := spec
			one.Criteria = spec.Criteria[i : i+1]
			test, problems := Compile(one)
			for _, p := range problems {
				if p.Text == "" || len(p.Text) > 1600 || p.Line < 0 || p.Line > 1+strings.Count(expr, "\n") {
					t.Errorf("%q: %+v", expr, p)
				}
			}
			if len(problems) > 0 {
				continue
			}
			j, problems := test.Judge(in)
			if len(problems) > 0 || j.Results[0].Sentence == "" || len(j.Results[0].Sentence) > 4000 {
				t.Errorf("%q: %+v, %v", expr, j, problems)
			}
			// What equals itself is at most itself.
			if r := j.Results[0]; i == 0 && r.Verdict == Fail {
				t.Errorf("%q is more than itself: %+v", expr, r)
			}
		}
	})
}
