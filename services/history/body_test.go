package history_test

import (
	"bytes"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"pgregory.net/rapid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/history"
)

var byParts = cmp.Comparer(func(a, b civil.Mark) bool { return a == b })

// Whatever is written reads back the same, and different contents have different bytes.
func TestBodyRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		e, other := drawEntry(t), drawEntry(t)
		b := history.AppendBody(nil, &e)
		got, err := history.ParseBody(b)
		if err != nil {
			t.Fatal(err)
		}
		got.ID, got.Unit = e.ID, e.Unit
		if d := cmp.Diff(e, got, byParts); d != "" {
			t.Fatalf("(-wrote +read)\n%s", d)
		}
		other.ID, other.Unit = e.ID, e.Unit
		if cmp.Equal(e, other, byParts) != bytes.Equal(b, history.AppendBody(nil, &other)) {
			t.Fatal("contents and encodings do not agree on what is equal")
		}
	})
}

// The parser takes nothing but what the writer writes: no second spelling of a content could pass for another.
func FuzzParseBody(f *testing.F) {
	at := time.Date(2026, 2, 3, 4, 5, 6, 7000, time.UTC)
	for _, e := range []history.Entry{
		{Occurred: at, Detail: history.Detail{Usage: &history.Usage{Dives: 2, Running: time.Hour, Fills: 1, Reference: "R-1"}}},
		{Occurred: at, Shop: "quay", Detail: history.Detail{Usage: &history.Usage{Measure: history.RunningTime, Value: 5, Replaced: true, Start: 1}}},
		{Occurred: at, Detail: history.Detail{Usage: &history.Usage{Running: time.Hour, Estimated: true, Celsius: -3, HasCelsius: true}}},
		{Occurred: at, Detail: history.Detail{Usage: &history.Usage{Measure: history.Dives, Value: 5, Rollover: 1000}}},
		{Occurred: at, Technician: "ada", Note: "é", Detail: history.Detail{Service: &history.Work{Activities: []string{"overhaul", "inspection"}, Outcome: history.Pass, Mark: civil.Month(2025, 6)}}},
		{Occurred: at, Detail: history.Detail{Test: &history.Work{Activities: []string{"hydrostatic-test"}, Outcome: history.Condemned, Mark: civil.Day(civil.New(2025, 6, 7)), Provider: "station"}}},
		{Occurred: at, Detail: history.Detail{Condition: &history.Condition{Condition: "free-flow", Severity: history.Pull}}},
		{Occurred: at, Detail: history.Detail{Amendment: &history.Amendment{Corrects: uuid.Max, Reason: "r", Replacement: &history.Replacement{Occurred: at, Detail: history.Detail{Condition: &history.Condition{Condition: "drop", Severity: history.Note}}}}}},
	} {
		f.Add(history.AppendBody(nil, &e))
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		e, err := history.ParseBody(b)
		if err != nil {
			return
		}
		if got := history.AppendBody(nil, &e); !bytes.Equal(got, b) {
			t.Fatalf("read %x, wrote %x", b, got)
		}
	})
}

func TestParseBodyRefuses(t *testing.T) {
	t.Parallel()
	good := history.AppendBody(nil, &history.Entry{Note: "n", Detail: history.Detail{Test: &history.Work{Activities: []string{"a"}, Outcome: history.Pass}}})
	change := func(at int, to byte) []byte {
		b := bytes.Clone(good)
		b[at] = to
		return b
	}
	for name, give := range map[string][]byte{
		"nothing":            {},
		"another version":    change(0, 3),
		"a version too late": change(0, 2),
		"a byte too many":    append(bytes.Clone(good), 0),
		"a byte too few":     good[:len(good)-1],
		"text not UTF-8":     change(21, 0xff), // the note
		"no such kind":       change(22, 6),
		"no such outcome":    change(23, 5),
		"no such month":      change(26, 13),
		"absurd text length": change(28, 0xff),
		"two activities":     change(35, 2),
		"absurd many":        change(32, 0xff),
	} {
		if e, err := history.ParseBody(give); err == nil {
			t.Errorf("%s: took it for %+v", name, e)
		}
	}
}
