package pg_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/tenant"
)

var (
	reef  = tenant.Must("reef")
	wreck = tenant.Must("wreck")
	noon  = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
)

// put writes a note of org, in the transaction that ctx carries if there is one.
func put(ctx context.Context, db *pg.DB, org tenant.Org, body string) error {
	return db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into notes (org_id, note_id, body, made) values ($1, $2, $3, $4)`, org.UUID, uuid.New(), body, noon)
		return err
	})
}

func bodies(t *testing.T, db *pg.DB, org tenant.Org) []string {
	t.Helper()
	var got []string
	err := db.ReadOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select body from notes order by body`)
		if err != nil {
			return err
		}
		got, err = pgx.CollectRows(rows, pgx.RowTo[string])
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestAnOrgSeesItsOwnRowsOnly(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	for _, org := range []tenant.Org{reef, wreck} {
		if err := put(t.Context(), db, org, "of "+org.ID); err != nil {
			t.Fatal(err)
		}
	}
	for _, org := range []tenant.Org{reef, wreck} {
		if got := bodies(t, db, org); len(got) != 1 || got[0] != "of "+org.ID {
			t.Errorf("%s sees %q", org.ID, got)
		}
	}
}
