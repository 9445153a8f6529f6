package compliancepg_test

import (
	"bytes"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// randomEntry returns an entry with any of its fields set, sensible or not.
func randomEntry(rng *rand.Rand, unit uuid.UUID, correction bool) due.Entry {
	maybe := func() bool { return rng.IntN(3) == 0 }
	number := func() int64 {
		if maybe() {
			return int64(rng.Uint64())
		}
		return int64(rng.IntN(1000)) - 100
	}
	text := func() string {
		b := make([]byte, rng.IntN(60)*rng.IntN(2)+rng.IntN(20))
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		return string(b)
	}
	id := func() (id uuid.UUID) {
		for i := range id {
			id[i] = byte(rng.Uint32())
		}
		return id
	}
	instant := func() time.Time { return time.UnixMicro(int64(rng.Uint64N(4e15)) - 1e15).UTC() }
	if !correction && maybe() {
		return due.Entry{ID: id(), Unit: unit, Occurred: instant(), Recorded: instant(), Kind: due.UsageEntry, Amount: due.Amount{Dives: number(), Hours: time.Duration(number()), Fills: number()}}
	}
	e := due.Entry{
		ID: id(), Unit: unit, Occurred: instant(), Recorded: instant(), Kind: due.Kind(1 + rng.IntN(5)), Outcome: due.Outcome(rng.IntN(5)),
		Replaced: maybe(), Estimated: maybe(), Pull: maybe(),
	}
	if maybe() {
		e.Amount = due.Amount{Dives: number(), Hours: time.Duration(number()), Fills: number()}
	}
	if maybe() {
		e.Reading, e.Meter, e.Rollover = true, due.Measure(1+rng.IntN(3)), number()
		switch n := number(); e.Meter {
		case due.Dives:
			e.Replacement.Dives = n
		case due.Hours:
			e.Replacement.Hours = time.Duration(n)
		case due.Fills:
			e.Replacement.Fills = n
		}
	}
	if maybe() {
		e.HasCelsius, e.Celsius = true, int16(rng.Uint32())
	}
	for maybe() {
		e.Activities = append(e.Activities, text())
	}
	switch y := 1900 + rng.IntN(1100); rng.IntN(3) {
	case 0:
		e.Mark = civil.Month(y, time.Month(1+rng.IntN(12)))
	case 1:
		e.Mark = civil.Day(civil.New(y, time.Month(1+rng.IntN(12)), 1+rng.IntN(28)))
	}
	if maybe() {
		e.Condition = text()
	}
	if !correction && maybe() {
		e.Order = &due.OrderEvent{Order: id(), What: due.OrderStep(rng.Uint32())}
		if maybe() {
			e.Order.Lot, e.Order.Part, e.Order.Count = text(), text(), int32(rng.Uint32())
		}
		if maybe() {
			e.Order.Withdraws = id()
		}
	}
	if !correction && maybe() {
		e.Corrects = id()
		if maybe() {
			right := randomEntry(rng, unit, true)
			right.ID, right.Recorded = e.Corrects, e.Recorded
			e.Correct = &right
		}
	}
	return e
}

var sameEntry = cmp.Options{cmpopts.EquateEmpty(), cmp.Comparer(func(a, b civil.Mark) bool { return a == b }), cmp.Comparer(time.Time.Equal)}

// TestEntryCode reads back what was written, whatever it is, entry after entry; and refuses it with any byte missing at its end.
func TestEntryCode(t *testing.T) {
	long(t)
	rng, unit := seed(t), uuid.New()
	decode := compliancepg.Decoder(unit)
	for range 100 {
		var plain, want []due.Entry
		var code []byte
		var ends []int
		for range 1 + rng.IntN(6) {
			e := randomEntry(rng, unit, false)
			code = append(code, compliancepg.Code(&e)...)
			if isPlain(e) {
				plain = append(plain, e)
			} else {
				want = append(want, e)
			}
			ends = append(ends, len(code))
		}
		got, err := decode(code)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(append(plain, want...), got, sameEntry); diff != "" {
			t.Fatalf("(-written +read)\n%s", diff)
		}
		for cut, whole := len(code)-1, len(ends)-2; cut > 0; cut-- {
			if whole >= 0 && cut == ends[whole] {
				whole--
				continue
			}
			if _, err := decode(code[:cut]); err == nil {
				t.Fatalf("%d bytes of %d were read", cut, len(code))
			}
		}
	}
}

// isPlain says whether an entry tells of how much was used, and of nothing else.
func isPlain(e due.Entry) bool {
	return e.Amount != due.Amount{} && cmp.Equal(e, due.Entry{ID: e.ID, Unit: e.Unit, Occurred: e.Occurred, Recorded: e.Recorded, Kind: due.UsageEntry, Amount: e.Amount}, sameEntry)
}

// TestPlainUsesAreShort holds the most frequent entry to the size that makes histories quick to read.
func TestPlainUsesAreShort(t *testing.T) {
	at := time.Date(2026, 3, 1, 12, 0, 0, 123_456_000, time.UTC)
	e := due.Entry{ID: uuid.New(), Occurred: at, Recorded: at.Add(36 * time.Hour), Kind: due.UsageEntry, Amount: due.Amount{Dives: 2, Hours: 95 * time.Minute}}
	if n := len(compliancepg.Code(&e)); n > 48 {
		t.Errorf("%d bytes", n)
	}
}

// FuzzEntryCode reads anything without a panic and without taking more memory than it was given reason to; and what it accepts it
// writes and reads the same again.
func FuzzEntryCode(f *testing.F) {
	rng, unit := rand.New(rand.NewPCG(1, 2)), uuid.New()
	for range 20 {
		a, b := randomEntry(rng, unit, false), randomEntry(rng, unit, false)
		f.Add(append(compliancepg.Code(&a), compliancepg.Code(&b)...))
	}
	f.Add(bytes.Repeat([]byte{0xff}, 100))
	f.Fuzz(func(t *testing.T, code []byte) {
		decode := compliancepg.Decoder(unit)
		got, err := decode(code)
		if err != nil {
			return
		}
		var again []byte
		for i := range got {
			again = append(again, compliancepg.Code(&got[i])...)
		}
		twice, err := decode(again)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(got, twice, sameEntry); diff != "" {
			t.Fatal(diff)
		}
	})
}
