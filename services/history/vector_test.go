package history_test

import (
	"encoding/hex"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
)

// A ledger whose bytes and digests were computed with Python's struct and hashlib from the comments of AppendBody and chain.go, so that
// no later encoding can quietly become another: what is in a ledger must verify for as long as there is one. Rows 1 to 4 have nothing
// that version 1 cannot say and keep its bytes; the others have an estimate, a temperature or a rollover.
func TestLedgerVector(t *testing.T) {
	t.Parallel()
	org := tenant.Org{ID: "vector", UUID: uuid.MustParse("6ba7b810-9dad-51d1-80b4-00c04fd430c8")}
	at := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	nth := func(n byte) (id uuid.UUID) {
		for i := range id {
			id[i] = n
		}
		return id
	}
	amend := func(n byte, occurred time.Time, u history.Usage) history.Detail {
		return history.Detail{Amendment: &history.Amendment{Corrects: nth(n), Reason: "typed", Replacement: &history.Replacement{
			Occurred: occurred, Detail: history.Detail{Usage: &u},
		}}}
	}
	chain := history.NewChain(org, history.Head{})
	verifier := history.NewVerifier(org)
	for i, row := range []struct {
		detail       history.Detail
		note         string
		body, digest string
	}{
		{
			history.Detail{Usage: &history.Usage{Dives: 2, Running: time.Hour, Fills: 1, Reference: "R-1"}}, "",
			"010006475ef64cf34000000004717561790000000000000000010000000000000000020000034630b8a000000000000000000100000003522d31",
			"a14cfdf7ef8b3e0ee920f0c722a50c11a38b3e4c8c8e6598098ae5a0edf805a2",
		},
		{
			history.Detail{Usage: &history.Usage{Measure: history.RunningTime, Value: int64(2 * time.Hour), Replaced: true, Start: 60}}, "",
			"010006475ef65c35800000000471756179000000000000000001020000068c6171400001000000000000003c00000000",
			"a7d2dbfb945888ce687e2371aa1b94486e458e6040926d3e6ac1604db07117a5",
		},
		{
			history.Detail{Service: &history.Work{Activities: []string{"overhaul"}, Outcome: history.Pass, Mark: civil.Month(2026, 1), Provider: "station"}}, "seats",
			"010006475ef66b77c0000000047175617900000000000000057365617473020107ea01000000000773746174696f6e00000001000000086f7665726861756c",
			"e6c2ebd9b659b4448940a79954264f9f7eeb4a2fd8d0a1d780a12d41d51453d0",
		},
		{
			amend(1, at, history.Usage{Dives: 3, Reference: "R-1"}), "",
			"010006475ef67aba00000000047175617900000000000000000501010101010101010101010101010101000000057479706564010006475ef64cf340010000000000000000030000000000000000000000000000000000000003522d31",
			"84d8902396f9c0b7e090a96ba370bfb9c543af5cc2586f3a1e7be660a1b8bff7",
		},
		{
			history.Detail{Usage: &history.Usage{Running: 30 * time.Minute, Estimated: true, Celsius: -3, HasCelsius: true}}, "",
			"020006475ef689fc400000000471756179000000000000000001000000000000000000000001a3185c50000000000000000000000000000101fffd0000000000000000",
			"d6abf0df33e94e1e1154c5a894193a55d9f76dd93256aa116ed0f7e9118b0f2c",
		},
		{
			history.Detail{Usage: &history.Usage{Measure: history.Dives, Value: 12, Rollover: 1000}}, "",
			"020006475ef6993e80000000047175617900000000000000000101000000000000000c00000000000000000000000000000000000000000003e8",
			"51c70e7f6deb3761d0507d02f36e0cb360e2ceedd0dafdddb79e510894bdb256",
		},
		{
			amend(6, at.Add(5*time.Second), history.Usage{Measure: history.Dives, Value: 13, Replaced: true, Start: 40, Rollover: 1000}), "",
			"020006475ef6a880c0000000047175617900000000000000000506060606060606060606060606060606000000057479706564010006475ef6993e800101000000000000000d01000000000000002800000000000000000000000003e8",
			"b208d7dcc493bc08ad8e2cf496465e5ff85423861bd4cf05302016aa860685aa",
		},
	} {
		n := byte(i + 1)
		e := history.Entry{Occurred: at.Add(time.Duration(i) * time.Second), Shop: "quay", Note: row.note, Detail: row.detail}
		r := history.Row{
			Sequence: int64(n), ID: nth(n), Unit: nth(0xaa), Shop: "quay", Kind: e.Kind(), Occurred: e.Occurred, Recorded: at.Add(time.Minute),
			Recorder: "ada", Body: history.AppendBody(nil, &e),
		}
		if e.Amendment != nil {
			r.Corrects = e.Amendment.Corrects
		}
		r.Digest = chain.Next(&r)
		if got := hex.EncodeToString(r.Body); got != row.body {
			t.Errorf("row %d is encoded as\n%s, want\n%s", n, got, row.body)
		}
		if got := hex.EncodeToString(r.Digest[:]); got != row.digest {
			t.Errorf("digest %d is %s, want %s", n, got, row.digest)
		}
		if err := verifier.Next(&r); err != nil {
			t.Error(err)
		}
	}
}

// Version 2 is for what version 1 cannot say: a body in the wrong one would be a second encoding of the same entry.
func TestParseBodyRefusesTheWrongVersion(t *testing.T) {
	t.Parallel()
	plain := history.AppendBody(nil, &history.Entry{Detail: history.Detail{Usage: &history.Usage{Dives: 1}}})
	full := history.AppendBody(nil, &history.Entry{Detail: history.Detail{Usage: &history.Usage{Dives: 1, Estimated: true}}})
	if plain[0] != 1 || full[0] != 2 || len(full) != len(plain)+10 {
		t.Fatalf("%x\n%x", plain, full)
	}
	empty := append([]byte{2}, full[1:]...)
	empty[len(plain)] = 0 // not an estimate after all
	none := history.AppendBody(nil, &history.Entry{Detail: history.Detail{Condition: &history.Condition{Condition: "drop", Severity: history.Note}}})
	for name, b := range map[string][]byte{
		"2 without anything new": empty,
		"2 without usage":        append([]byte{2}, none[1:]...),
		"1 with what is new":     append([]byte{1}, full[1:]...),
		"2 cut short":            full[:len(full)-1],
	} {
		if e, err := history.ParseBody(b); err == nil {
			t.Errorf("%s: took it for %+v", name, e)
		}
	}
}
