package compliancepg

import (
	"context"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// Entries returns the stored entries of units.
func (r *Reader) Entries(ctx context.Context, units []uuid.UUID) (map[uuid.UUID][]due.Entry, error) {
	return readHistories(ctx, r.tx, r.org, units)
}

// Code returns an entry in its code.
func Code(e *due.Entry) []byte { return appendEntry(nil, e) }

// Decode reads entries of a unit from their code.
func Decode(unit uuid.UUID, code []byte) (out []due.Entry, err error) {
	var all slab
	r := entryReader{left: code}
	for len(r.left) > 0 {
		if err := r.next(unit, all.add()); err != nil {
			return nil, err
		}
	}
	return all.cut(), nil
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
