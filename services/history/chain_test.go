package history_test

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
)

var org = tenant.Must("tidewater")

// The hash that the chain stands on, against the example values that NIST publishes with FIPS 180-4 for SHA-256 (Cryptographic
// Standards and Guidelines, Examples with Intermediate Values: "abc" and the message of 448 bits).
func TestSHA256(t *testing.T) {
	t.Parallel()
	for message, want := range map[string]string{
		"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
	} {
		sum := sha256.Sum256([]byte(message))
		if got := hex.EncodeToString(sum[:]); got != want {
			t.Errorf("SHA-256(%q) = %s, want %s", message, got, want)
		}
	}
}

// outsider computes the digests of a ledger from what the comment in chain.go says, and nothing of the package's code.
func outsider(org uuid.UUID, rows []history.Row) (digests [][32]byte) {
	u32 := func(n int) string { return string(binary.BigEndian.AppendUint32(nil, uint32(n))) }
	i64 := func(n int64) string { return string(binary.BigEndian.AppendUint64(nil, uint64(n))) }
	text := func(s string) string { return u32(len(s)) + s }
	digest := sha256.Sum256([]byte("\x00" + strings.Repeat("\x00", 32) + string(org[:])))
	for _, r := range rows {
		record := "\x01" + string(org[:]) + i64(r.Sequence) + string(r.ID[:]) + string(r.Unit[:]) + text(r.Shop) +
			string([]byte{byte(r.Kind)}) + i64(r.Occurred.UnixMicro()) + i64(r.Recorded.UnixMicro())
		if r.Kind == history.KindAmendment {
			record += "\x01" + string(r.Corrects[:])
		} else {
			record += "\x00"
		}
		record += text(r.Recorder) + u32(len(r.Body)) + string(r.Body)
		digest = sha256.Sum256([]byte("\x01" + string(digest[:]) + record))
		digests = append(digests, digest)
	}
	return digests
}

// drawLedger draws a ledger of n rows as Append would have made it.
func drawLedger(t *rapid.T, least int) []history.Row {
	chain := history.NewChain(org, history.Head{})
	recorded := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	rows := make([]history.Row, rapid.IntRange(least, 12).Draw(t, "rows"))
	for i := range rows {
		e := drawEntry(t)
		recorded = recorded.Add(time.Duration(rapid.IntRange(0, 1000).Draw(t, "later")) * time.Microsecond)
		r := &rows[i]
		*r = history.Row{
			Sequence: int64(i + 1), ID: e.ID, Unit: e.Unit, Shop: e.Shop, Kind: e.Kind(), Occurred: e.Occurred, Recorded: recorded,
			Recorder: rapid.String().Draw(t, "recorder"), Body: history.AppendBody(nil, &e),
		}
		switch {
		case e.Amendment != nil:
			r.Corrects = e.Amendment.Corrects
		case e.Order != nil:
			r.Order = e.Order.Order
		case e.Service != nil:
			r.Order = e.Service.Order
		case e.Test != nil:
			r.Order = e.Test.Order
		}
		r.Digest = chain.Next(r)
	}
	return rows
}

func headOf(rows []history.Row) (h history.Head) {
	if n := len(rows); n > 0 {
		h = history.Head{Number: int64(n), Digest: rows[n-1].Digest, Recorded: rows[n-1].Recorded}
	}
	return h
}

func verify(rows []history.Row, head history.Head) error {
	v := history.NewVerifier(org)
	for i := range rows {
		if err := v.Next(&rows[i]); err != nil {
			return err
		}
	}
	return v.Done(head)
}

func TestChainAgreesWithItsDescription(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows := drawLedger(t, 0)
		if err := verify(rows, headOf(rows)); err != nil {
			t.Fatalf("a ledger as it was written: %v", err)
		}
		for i, want := range outsider(org.UUID, rows) {
			if rows[i].Digest != want {
				t.Fatalf("digest %d is %x, and by the description %x", i+1, rows[i].Digest, want)
			}
		}
	})
}

