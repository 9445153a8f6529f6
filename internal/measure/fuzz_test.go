package measure

import (
	"math/big"
	"math/rand/v2"
	"testing"
	"unicode/utf8"
)

// FuzzParse: whatever comes, it is read or refused; what is read writes itself in a form that reads as the same.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"135 psi gauge", "2.24 mL", "1.5 inH2O(60F) difference", "-40 °F", "10%", "5", "1e999999999 mL", "NaN", "3 psig", "0.000000000000000000000000000001 m3", "−1", "1\u00a0bar gauge", "+0 K"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		q, err := Parse(text)
		if err != nil {
			if msg := err.Error(); msg == "" || len(msg) > 1200 || !utf8.ValidString(msg) {
				t.Errorf("the error is %q", msg)
			}
			return
		}
		again, err := Parse(q.String())
		if err != nil || again.String() != q.String() || again.Unit() != q.Unit() || again.Rat().Cmp(q.Rat()) != 0 {
			t.Errorf("%q reads as %q, which reads as %q, %v", text, q, again, err)
		}
		if _, err := q.In(q.Unit()); err != nil {
			t.Error(err)
		}
		q.Rounded(6)
	})
}

// random returns a quantity of any unit.
func random(r *rand.Rand, units []Unit) Quantity {
	u := units[r.IntN(len(units))]
	ref := None
	switch {
	case u.Dimension().IsPressure():
		ref = Gauge + Reference(r.IntN(3))
	case u.Dimension() == dimTemperature && r.IntN(2) == 0:
		ref = Difference
	}
	q, err := Of(big.NewRat(r.Int64N(2_000_000), []int64{1, 10, 1000, 7}[r.IntN(4)]), u, ref)
	if err != nil {
		return Number(1)
	}
	return q
}

// TestProperties: units go there and back without a trace; sums are associative and undone by differences; an order is one order; ratios do not
// depend on units. All exactly.
func TestProperties(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(4, 811))
	byDim := map[Dimension][]Unit{}
	for _, u := range Units() {
		byDim[u.Dimension()] = append(byDim[u.Dimension()], u)
	}
	equal := func(a, b Quantity) bool { c, err := a.Cmp(b); return err == nil && c == 0 }
	sums, ratios := 0, 0
	for range 20_000 {
		a := random(r, Units())
		b, c := random(r, byDim[a.Dimension()]), random(r, byDim[a.Dimension()])
		there, err := a.In(b.Unit())
		if err != nil {
			t.Fatal(err)
		}
		back, err := there.In(a.Unit())
		if err != nil || back.Rat().Cmp(a.Rat()) != 0 || !equal(a, there) {
			t.Fatalf("%v is %v and back %v, %v", a, there, back, err)
		}
		if x, err := a.Cmp(b); err == nil {
			y, err := b.Cmp(a)
			if err != nil || x != -y {
				t.Fatalf("%v with %v is %d, and back %d, %v", a, b, x, y, err)
			}
			if z, err := b.Cmp(c); err == nil && x <= 0 && z <= 0 {
				if w, err := a.Cmp(c); err != nil || w > 0 {
					t.Fatalf("%v, %v and %v are in no order", a, b, c)
				}
			}
		}
		if d, err := a.Sub(b); err == nil && d.ref != None {
			if sum, err := b.Add(d); err != nil || !equal(sum, a) {
				t.Fatalf("%v less %v is %v, and their sum %v, %v", a, b, d, sum, err)
			}
		}
		ab, err1 := a.Add(b)
		bc, err2 := b.Add(c)
		if err1 == nil && err2 == nil {
			left, err1 := ab.Add(c)
			right, err2 := a.Add(bc)
			if (err1 == nil) != (err2 == nil) || err1 == nil && !equal(left, right) {
				t.Fatalf("the sum of %v, %v and %v is %v or %v; %v, %v", a, b, c, left, right, err1, err2)
			}
			sums++
		}
		if q, err := a.Div(b); err == nil {
			moved, err := there.Div(b)
			if err != nil || !equal(q, moved) {
				t.Fatalf("%v over %v is %v, in other units %v; %v", a, b, q, moved, err)
			}
			ratios++
		}
	}
	if sums < 1000 || ratios < 1000 {
		t.Errorf("only %d sums and %d ratios were compared", sums, ratios)
	}
}
