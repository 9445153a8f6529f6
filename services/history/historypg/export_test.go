package historypg

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
)

// Explain runs a listing, and the search for the first sequence recorded at an instant, and returns how they ran.
func Explain(t *testing.T, db *pg.DB, org tenant.Org, q history.Query, limit int) (plans []string) {
	t.Helper()
	err := db.ReadOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
		sql, args, err := listing(ctx, tx, org, q, 0, limit)
		if err != nil {
			return err
		}
		plans = nil
		for _, s := range []struct {
			sql  string
			args []any
		}{{sql, args}, {firstRecorded, []any{org.UUID, q.RecordedFrom}}} {
			var plan string
			if err := tx.QueryRow(ctx, `explain (analyze, format json) `+s.sql, s.args...).Scan(&plan); err != nil {
				return err
			}
			plans = append(plans, plan)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return plans
}

// WritePartUses writes uses of parts in a transaction of their own, as the ledger does in one that appends.
func WritePartUses(t testing.TB, db *pg.DB, org tenant.Org, uses ...history.PartUse) error {
	t.Helper()
	return db.InOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
		b := &pgx.Batch{}
		queuePartUses(b, org, uses)
		return (&writer{org: org, tx: tx}).send(ctx, b, func(pgx.BatchResults) error { return nil })
	})
}

// ReadLots reads lots in a transaction of its own.
func ReadLots(t testing.TB, db *pg.DB, org tenant.Org, ids ...string) (lots map[string]history.Lot) {
	t.Helper()
	if err := db.ReadOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) (err error) {
		lots, err = readLots(ctx, tx, org, ids)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return lots
}

// DB returns what a store stores in.
func DB(s *Store) *pg.DB { return s.db }

// ExplainTrace runs the trace of a lot and returns how it ran.
func ExplainTrace(t testing.TB, db *pg.DB, org tenant.Org, lot string, limit int) (plan string) {
	t.Helper()
	if err := db.ReadOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `explain (analyze, format json) `+usesOfLot, org.UUID, lot, 0, limit).Scan(&plan)
	}); err != nil {
		t.Fatal(err)
	}
	return plan
}
