package bench

import (
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"

	"strandline.example/strandline/internal/measure"
)

// taker checks what was read.
type taker struct {
	*bench
	instruments map[string]*Instrument
	problems    []Problem
}

func (c *taker) bad(field, value, format string, args ...any) {
	c.problems = append(c.problems, Problem{Field: field, Value: value, Text: fmt.Sprintf(format, args...)})
}

// deepest is the lowest gauge pressure there can be where people work: the highest pressure ever measured at sea level was about 1085 hPa (from
// memory), and nothing is below vacuum.
var deepest = func() measure.Quantity {
	q, _ := measure.Parse("-1100 hPa gauge")
	return q
}()

func (c *taker) all() {
	if a := c.in.Ambient; a != nil && (!a.Dimension().IsPressure() || a.Reference() != measure.Absolute || a.Sign() <= 0) {
		c.bad("ambient", a.String(), "want the pressure around the bench as an absolute one above zero, such as 1013.25 hPa absolute")
		c.in.Ambient = nil
	}
	if n := len(c.in.Readings); n > MaxReadings {
		c.bad("readings", "", "there are %d; want at most %d", n, MaxReadings)
		return
	}
	if n := len(c.in.Instruments); n > MaxReadings {
		c.bad("instruments", "", "there are %d; want at most %d", n, MaxReadings)
		return
	}
	for i := range c.in.Instruments {
		c.instrument(fmt.Sprintf("instruments[%d]", i), &c.in.Instruments[i])
	}
	for i := range c.in.Readings {
		r := c.in.Readings[i] // a copy: values are turned into what the test asks for
		if r.Quantity != nil {
			q := *r.Quantity
			r.Quantity = &q
		}
		field := fmt.Sprintf("readings[%d]", i)
		w := c.test.wanted[r.Name]
		switch {
		case w == nil:
			c.bad(field+".name", r.Name, "the test asks for no such reading; it asks for %s", strings.Join(names(c.test), ", "))
		case c.read[r.Name] != nil:
			c.bad(field+".name", r.Name, "it was given twice; keep the reading that counts")
		default:
			c.reading(field, w, &r)
			c.read[r.Name] = &r
		}
	}
}

func names(t *Test) []string {
	out := make([]string, len(t.spec.Readings))
	for i, w := range t.spec.Readings {
		out[i] = w.Name
	}
	return out
}

