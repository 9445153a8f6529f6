package pgtest_test

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pgtest"
)

var fills = 0

var filled = pgtest.Fill(func(t testing.TB, d *pgtest.Database) {
	fills++
	conn, err := pgx.Connect(t.Context(), d.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(t.Context())) }()
	if _, err := conn.Exec(t.Context(), `create table gear.more (n int); insert into gear.more values (7)`); err != nil {
		t.Fatal(err)
	}
})

// What a template was filled with is in every clone, and what a test does to its clone is in no other.
func TestAFilledTemplateIsFilledOnce(t *testing.T) {
	t.Parallel()
	for range 3 {
		t.Run("clone", func(t *testing.T) {
			d := filled.New(t).DSN()
			if err := run(t, d, `do $$ begin assert (select array_agg(n) from gear.more) = '{7}'; end $$`); err != nil {
				t.Error(err)
			}
			if err := run(t, d, `insert into gear.more values (8)`); err != nil {
				t.Error(err)
			}
		})
	}
	if fills != 1 {
		t.Errorf("it was filled %d times", fills)
	}
	if err := run(t, pgtest.New(t).DSN(), `select from gear.more`); err == nil {
		t.Error("the template of all tests was filled too")
	}
}
