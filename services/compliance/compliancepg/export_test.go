package compliancepg

import (
	"context"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/due"
)

// Entries returns the stored entries of units.
func (r *Reader) Entries(ctx context.Context, units []uuid.UUID) (map[uuid.UUID][]due.Entry, error) {
	return readEntries(ctx, r.tx, r.org, units)
}
