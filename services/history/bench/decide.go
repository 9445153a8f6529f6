package bench

import (
	"fmt"
	"maps"
	"math"
	"math/big"
	"slices"

	"strandline.example/strandline/internal/measure"
)

// guard works out the uncertainty of what was measured and the guard band, and puts them into the result. If a guarded rule needs an uncertainty
// that is not known, it says why.
func (b *bench) guard(k *criterion, r *Result) (guard *measure.Quantity, why string) {
	u, cover, why := b.uncertainty(k, *r.Measured)
	if why == "" {
		if u2, err := u.In(r.Measured.Unit()); err == nil {
			u = u2
		}
		r.Uncertainty = &u
		r.Conforming = conforming(*r.Measured, r.Low, r.High, u, cover)
	}
	if k.Rule != Guarded && k.Rule != GuardedBothWays {
		return nil, ""
	}
	if why != "" {
		return nil, why
	}
	factor := k.GuardFactor
	if factor == nil {
		factor = big.NewRat(1, 1)
	}
	g, err := u.Scale(factor)
	if err != nil {
		return nil, clean(err)
	}
	r.GuardBand = &g
	return &g, ""
}

// uncertainty returns the expanded uncertainty of what a criterion judges: the one stated, or what the uncertainties of the readings behind it
// come to. Each reading is moved by its own uncertainty, up and down, and the greatest effects are added. To first order that is never less than the root of
// the sum of squares of JCGM 100, clause 5.1, and holds for readings that depend on one another, such as two of one instrument.
func (b *bench) uncertainty(k *criterion, y measure.Quantity) (total measure.Quantity, cover *big.Rat, why string) {
	if k.Uncertainty != nil {
		return *k.Uncertainty, big.NewRat(2, 1), ""
	}
	total, err := y.Sub(y)
	if err != nil {
		return total, nil, clean(err)
	}
	cover = big.NewRat(2, 1)
	for _, name := range slices.Sorted(maps.Keys(k.measures)) {
		w := b.test.wanted[name]
		var values []measure.Quantity
		switch w.Kind {
		case Value:
			values = []measure.Quantity{*b.read[name].Quantity}
		case Series:
			for _, s := range b.read[name].Series {
				values = append(values, s.Value)
			}
			if len(values) > maxGuarded {
				return total, nil, fmt.Sprintf("the uncertainty is not worked out from a series of more than %d readings: state it with the criterion", maxGuarded)
			}
		default:
			continue
		}
		for i, v := range values {
			u, cov, known := b.expanded(name, v)
			if !known {
				return total, nil, fmt.Sprintf("the uncertainty of %s is not known", w.title())
			}
			if u.Sign() == 0 {
				continue
			}
			if cov.Cmp(cover) < 0 {
				cover = cov
			}
			effect, err := b.effect(k, name, i, u)
			if err == nil {
				total, err = total.Add(effect)
			}
			if err != nil {
				return total, nil, "what the uncertainty of " + w.title() + " does cannot be computed: " + clean(err)
			}
		}
	}
	return total, cover, ""
}

// effect returns the greatest change, without its sign, in what is judged, or in its distance from a limit, when a reading is moved by its uncertainty.
func (b *bench) effect(k *criterion, name string, sample int, u measure.Quantity) (measure.Quantity, error) {
	var out measure.Quantity
	before, err := b.distances(k, b.values)
	if err != nil {
		return out, err
	}
	for n, sign := range []int64{1, -1} {
		by, err := u.Scale(big.NewRat(sign, 1))
		if err != nil {
			return out, err
		}
		after, err := b.distances(k, b.moved(k, name, sample, by))
		if err != nil {
			return out, err
		}
		for i := range after {
			d, err := after[i].Sub(before[i])
			if err != nil {
				return out, err
			}
			if d, err = d.Abs(); err != nil {
				return out, err
			}
			if n == 0 && i == 0 {
				out = d
			} else if c, err := d.Cmp(out); err != nil {
				return out, err
			} else if c > 0 {
				out = d
			}
		}
	}
	return out, nil
}

// distances returns what is judged, less each limit.
func (b *bench) distances(k *criterion, values map[string]any) (out []measure.Quantity, err error) {
	if values == nil {
		return nil, fmt.Errorf("a reading so far off cannot be")
	}
	y, low, high, err := b.measured(k, values)
	if err != nil {
		return nil, err
	}
	for _, limit := range []*measure.Quantity{low, high} {
		if limit == nil {
			continue
		}
		d, err := y.Sub(*limit)
		if err != nil {
			return nil, err
		}
		out = append(out, d)
	}
	return out, nil
}

// moveCost is what it costs to move a reading, beside computing with it.
const moveCost = 20