// namesOf returns names in order.
func namesOf(vars map[string]shape) []string {
	out := make([]string, 0, len(vars))
	for name := range vars {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}

func (c *taker) instrument(field string, i *Instrument) {
	switch {
	case i.ID == "":
		c.bad(field+".id", "", "the instrument has no id; readings name it by that")
		return
	case c.instruments[i.ID] != nil:
		c.bad(field+".id", i.ID, "it was given twice; give each instrument once")
		return
	}
	c.instruments[i.ID] = i
	if !i.Calibrated.IsZero() && !i.CalibrationDue.IsZero() && i.CalibrationDue.Last() < i.Calibrated.First() {
		c.bad(field+".calibration_due_date", i.CalibrationDue.String(), "it is before the calibration of %s; check the two dates", i.Calibrated)
	}
	if i.FullScale != nil && i.FullScale.Sign() <= 0 {
		c.bad(field+".full_scale", i.FullScale.String(), "want what the end of the scale says, above zero")
	}
	if i.Uncertain != nil {
		c.uncertainty(field+".uncertainty", i.Uncertain)
		if i.Uncertain.Of == OfFullScale && i.FullScale == nil {
			c.bad(field+".full_scale", "", "the uncertainty is a part of the full scale: state it")
		}
	}
}

func (c *taker) uncertainty(field string, u *Uncertainty) {
	if u.Quantity.Sign() < 0 {
		c.bad(field, u.Quantity.String(), "an uncertainty is not below zero")
	}
	if u.Of != Plain && !u.Quantity.Dimension().IsNumber() {
		c.bad(field, u.Quantity.String(), "a part of something is a fraction, such as 0.5 %%")
	}
	if u.Coverage != nil && (u.Coverage.Sign() <= 0 || u.Coverage.Cmp(mostGuard) > 0) {
		c.bad(field, u.Coverage.FloatString(3), "want a coverage factor above 0 and at most 10, usually 2")
	}
}

func (c *taker) reading(field string, w *Wanted, r *Reading) {
	held := []struct {
		kind  Kind
		name  string
		holds bool
	}{{Value, "quantity", r.Quantity != nil}, {Series, "series", len(r.Series) > 0}, {Choice, "choice", r.Choice != ""}, {YesNo, "yes", r.Yes != nil}, {Count, "count", r.Count != nil}}
	for _, h := range held {
		switch {
		case h.kind == w.Kind && !h.holds:
			c.bad(field+"."+h.name, "", "%s is %s, and none is given", w.title(), w.Kind)
			return
		case h.kind != w.Kind && h.holds:
			c.bad(field+"."+h.name, "", "%s is %s; leave this out", w.title(), w.Kind)
			return
		}
	}
	switch w.Kind {
	case Value:
		c.quantity(field+".quantity", w, r.Quantity)
	case Series:
		c.series(field+".series.samples", w, r)
	case Choice:
		if !slices.Contains(w.Choices, r.Choice) {
			c.bad(field+".choice", r.Choice, "want one of %s", strings.Join(w.Choices, ", "))
		}
	case Count:
		if *r.Count < 0 {
			c.bad(field+".count", strconv.FormatInt(*r.Count, 10), "a count is not below zero")
		}
	}
	if r.Uncertain != nil {
		c.uncertainty(field+".uncertainty", r.Uncertain)
	}
	c.with(field, w, r)
}

// quantity checks a quantity and turns it into what the test asks for. It says whether it is one.
func (c *taker) quantity(field string, w *Wanted, q *measure.Quantity) bool {
	if q.Dimension() != w.Unit.Dimension() {
		c.bad(field, q.String(), "it is in %s, which measures %s; want %s, such as in %s", q.Unit().Symbol(), q.Dimension(), w.Unit.Dimension(), w.Unit.Symbol())
		return false
	}
	if q.Sign() < 0 && neverBelowZero(q) {
		c.bad(field, q.String(), "there is never less than none of it; set the instrument to zero and read again")
		return false
	}
	if q.Reference() == measure.Gauge {
		if c.in.Ambient != nil {
			if _, err := q.ToAbsolute(*c.in.Ambient); err != nil {
				c.bad(field, q.String(), "it is below vacuum, with %s around the bench; check the reading", c.in.Ambient)
				return false
			}
		} else if n, err := q.Cmp(deepest); err == nil && n < 0 {
			c.bad(field, q.String(), "it is below vacuum anywhere on earth; check the reading, or state the ambient pressure if it was read in a chamber")
			return false
		}
	}
	if q.Reference() == w.Reference {
		return true
	}
	if c.in.Ambient == nil || q.Reference() == measure.Difference || w.Reference == measure.Difference || !q.Dimension().IsPressure() {
		remedy := "read it so"
		if q.Dimension().IsPressure() && q.Reference() != measure.Difference && w.Reference != measure.Difference {
			remedy += ", or state the ambient pressure"
		}
		c.bad(field, q.String(), "the test asks for it as %s; %s", orPlain(w.Reference), remedy)
		return false
	}
	turn := q.ToGauge
	if w.Reference == measure.Absolute {
		turn = q.ToAbsolute
	}
	turned, err := turn(*c.in.Ambient)
	if err != nil {
		c.bad(field, q.String(), "%v", err)
		return false
	}
	*q = turned
	return true
}

// neverBelowZero says whether a reading below zero can only be an instrument that is off: of masses, concentrations and fractions by volume. A volume or a
// length may be read from a scale that begins below.
func neverBelowZero(q *measure.Quantity) bool {
	switch q.Unit().Symbol() {
	case "ppm", "mL/m3":
		return true
	}
	d := q.Dimension()
	return d.Mass == 1 && d.Time == 0 && (d.Length == 0 || d.Length == -3)
}

func orPlain(r measure.Reference) string {
	if r == measure.None {
		return "a value, not a difference"
	}
	return r.String()
}

func (c *taker) series(field string, w *Wanted, r *Reading) {
	if n := len(r.Series); n > MaxSamples {
		c.bad(field, "", "there are %d readings in it; want at most %d", n, MaxSamples)
		return
	}
	r.Series = slices.Clone(r.Series)
	for i := range r.Series {
		s := &r.Series[i]
		at := fmt.Sprintf("%s[%d]", field, i)
		if !s.At.Dimension().IsTime() || s.At.Sign() < 0 {
			c.bad(at+".elapsed", s.At.String(), "want the time since the series began, such as 30 s")
			return
		}
		if i > 0 {
			if n, err := s.At.Cmp(r.Series[i-1].At); err == nil && n <= 0 {
				c.bad(at+".elapsed", s.At.String(), "it is not after the one before it, %s; give the series in the order of time", r.Series[i-1].At)
				return
			}
		}
		if !c.quantity(at+".quantity", w, &s.Value) {
			return
		}
	}
}

// with checks what a reading was read with, and notes why nothing can be built on it.
func (c *taker) with(field string, w *Wanted, r *Reading) {
	if r.Instrument == "" {
		if w.Instrument != "" {
			c.suspect[w.Name] = fmt.Sprintf("%s must be read with a calibrated %s, and no instrument is named.", w.title(), w.Instrument)
		}
		return
	}
	i := c.instruments[r.Instrument]
	if i == nil {
		c.bad(field+".instrument", r.Instrument, "no such instrument is given; add it to the instruments with its calibration")
		return
	}
	if w.Instrument != "" && i.Kind != w.Instrument {
		c.bad(field+".instrument", r.Instrument, "it is a %s; the test asks for a %s", i.Kind, w.Instrument)
		return
	}
	day := c.in.Day
	switch {
	case i.OutOfTolerance:
		c.suspect[w.Name] = fmt.Sprintf("%s was read with %s, which was found out of tolerance.", w.title(), i.ID)
	case i.Calibrated.IsZero() || i.CalibrationDue.IsZero():
		c.suspect[w.Name] = fmt.Sprintf("%s was read with %s, whose calibration is not known.", w.title(), i.ID)
	case day < i.Calibrated.First():
		c.suspect[w.Name] = fmt.Sprintf("%s was read with %s on %s, before its calibration of %s.", w.title(), i.ID, day, i.Calibrated)
	case day > i.CalibrationDue.Last():
		c.suspect[w.Name] = fmt.Sprintf("%s was read with %s on %s, out of calibration since %s.", w.title(), i.ID, day, i.CalibrationDue.Last().AddDays(1))
	case i.FullScale != nil:
		c.scale(field, w, r, i)
	}
}

// scale notes a reading that is beyond the end of its instrument's scale.
func (c *taker) scale(field string, w *Wanted, r *Reading, i *Instrument) {
	values := r.Series
	if r.Quantity != nil {
		values = []Sample{{Value: *r.Quantity}}
	}
	for _, s := range values {
		if s.Value.Dimension() != i.FullScale.Dimension() {
			c.bad(field+".instrument", i.ID, "its scale is in %s, which measures %s, and %s is %s", i.FullScale.Unit().Symbol(), i.FullScale.Dimension(), w.title(), s.Value.Dimension())
			return
		}
		// The scale and what is read from it have the same zero, whatever that is.
		if s.Value.SI().Cmp(i.FullScale.SI()) > 0 && s.Value.Reference() == i.FullScale.Reference() {
			c.suspect[w.Name] = fmt.Sprintf("%s reads %s, beyond the end of the scale of %s at %s.", w.title(), s.Value, i.ID, i.FullScale)
			return
		}
	}
}

// expanded returns the expanded uncertainty of one value of a reading, as a difference, and its coverage factor; false if it is not known. What is
// taken as it stands has none.
func (b *bench) expanded(name string, value measure.Quantity) (u measure.Quantity, k *big.Rat, known bool) {
	w, r := b.test.wanted[name], b.read[name]
	none, err := value.Sub(value)
	if err != nil {
		return none, nil, false
	}
	if w.Stated {
		return none, nil, true
	}
	from := r.Uncertain
	var scale *measure.Quantity
	for i := range b.in.Instruments {
		if x := &b.in.Instruments[i]; x.ID == r.Instrument && r.Instrument != "" {
			scale = x.FullScale
			if from == nil {
				from = x.Uncertain
			}
		}
	}
	if from == nil {
		return none, nil, false
	}
	k = from.Coverage
	if k == nil {
		k = big.NewRat(2, 1)
	}
	switch from.Of {
	case Plain:
		u = from.Quantity
	case OfReading:
		size := new(big.Rat).Abs(value.Rat())
		u, err = measure.Of(size.Mul(size, from.Quantity.SI()), value.Unit(), none.Reference())
	case OfFullScale:
		if scale == nil {
			return none, nil, false
		}
		size := scale.Rat()
		u, err = measure.Of(size.Mul(size, from.Quantity.SI()), scale.Unit(), none.Reference())
	}
	if err != nil || shapeOf(u) != shapeOf(none) {
		return none, nil, false
	}
	return u, k, true
}
