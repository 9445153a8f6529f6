package compliancepg

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// ReturnedOtherwiseError says that a return was begun, or made, that says something else.
type ReturnedOtherwiseError struct {
	Allocation *compliance.Allocation
	At         time.Time // when that was
}

// Error says which allocation it is.
func (e *ReturnedOtherwiseError) Error() string {
	return "allocation " + e.Allocation.ID.String() + " was returned otherwise"
}

// begun is what an allocation's row has of its return.
type begun struct {
	at     *time.Time
	digest []byte
	by     string
}

// BeginReturn writes down that allocations come back, before anything is recorded elsewhere: when and by whom, and what is said of them. Whoever
// repeats it gets what was written first, so that the entries are the same. Errors: NOT_FOUND, ALLOCATION_STATE, and a *ReturnedOtherwiseError.
func (s *Store) BeginReturn(ctx context.Context, org tenant.Org, returns []compliance.Return, at time.Time, now time.Time, by string) (out []compliance.ReturnBegun, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		// Allocations change under the lock of the head alone. Nothing of what is written here is watched, or moves the head.
		if err := lockHead(ctx, tx, org); err != nil {
			return err
		}
		t := &promising{store: s, org: org, tx: tx, now: now}
		all, rows, err := t.returning(ctx, returns)
		if err != nil {
			return err
		}
		out = make([]compliance.ReturnBegun, len(returns))
		batch := &pgx.Batch{}
		for i := range returns {
			r, a := &returns[i], all[i]
			out[i] = compliance.ReturnBegun{Allocation: a, At: at, By: by}
			have := rows[a.ID]
			switch {
			case have.at != nil && bytes.Equal(have.digest, r.Digest):
				out[i].At, out[i].By = instantOf(have.at), have.by
			case have.at != nil:
				return &ReturnedOtherwiseError{a, instantOf(have.at)}
			case a.State != compliance.Out:
				return wrongState(org, a, now, []compliance.AllocationState{compliance.Out})
			default:
				out[i].Fresh = true
				if out[i].At.Before(a.HandedOut) { // by another clock
					out[i].At = a.HandedOut
				}
				batch.Queue(`update allocations set return_at = $3, return_digest = $4, returner = $5 where org_id = $1 and allocation_id = $2`,
					org.UUID, a.ID, out[i].At, r.Digest, by)
			}
			if r.Used != (due.Amount{}) {
				if err := t.taken(ctx, &out[i]); err != nil {
					return err
				}
			}
		}
		return pg.Err(tx.SendBatch(ctx, batch).Close())
	})
	return out, err
}

// returning returns the allocations that come back, in the order of the returns, and what their rows have of it.
func (t *promising) returning(ctx context.Context, returns []compliance.Return) ([]*compliance.Allocation, map[uuid.UUID]begun, error) {
	ids := make([]uuid.UUID, len(returns))
	for i := range returns {
		ids[i] = returns[i].Allocation
	}
	all, err := t.load(ctx, compliance.AllocationChoice{IDs: ids}, compliance.Out, compliance.Returned)
	if err != nil {
		return nil, nil, err
	}
	byID := map[uuid.UUID]*compliance.Allocation{}
	for _, a := range all {
		byID[a.ID] = a
	}
	inOrder := make([]*compliance.Allocation, len(ids))
	for i, id := range ids {
		inOrder[i] = byID[id]
	}
	rows, err := t.tx.Query(ctx, `select allocation_id, return_at, return_digest, returner from allocations where org_id = $1 and allocation_id = any ($2)`, t.org.UUID, ids)
	if err != nil {
		return nil, nil, pg.Err(err)
	}
	out := map[uuid.UUID]begun{}
	var id uuid.UUID
	var at *time.Time
	var digest []byte
	var by string
	_, err = pgx.ForEachRow(rows, []any{&id, &at, &digest, &by}, func() error {
		out[id] = begun{at, bytes.Clone(digest), by}
		return nil
	})
	return inOrder, out, pg.Err(err)
}

// ForgetReturn takes back that allocations come back, where that was begun at an instant and nothing was recorded of it.
func (s *Store) ForgetReturn(ctx context.Context, org tenant.Org, all []compliance.ReturnBegun) error {
	return s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if err := lockHead(ctx, tx, org); err != nil {
			return err
		}
		for i := range all {
			if _, err := tx.Exec(ctx, `update allocations set return_at = null, return_digest = null, returner = ''
				where org_id = $1 and allocation_id = $2 and return_at = $3 and state = 3`, org.UUID, all[i].ID, all[i].At); err != nil {
				return pg.Err(err)
			}
		}
		return nil
	})
}

// FinishReturn takes allocations back, all of them or none, after what their return records was recorded; entries are the names of that, by
// allocation. Those that were taken back so already stay as they are. It joins the transaction in ctx. Errors: as BeginReturn.
func (s *Store) FinishReturn(ctx context.Context, org tenant.Org, returns []compliance.Return, begun []compliance.ReturnBegun, entries map[uuid.UUID][]string, change compliance.OwnChange) (out []*compliance.Allocation, p compliance.Position, err error) {
	p, err = s.promise(ctx, org, change, func(ctx context.Context, t *promising) error {
		all, rows, err := t.returning(ctx, returns)
		if err != nil {
			return err
		}
		for i, a := range all {
			have, b := rows[a.ID], begun[i]
			if have.at != nil && (!bytes.Equal(have.digest, returns[i].Digest) || !instantOf(have.at).Equal(b.At)) {
				return &ReturnedOtherwiseError{a, instantOf(have.at)}
			}
			if a.State == compliance.Returned {
				continue
			}
			a.State, a.Finished, a.Finisher, a.Entries, a.Conflicts = compliance.Returned, b.At, b.By, entries[a.ID], nil
			if b.At.Before(a.End) {
				a.End = b.At
				if !a.End.After(a.Start) {
					a.End = a.Start.Add(time.Microsecond) // a window is never empty
				}
			}
			t.changed = append(t.changed, a)
		}
		out = all
		return nil
	})
	return out, p, err
}

// Otherwise is the error about a return that says something else than one that was begun, whose entries are in the ledger.
func (e *ReturnedOtherwiseError) Otherwise(org tenant.Org, entries []string) error {
	name := resname.AllocationName(org, e.Allocation.ID)
	says := fmt.Sprintf("a return of %s (%s) that says something else was begun at %s", name, e.Allocation.Tag, e.At.Format(time.RFC3339))
	out := errs.New(errs.Precondition, "ALLOCATION_STATE", "", "allocation", name, "assetTag", e.Allocation.Tag, "state", e.Allocation.State.Word(), "begun", e.At.Format(time.RFC3339))
	if len(entries) == 0 {
		out.Message = says + ", and may still be under way: repeat it as it was"
		return out
	}
	out.Message = says + fmt.Sprintf(", and made %d of its entries: repeat it as it was, and correct them by amendments (%s", len(entries), entries[0])
	if len(entries) > 1 {
		out.Message += fmt.Sprintf(" and %d more", len(entries)-1)
	}
	out.Message += ")"
	for i, n := range entries {
		out = out.With(fmt.Sprintf("entry%d", i+1), n)
	}
	return out
}
