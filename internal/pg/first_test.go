package pg_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
)

// first queues a look at the notes of whoever asks.
func first(into *[]string) func(batch *pgx.Batch) {
	return func(batch *pgx.Batch) {
		*into = nil
		batch.Queue(`select body from notes order by body`).Query(func(rows pgx.Rows) (err error) {
			*into, err = pgx.CollectRows(rows, pgx.RowTo[string])
			return err
		})
	}
}

// The first statements are of the org, in the transaction, and no trip of their own; what is read first is read anew when the transaction is run again.
func TestInOrgAfter(t *testing.T) {
	t.Parallel()
	var c batchTrips
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, Tracer: &c, MaxConns: 1})
	for _, body := range []string{"a", "b"} {
		if err := put(t.Context(), db, reef, body); err != nil {
			t.Fatal(err)
		}
	}
	if err := put(t.Context(), db, wreck, "another's"); err != nil {
		t.Fatal(err)
	}
	var read []string
	run := func(fn func(ctx context.Context, tx pgx.Tx) error) error {
		return db.InOrgAfter(t.Context(), reef, first(&read), fn)
	}
	nothing := func(context.Context, pgx.Tx) error { return nil }
	if err := run(nothing); err != nil || !slices.Equal(read, []string{"a", "b"}) {
		t.Errorf("read %v, %v", read, err)
	}
	c.n.Store(0)
	c.batches.Store(0)
	if err := run(nothing); err != nil || c.batches.Load() != 1 || c.n.Load() != 1 {
		t.Errorf("%d batches and %d queries, %v; want one, and the commit", c.batches.Load(), c.n.Load(), err)
	}
	runs := 0
	if err := run(func(ctx context.Context, tx pgx.Tx) error {
		if runs++; runs == 1 {
			return pg.Err(raise(ctx, tx, "40001"))
		}
		return put(ctx, db, reef, fmt.Sprint("run ", runs, " after ", read))
	}); err != nil || runs != 2 {
		t.Errorf("%d runs, %v", runs, err)
	}
	if got := bodies(t, db, reef); !slices.Equal(got, []string{"a", "b", "run 2 after [a b]"}) {
		t.Errorf("%v", got)
	}
	// Inside a transaction they see what it wrote.
	if err := db.InOrg(t.Context(), reef, func(ctx context.Context, _ pgx.Tx) error {
		if err := put(ctx, db, reef, "c"); err != nil {
			return err
		}
		return db.InOrgAfter(ctx, reef, first(&read), nothing)
	}); err != nil || !slices.Contains(read, "c") {
		t.Errorf("read %v, %v", read, err)
	}
	// One that fails is the call's error, fn does not run, and the one connection is good afterwards and of nobody.
	for _, statement := range []string{`select 1/0`, `select body from notes where org_id = 'x'`} {
		err := db.InOrgAfter(t.Context(), reef, func(batch *pgx.Batch) { batch.Queue(statement) }, func(context.Context, pgx.Tx) error {
			t.Error("it ran")
			return nil
		})
		if err == nil {
			t.Errorf("%s was answered", statement)
		}
	}
	var setting string
	if err := db.Pool().QueryRow(t.Context(), `select coalesce(current_setting('strandline.org', true), '')`).Scan(&setting); err != nil || setting != "" {
		t.Errorf("the connection is still of org %q, %v", setting, err)
	}
	if got := db.Pool().Stat().AcquiredConns(); got != 0 {
		t.Errorf("%d connections were kept", got)
	}
}

// A lost race of the first statements, and a connection that dies while they are under way, are tried again: nothing was written yet.
func TestWhatIsFirstIsTriedAgain(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	db := d.Open(t, notes)
	conn, err := pgx.Connect(t.Context(), d.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(t.Context())) }()
	const asleep = `select count(pg_terminate_backend(pid)) from pg_stat_activity where datname = current_database() and query like '%pg_sleep(60)' and pid <> pg_backend_pid()`
	for _, how := range []string{
		`do $$ begin raise exception 'made to fail' using errcode = '40P01'; end $$`,
		`select pg_sleep(60)`,
	} {
		tries, id := 0, uuid.NewString()
		var killed sync.WaitGroup
		err := db.InOrgAfter(t.Context(), reef, func(batch *pgx.Batch) {
			if tries++; tries > 1 {
				return
			}
			batch.Queue(how)
			if strings.Contains(how, "sleep") {
				killed.Go(func() {
					for n := 0; n == 0 && t.Context().Err() == nil; {
						if err := conn.QueryRow(t.Context(), asleep).Scan(&n); err != nil {
							t.Error(err)
							return
						}
					}
				})
			}
		}, func(ctx context.Context, _ pgx.Tx) error { return put(ctx, db, reef, id) })
		killed.Wait()
		if err != nil || tries != 2 || !slices.Contains(bodies(t, db, reef), id) {
			t.Errorf("%s: %d tries, %v", how, tries, err)
		}
	}
}
