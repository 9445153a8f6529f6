package historypg_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/historypg"
)

// Revisions are only added, to the org of the transaction alone, and nothing is seen outside of it.
func TestProceduresAreOnlyAddedTo(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, historypg.Schema)
	s := historypg.New(db)
	r := history.ProcedureRevision{ProcedureKey: history.ProcedureKey{ID: "rinsing", Revision: 1}, Source: "a text", Recorder: "test", Created: time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)}
	if err := s.PublishProcedures(t.Context(), orgA, []history.ProcedureKey{r.ProcedureKey}, func(have map[history.ProcedureKey]history.ProcedureRevision, last map[string]int) ([]history.ProcedureRevision, error) {
		if len(have) > 0 || len(last) > 0 {
			t.Errorf("found %v, %v", have, last)
		}
		return []history.ProcedureRevision{r}, nil
	}); err != nil {
		t.Fatal(err)
	}
	for _, sql := range []string{
		`update procedures set source = source`,
		`delete from procedures`,
		`truncate procedures`,
		`select from procedures for update`,
		`insert into procedures table procedures on conflict (org_id, procedure, revision) do update set source = ''`,
		`insert into procedures select '` + orgB.UUID.String() + `', procedure, revision, source, recorder, created from procedures`,
	} {
		err := db.InOrg(t.Context(), orgA, func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, sql)
			return err
		})
		if pg.Code(err) != "42501" {
			t.Errorf("%s: %v, want a refusal", sql, err)
		}
	}
	if got, ok, err := s.Procedure(t.Context(), orgA, r.ProcedureKey); err != nil || !ok || got != r {
		t.Errorf("%+v, %v, %v", got, ok, err)
	}
	if got, ok, err := s.Procedure(t.Context(), orgB, r.ProcedureKey); err != nil || ok {
		t.Errorf("the other org sees %+v, %v", got, err)
	}
	var n int
	if err := db.ReadOrg(t.Context(), orgB, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select count(*) from procedures`).Scan(&n)
	}); err != nil || n != 0 {
		t.Errorf("the other org sees %d, %v", n, err)
	}
	if err := db.AcrossOrgs(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select count(*) from procedures`).Scan(&n)
	}); err != nil || n != 0 {
		t.Errorf("across orgs %d are seen, %v", n, err)
	}
}
