package bench

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"cel.dev/cel-go/common/types"

	"strandline.example/strandline/internal/measure"
)

// Verdict is what a test or one of its criteria comes to.
type Verdict uint8

// The verdicts, from harmless to grave; the gravest of the criteria is that of the test.
const (
	NotApplicable Verdict = iota // of a criterion only: it was not asked
	Pass
	Inconclusive // nobody can say; it holds a unit as a fail does
	Fail
)

// String returns the verdict in a word or two.
func (v Verdict) String() string {
	switch v {
	case Pass:
		return "pass"
	case Inconclusive:
		return "inconclusive"
	case Fail:
		return "fail"
	}
	return "not applicable"
}

// Judgement is what a test comes to, and why.
type Judgement struct {
	Verdict Verdict
	Reasons []string // why the whole is inconclusive, where no criterion says so
	Derived []Computed
	Results []Result // one per criterion, in the order of the Spec
}

// Computed is a derived quantity.
type Computed struct {
	Name, Title string
	Quantity    *measure.Quantity // in its unit; nil if it could not be computed
	Why         string            // why not
}

// Result is what one criterion comes to.
type Result struct {
	ID, Title   string
	Verdict     Verdict
	Measured    *measure.Quantity // in the limit's unit; nil if it could not be computed, and for what only holds or not
	Low, High   *measure.Quantity // the limits it was compared with
	Uncertainty *measure.Quantity // expanded, of what was measured; nil if it was not asked for or is not known
	GuardBand   *measure.Quantity // by which acceptance stays within the limits; nil under simple acceptance
	// Conforming is the chance that the true value lies within the limits, for a normal distribution about what was measured (JCGM 106:2012, clause 7); nil
	// without an uncertainty. Nothing is decided by it.
	Conforming *float64
	Sentence   string // all of it for a person to read
	Source     Source
}

// bench is one judging.
type bench struct {
	test    *Test
	in      *Input
	values  map[string]any // readings and what is derived from them, for expressions
	read    map[string]*Reading
	suspect map[string]string // readings on which nothing can be built, and why
	failed  map[string]string // derived quantities that could not be computed, and why
	budget  budget
}