// The head that the ledger is checked against stays what it was: that is what makes a shorter or recomputed ledger show.
func TestVerifierFindsAnyChange(t *testing.T) {
	t.Parallel()
	flip := func(t *rapid.T, b []byte) {
		b[rapid.IntRange(0, len(b)-1).Draw(t, "byte")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
	}
	changes := map[string]func(t *rapid.T, rows []history.Row, i int) []history.Row{
		"body":     func(t *rapid.T, rows []history.Row, i int) []history.Row { flip(t, rows[i].Body); return rows },
		"digest":   func(t *rapid.T, rows []history.Row, i int) []history.Row { flip(t, rows[i].Digest[:]); return rows },
		"entry":    func(t *rapid.T, rows []history.Row, i int) []history.Row { flip(t, rows[i].ID[:]); return rows },
		"unit":     func(t *rapid.T, rows []history.Row, i int) []history.Row { flip(t, rows[i].Unit[:]); return rows },
		"corrects": func(t *rapid.T, rows []history.Row, i int) []history.Row { flip(t, rows[i].Corrects[:]); return rows },
		"kind": func(t *rapid.T, rows []history.Row, i int) []history.Row {
			rows[i].Kind = rows[i].Kind%5 + 1
			return rows
		},
		"shop":     func(_ *rapid.T, rows []history.Row, i int) []history.Row { rows[i].Shop += "x"; return rows },
		"recorder": func(_ *rapid.T, rows []history.Row, i int) []history.Row { rows[i].Recorder += "x"; return rows },
		"occurred": func(_ *rapid.T, rows []history.Row, i int) []history.Row {
			rows[i].Occurred = rows[i].Occurred.Add(time.Microsecond)
			return rows
		},
		"recorded": func(_ *rapid.T, rows []history.Row, i int) []history.Row {
			rows[i].Recorded = rows[i].Recorded.Add(time.Microsecond)
			return rows
		},
		"number": func(_ *rapid.T, rows []history.Row, i int) []history.Row { rows[i].Sequence++; return rows },
		"delete": func(_ *rapid.T, rows []history.Row, i int) []history.Row { return slices.Delete(rows, i, i+1) },
		"delete and renumber": func(_ *rapid.T, rows []history.Row, i int) []history.Row {
			rows = slices.Delete(rows, i, i+1)
			for j := range rows {
				rows[j].Sequence = int64(j + 1)
			}
			return rows
		},
		"cut off the end": func(_ *rapid.T, rows []history.Row, i int) []history.Row { return rows[:i] },
		"repeat":          func(_ *rapid.T, rows []history.Row, i int) []history.Row { return slices.Insert(rows, i, rows[i]) },
		"swap": func(_ *rapid.T, rows []history.Row, i int) []history.Row {
			j := (i + 1) % len(rows)
			rows[i], rows[j] = rows[j], rows[i]
			return rows
		},
		"swap and renumber": func(_ *rapid.T, rows []history.Row, i int) []history.Row {
			j := (i + 1) % len(rows)
			rows[i], rows[j] = rows[j], rows[i]
			rows[i].Sequence, rows[j].Sequence = rows[j].Sequence, rows[i].Sequence
			return rows
		},
		"change and recompute all digests": func(t *rapid.T, rows []history.Row, i int) []history.Row {
			rows[i].Recorder += "x"
			for j, d := range outsider(org.UUID, rows) {
				rows[j].Digest = d
			}
			return rows
		},
	}
	for name, change := range changes {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rapid.Check(t, func(t *rapid.T) {
				rows := drawLedger(t, 2)
				head := headOf(rows)
				i := rapid.IntRange(0, len(rows)-1).Draw(t, "row")
				err := verify(change(t, rows, i), head)
				if e := errs.As(err); e == nil || e.Kind != errs.DataLoss || e.Reason != "LEDGER_DAMAGED" || e.Meta["sequence"] == "" {
					t.Fatalf("row %d of %d changed, and the verifier says %v", i+1, len(rows), err)
				}
			})
		})
	}
}

// What is linked right but makes no sense is found too: somebody wrote past the service.
func TestVerifierReadsTheRows(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	body := history.AppendBody(nil, &history.Entry{Occurred: at, Shop: "quay", Detail: history.Detail{Condition: &history.Condition{Condition: "drop", Severity: history.Note}}})
	good := history.Row{ID: uuid.Max, Unit: uuid.Max, Shop: "quay", Kind: history.KindCondition, Occurred: at, Recorded: at, Body: body}
	for name, change := range map[string]func(*history.Row){
		"kind differs from content":     func(r *history.Row) { r.Kind = history.KindUsage },
		"occurred differs from content": func(r *history.Row) { r.Occurred = at.Add(1000) },
		"shop differs from content":     func(r *history.Row) { r.Shop = "pier" },
		"corrects without amendment":    func(r *history.Row) { r.Corrects = uuid.Max },
		"content that is none":          func(r *history.Row) { r.Body = []byte{1, 2, 3} },
		"recorded before the last":      func(r *history.Row) { r.Recorded = at.Add(-time.Second) },
	} {
		rows := []history.Row{good, good}
		change(&rows[1])
		chain := history.NewChain(org, history.Head{})
		for i := range rows {
			rows[i].Sequence = int64(i + 1)
			rows[i].Digest = chain.Next(&rows[i])
		}
		if e := errs.As(verify(rows, headOf(rows))); e == nil || e.Meta["sequence"] != "2" {
			t.Errorf("%s: %v", name, e)
		}
		if err := verify(rows[:1], headOf(rows[:1])); err != nil {
			t.Errorf("%s: the row before it: %v", name, err)
		}
	}
}

// A chain continues from a head as if it had never stopped, and orgs have chains of their own.
func TestChainContinues(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows := drawLedger(t, 2)
		cut := rapid.IntRange(0, len(rows)-1).Draw(t, "cut")
		chain := history.NewChain(org, headOf(rows[:cut]))
		for i := cut; i < len(rows); i++ {
			if got := chain.Next(&rows[i]); got != rows[i].Digest {
				t.Fatalf("after a break at %d, digest %d is another", cut, i+1)
			}
		}
		if other := history.NewChain(tenant.Must("outer-banks"), history.Head{}); other.Next(&rows[0]) == rows[0].Digest {
			t.Fatal("the same row has the same digest in another org")
		}
	})
}
