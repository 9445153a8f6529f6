package compliancepg

import (
	"context"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// Entries returns the stored entries of units: increments first.
func (r *Reader) Entries(ctx context.Context, units []uuid.UUID) (map[uuid.UUID][]due.Entry, error) {
	histories, err := readHistories(ctx, r.tx, r.org, units, new(entryReader))
	out := make(map[uuid.UUID][]due.Entry, len(histories))
	for id, h := range histories {
		out[id] = entriesOf(h)
	}
	return out, err
}

// Code returns an entry in its code.
func Code(e *due.Entry) []byte { return appendEntry(nil, e) }

// Decoder returns what reads entries of a unit from their code, increments first, each time into the memory of the time before.
func Decoder(unit uuid.UUID) func(code []byte) ([]due.Entry, error) {
	var r entryReader
	return func(code []byte) ([]due.Entry, error) {
		r.again()
		if err := r.read(unit, code); err != nil {
			return nil, err
		}
		return entriesOf(r.history(unit)), nil
	}
}

func entriesOf(h due.History) (out []due.Entry) {
	for _, i := range h.Increments {
		out = append(out, due.Entry{ID: i.ID, Unit: h.Unit, Occurred: i.Occurred.Time(), Recorded: i.Recorded.Time(), Kind: due.UsageEntry, Amount: i.Amount})
	}
	return append(out, h.Entries...)
}

// EachUnit derives every unit of the fleet at the end of all that is known, and calls fn with each, by several goroutines at a time.
func (r *Reader) EachUnit(ctx context.Context, fn func(d *due.Derived)) error {
	units, err := unitIDs(ctx, r.tx, "true", r.org.UUID)
	if err != nil {
		return err
	}
	return r.eachChunk(ctx, units, false, time.Time{}, func(f *facts, chunk []uuid.UUID) error {
		for _, id := range chunk {
			d := due.Derive(f.input(id, false), time.Time{}, time.Time{})
			fn(&d)
		}
		return nil
	})
}

// EachChunk is eachChunk, which tells fn the tags of each chunk, as loaded.
func (r *Reader) EachChunk(ctx context.Context, units []uuid.UUID, fn func(chunk []uuid.UUID, tags map[uuid.UUID]string) error) error {
	return r.eachChunk(ctx, units, false, time.Time{}, func(f *facts, chunk []uuid.UUID) error { return fn(chunk, f.tags) })
}

// KindsAndLots is kindsAndLots.
func KindsAndLots(kinds, lots []string) (where string, args []any) { return kindsAndLots(kinds, lots) }

// Copied returns how many units are in the store's copy.
func (s *Store) Copied() int {
	s.ready.mu.Lock()
	defer s.ready.mu.Unlock()
	return s.ready.units
}

// CopyAtMost bounds the store's copy.
func (s *Store) CopyAtMost(units int) { s.ready.most = units }