// moved returns the values with one reading moved, and everything derived from it anew; nil if it cannot be moved.
func (b *bench) moved(k *criterion, name string, sample int, by measure.Quantity) map[string]any {
	b.budget.left -= min(b.budget.left, moveCost)
	values := maps.Clone(b.values)
	switch v := values[name].(type) {
	case quantityValue:
		q, err := v.q.Add(by)
		if err != nil {
			return nil
		}
		values[name] = quantityValue{q}
	case seriesValue:
		s := slices.Clone(v)
		q, err := s[sample].Value.Add(by)
		if err != nil {
			return nil
		}
		s[sample].Value = q
		values[name] = s
	}
	for _, d := range b.test.derived {
		if !d.needs[name] || b.failed[d.Name] != "" {
			continue
		}
		q, err := d.in(values, &b.budget)
		if err != nil {
			delete(values, d.Name)
			continue
		}
		values[d.Name] = quantityValue{q}
	}
	return values
}

// decide compares what was measured with its limits by the decision rule, and says so. Without a guard band, under a guarded rule, it compares with the
// limits as they stand: whether that decides anything is for the caller to say.
func (k *criterion) decide(r *Result, guard *measure.Quantity) (Verdict, string) {
	inside := k.within(*r.Measured, r.Low, r.High, nil, 0)
	say := fmt.Sprintf("%s measured, %s allowed", shownAgainst(*r.Measured, r.Low, r.High), k.allowed(r))
	if guard == nil || guard.Sign() == 0 {
		if inside {
			return Pass, say
		}
		return Fail, say
	}
	band := " with a guard band of " + guard.Shown(6)
	switch {
	case k.within(*r.Measured, r.Low, r.High, guard, 1):
		return Pass, say + band
	case inside:
		return Inconclusive, say + band + ": within the limit by less than the guard band"
	case k.Rule == Guarded:
		return Fail, say + band
	case k.within(*r.Measured, r.Low, r.High, guard, -1):
		return Inconclusive, say + band + ": beyond the limit by less than the guard band"
	}
	return Fail, say + band + ": beyond the limit by the guard band"
}

// within says whether a quantity is within the limits, brought closer by a guard band (sign 1), or put farther apart by it (-1). What is beyond a limit by the whole
// guard band is not within limits put apart.
func (k *criterion) within(y measure.Quantity, low, high, guard *measure.Quantity, sign int64) bool {
	shift := func(limit *measure.Quantity, way int64) (measure.Quantity, bool) {
		if guard == nil {
			return *limit, true
		}
		g, err := guard.Scale(big.NewRat(way*sign, 1))
		if err != nil {
			return *limit, false
		}
		q, err := limit.Add(g)
		return q, err == nil
	}
	if low != nil {
		a, ok := shift(low, 1)
		c, err := y.Cmp(a)
		if !ok || err != nil || c < 0 || c == 0 && (k.Op == MoreThan || sign < 0) {
			return false
		}
	}
	if high != nil {
		a, ok := shift(high, -1)
		c, err := y.Cmp(a)
		if !ok || err != nil || c > 0 || c == 0 && (k.Op == LessThan || sign < 0) {
			return false
		}
	}
	return true
}

// allowed says what the limits allow.
func (k *criterion) allowed(r *Result) string {
	switch k.Op {
	case Between:
		return r.Low.Shown(6) + " to " + r.High.Shown(6)
	case AtMost, LessThan:
		return k.Op.String() + " " + r.High.Shown(6)
	}
	return k.Op.String() + " " + r.Low.Shown(6)
}

// shownAgainst writes a quantity with as many digits as it takes to see on which side of a limit it is.
func shownAgainst(y measure.Quantity, limits ...*measure.Quantity) string {
	for digits := 6; digits <= 15; digits++ {
		text := y.Shown(digits)
		shown, err := measure.Parse(text)
		if err != nil {
			return text
		}
		same := true
		for _, l := range limits {
			if l == nil {
				continue
			}
			a, err1 := y.Cmp(*l)
			b, err2 := shown.Cmp(*l)
			same = same && err1 == nil && err2 == nil && a == b
		}
		if same {
			return text
		}
	}
	return y.Shown(15)
}

// conforming returns the chance that the true value lies within the limits, for a normal distribution about what was measured.
func conforming(y measure.Quantity, low, high *measure.Quantity, u measure.Quantity, cover *big.Rat) *float64 {
	if u.Sign() == 0 || cover == nil {
		return nil
	}
	standard := new(big.Rat).Quo(u.SI(), cover)
	z := func(limit *measure.Quantity) float64 {
		d := new(big.Rat).Sub(limit.SI(), y.SI())
		f, _ := d.Quo(d, standard).Float64()
		return f
	}
	p := 1.0
	if high != nil {
		p = phi(z(high))
	}
	if low != nil {
		p -= phi(z(low))
	}
	p = math.Max(0, p)
	return &p
}

// phi is the distribution function of the standard normal distribution.
func phi(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }
