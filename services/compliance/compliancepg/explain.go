package compliancepg

import (
	"context"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// Explain returns the set of a unit as Derive does, and what the unit and each of its parts were derived from.
func (r *Reader) Explain(ctx context.Context, unit uuid.UUID, at, known time.Time) (*compliance.Set, func(uuid.UUID) due.Input, error) {
	f, err := r.store.loadFacts(ctx, r.tx, r.org, []uuid.UUID{unit}, true, known, new(entryReader))
	if err != nil {
		return nil, nil, err
	}
	if len(f.unknown) > 0 {
		return nil, nil, r.notOnRecord(ctx, unit, known)
	}
	return f.set(unit, at, known), func(id uuid.UUID) due.Input { return f.input(id, id == unit) }, nil
}
