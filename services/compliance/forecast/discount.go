package forecast

import "math"

// block is how many days of the past are foretold at once when the past is foretold: a quarter.
const block = 91

// discount chooses the half-life, and with it sets the kind's rates and raises the dispersion.
func (k *Kind) discount(all []series) {
	best := math.Inf(-1)
	var chosen Kind
	var misses float64
	for _, h := range halfLives {
		t := *k
		t.HalfLife = h
		t.rates(all)
		score, m := t.foretell(all)
		if score > best {
			best, chosen, misses = score, t, m
		}
	}
	*k = chosen
	k.Dispersion *= max(1, misses)
	k.rates(all)
}

// past is the discounted past of a unit: use, exposure, and exposure discounted twice, which the noise of the rate goes with.
type past struct{ used, exposure, twice float64 }

// past returns the discounted past of a unit up to the window's end.
func (k *Kind) past(u *series) (p past) {
	fade := math.Exp2(-1 / k.HalfLife)
	for d := u.from; d < Window; d++ {
		p.fade(fade)
		p.add(u.y[d], k.Season[k.months[d]])
	}
	return p
}

func (p *past) fade(f float64) {
	p.used *= f
	p.exposure *= f
	p.twice *= f * f
}

func (p *past) add(used, exposure float64) {
	p.used += used
	p.exposure += exposure
	p.twice += exposure
}

// rates sets Mean and Shape by moments: the mean rate, and how much more the units' rates differ than their own noise makes them.
func (k *Kind) rates(all []series) {
	event := k.Dispersion
	pasts := make([]past, 0, len(all))
	used, exposure, squared := 0.0, 0.0, 0.0
	for i := range all {
		p := k.past(&all[i])
		if !(p.exposure > 0) {
			continue
		}
		pasts = append(pasts, p)
		used += p.used
		exposure += p.exposure
		squared += p.exposure * p.exposure
	}
	k.Mean = (used + event/2) / (exposure + 7/defaultWeekly/2)
	between, noise := 0.0, 0.0
	for _, p := range pasts {
		d := p.used/p.exposure - k.Mean
		between += p.exposure * d * d
		noise += event * k.Mean * p.twice / p.exposure * (1 - p.exposure/exposure)
	}
	seen := max(0, float64(len(pasts))-1)
	variance := fewUnits * k.Mean * k.Mean
	if free := exposure - squared/exposure; seen > 0 && free > 0 {
		variance += seen * max(0, (between-noise)/free)
	}
	variance /= seen + fewUnits
	k.Shape = min(greatestShape, max(leastShape, k.Mean*k.Mean/variance))
}

// posterior returns what is known of a unit's rate after its past, in events, and how much of it is the unit's own.
func (k *Kind) posterior(p past) (rate Predictive, own float64) {
	prior := k.Shape / k.Mean
	seen := p.exposure / k.Dispersion
	return Predictive{k.Shape + p.used/k.Dispersion, prior + seen}, seen / (prior + seen)
}

// foretell foretells each whole block of the units' past from what was before it. It returns the mean log score, and by how much the
// squared misses exceed what was stated.
func (k *Kind) foretell(all []series) (score, misses float64) {
	fade := math.Exp2(-1 / k.HalfLife)
	n := 0.0
	for i := range all {
		u := &all[i]
		first := Window - u.known()/block*block
		if first-u.from < block/3 {
			first += block
		}
		var p past
		for d := u.from; d < Window; d++ {
			if d >= first && (d-first)%block == 0 {
				rate, _ := k.posterior(p)
				got, exposure := 0.0, 0.0
				for e := d; e < d+block; e++ {
					got += u.y[e]
					exposure += k.Season[k.months[e]]
				}
				exposure /= k.Dispersion
				got /= k.Dispersion
				score += rate.logDensity(got, exposure)
				miss := got - rate.Mean(exposure)
				misses += miss * miss / rate.Variance(exposure)
				n++
			}
			p.fade(fade)
			p.add(u.y[d], k.Season[k.months[d]])
		}
	}
	return score, (misses + fewBlocks) / (n + fewBlocks)
}