// Judge judges what was read. It returns problems, and no judgement, for what is no proper input; everything else is in the judgement.
func (t *Test) Judge(in Input) (*Judgement, []Problem) {
	b := &bench{test: t, in: &in, values: map[string]any{}, read: map[string]*Reading{}, suspect: map[string]string{}, failed: map[string]string{}, budget: budget{maxWhole}}
	if problems := b.take(); len(problems) > 0 {
		return nil, problems
	}
	j := &Judgement{Verdict: Pass}
	for i := range t.spec.Readings {
		w := &t.spec.Readings[i]
		if b.read[w.Name] == nil && !w.Optional {
			j.Verdict = Inconclusive
			j.Reasons = append(j.Reasons, fmt.Sprintf("%s was not read, and the test asks for it.", w.title()))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(b.suspect)) {
		j.Verdict = Inconclusive
		j.Reasons = append(j.Reasons, b.suspect[name])
	}
	for _, d := range t.derived {
		j.Derived = append(j.Derived, b.compute(d))
	}
	judged := false
	for _, k := range t.criteria {
		r := b.judge(k)
		j.Results = append(j.Results, r)
		j.Verdict = max(j.Verdict, r.Verdict)
		judged = judged || r.Verdict != NotApplicable
	}
	if !judged {
		j.Verdict = max(j.Verdict, Inconclusive)
		j.Reasons = append(j.Reasons, "No criterion applies to what was read, so nothing was judged.")
	}
	return j, nil
}

func (w *Wanted) title() string { return named(w.Title, w.Name) }

func named(title, name string) string {
	if title != "" {
		return title
	}
	return name
}

// compute derives a quantity and keeps it.
func (b *bench) compute(d *derivation) Computed {
	out := Computed{Name: d.Name, Title: d.Title}
	if missing := b.missing(d.needs); len(missing) > 0 {
		out.Why = notRead(missing)
	} else if q, err := d.in(b.values, &b.budget); err != nil {
		out.Why = clean(err)
	} else {
		out.Quantity = &q
		b.values[d.Name] = quantityValue{q}
		return out
	}
	b.failed[d.Name] = out.Why
	return out
}

// in computes the quantity from values, in its unit.
func (d *derivation) in(values map[string]any, b *budget) (measure.Quantity, error) {
	q, err := d.expression.quantity(values, b)
	if err != nil {
		return q, err
	}
	return q.In(d.Unit)
}

// missing returns the titles of readings that were not taken, and whether all of them are optional.
func (b *bench) missing(needs map[string]bool) (out []*Wanted) {
	for i := range b.test.spec.Readings {
		if w := &b.test.spec.Readings[i]; needs[w.Name] && b.read[w.Name] == nil {
			out = append(out, w)
		}
	}
	return out
}

func notRead(missing []*Wanted) string {
	names := make([]string, len(missing))
	for i, w := range missing {
		names[i] = w.title()
	}
	return strings.Join(names, " and ") + " was not read"
}

// clean returns what an error says without the compiler's trimmings.
func clean(err error) string {
	return strings.TrimPrefix(strings.TrimSpace(err.Error()), "evaluation error: ")
}

// judge judges one criterion.
func (b *bench) judge(k *criterion) Result {
	r := Result{ID: k.ID, Title: named(k.Title, k.ID), Source: k.Source}
	end := func(v Verdict, why string) Result {
		r.Verdict = v
		r.Sentence = r.Title + ": " + why + "."
		return r
	}
	if missing := b.missing(k.needs); len(missing) > 0 {
		if slices.ContainsFunc(missing, func(w *Wanted) bool { return !w.Optional }) {
			return end(Inconclusive, "not judged, as "+notRead(missing))
		}
		return end(NotApplicable, "not asked, as "+notRead(missing))
	}
	if k.when != nil {
		applies, err := k.when.truth(b.values, &b.budget)
		if err != nil {
			return end(Inconclusive, "whether it applies cannot be told: "+b.why(k, err))
		}
		if !applies {
			return end(NotApplicable, "does not apply")
		}
	}
	if k.Op == Holds {
		holds, err := k.of.truth(b.values, &b.budget)
		if err != nil {
			return end(Inconclusive, "not judged: "+b.why(k, err))
		}
		v, word := Fail, "does not hold"
		if holds {
			v, word = Pass, "holds"
		}
		if why := b.suspected(k); why != "" {
			return end(Inconclusive, word+", but "+why)
		}
		return end(v, word)
	}
	y, low, high, err := b.measured(k, b.values)
	if err != nil {
		return end(Inconclusive, "not judged: "+b.why(k, err))
	}
	r.Measured, r.Low, r.High = &y, low, high
	guard, why := b.guard(k, &r)
	v, say := k.decide(&r, guard)
	switch {
	case b.suspected(k) != "":
		v, say = Inconclusive, say+"; nothing follows from it, as "+b.suspected(k)
	case why != "":
		// A limit that is broken as measured is broken whatever the uncertainty, unless breaking it must be proved.
		if k.Rule == GuardedBothWays || v != Fail {
			v, say = Inconclusive, say+"; "+why
		}
	}
	return end(v, say)
}

// why says why something could not be computed: because what it is derived from could not be.
func (b *bench) why(k *criterion, err error) string {
	for _, d := range b.test.derived {
		if why := b.failed[d.Name]; why != "" && k.usesName(d.Name) {
			return named(d.Title, d.Name) + " could not be computed: " + why
		}
	}
	return clean(err)
}

func (k *criterion) usesName(name string) bool {
	for _, e := range []*expression{k.when, k.of, k.low, k.high} {
		if e != nil && e.uses[name] {
			return true
		}
	}
	return false
}

// suspected says why nothing can be built on a reading that a criterion needs.
func (b *bench) suspected(k *criterion) string {
	for _, name := range slices.Sorted(maps.Keys(k.needs)) {
		if why := b.suspect[name]; why != "" {
			return strings.TrimSuffix(why, ".")
		}
	}
	return ""
}

// measured computes what is judged and its limits from values: all in the unit of the limit.
func (b *bench) measured(k *criterion, values map[string]any) (y measure.Quantity, low, high *measure.Quantity, err error) {
	if y, err = k.of.quantity(values, &b.budget); err != nil {
		return y, nil, nil, err
	}
	bound := func(wanted bool, limit Bound, e *expression) (*measure.Quantity, error) {
		if !wanted {
			return nil, nil
		}
		if e == nil {
			return &limit.Quantity, nil
		}
		q, err := e.quantity(values, &b.budget)
		return &q, err
	}
	if low, err = bound(k.Op.low(), k.Low, k.low); err != nil {
		return y, nil, nil, err
	}
	if high, err = bound(k.Op.high(), k.High, k.high); err != nil {
		return y, nil, nil, err
	}
	unit := y.Unit()
	switch {
	case high != nil:
		unit = high.Unit()
	case low != nil:
		unit = low.Unit()
	}
	y, err = y.In(unit)
	return y, low, high, err
}

// take checks the input and turns it into values.
func (b *bench) take() (problems []Problem) {
	c := &taker{bench: b, instruments: map[string]*Instrument{}}
	c.all()
	for name, r := range b.read {
		w := b.test.wanted[name]
		switch w.Kind {
		case Value:
			b.values[name] = quantityValue{*r.Quantity}
		case Series:
			b.values[name] = seriesValue(r.Series)
		case Choice:
			b.values[name] = types.String(r.Choice)
		case YesNo:
			b.values[name] = types.Bool(*r.Yes)
		case Count:
			b.values[name] = quantityValue{measure.Number(*r.Count)}
		}
	}
	return c.problems
}
