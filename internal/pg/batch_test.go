package pg_test

import (
	"context"
	"errors"
	"slices"
	"sync/atomic"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/tenant"
)

// batchTrips counts batches, and queries beside them.
type batchTrips struct {
	trips
	batches atomic.Int64
}

func (c *batchTrips) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	c.batches.Add(1)
	return ctx
}
func (*batchTrips) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}
func (*batchTrips) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData)     {}

// batchBodies reads notes twice in one batch.
func batchBodies(ctx context.Context, db *pg.DB, org tenant.Org) (first, second []string, err error) {
	err = db.ReadOrgBatch(ctx, org, func(batch *pgx.Batch) {
		for _, into := range []*[]string{&first, &second} {
			batch.Queue(`select body from notes order by body`).Query(func(rows pgx.Rows) (err error) {
				*into, err = pgx.CollectRows(rows, pgx.RowTo[string])
				return err
			})
		}
	})
	return first, second, err
}

func TestReadOrgBatch(t *testing.T) {
	t.Parallel()
	var c batchTrips
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, Tracer: &c, MaxConns: 1})
	for _, org := range []tenant.Org{reef, wreck} {
		if err := put(t.Context(), db, org, "of "+org.ID); err != nil {
			t.Fatal(err)
		}
	}
	for _, org := range []tenant.Org{reef, wreck, reef} { // one after the other on one connection
		first, second, err := batchBodies(t.Context(), db, org)
		if want := []string{"of " + org.ID}; err != nil || !slices.Equal(first, want) || !slices.Equal(second, want) {
			t.Errorf("%s reads %v and %v, %v", org.ID, first, second, err)
		}
	}
	c.n.Store(0)
	c.batches.Store(0)
	if _, _, err := batchBodies(t.Context(), db, reef); err != nil || c.n.Load() != 0 || c.batches.Load() != 1 {
		t.Errorf("%d queries and %d batches, want one batch, %v", c.n.Load(), c.batches.Load(), err)
	}
	// Nothing of the org is left on the connection.
	var setting string
	if err := db.Pool().QueryRow(t.Context(), `select coalesce(current_setting('strandline.org', true), '')`).Scan(&setting); err != nil || setting != "" {
		t.Errorf("the connection is still of org %q, %v", setting, err)
	}
	// One statement alone needs no transaction around it, sees its org's rows only, and cannot write either.
	for _, org := range []tenant.Org{reef, wreck, reef} {
		var body string
		if err := db.ReadOrgBatch(t.Context(), org, func(batch *pgx.Batch) {
			batch.Queue(`select string_agg(body, ',') from notes`).QueryRow(func(row pgx.Row) error { return row.Scan(&body) })
		}); err != nil || body != "of "+org.ID {
			t.Errorf("%s reads %q alone, %v", org.ID, body, err)
		}
	}
	if err := db.ReadOrgBatch(t.Context(), reef, func(batch *pgx.Batch) { batch.Queue(`delete from notes`) }); pg.Code(err) != "25006" {
		t.Errorf("a lone statement wrote: %v", err)
	}
	if err := put(t.Context(), db, reef, "later"); err != nil { // the connection may write again
		t.Error(err)
	}
	if err := db.Pool().QueryRow(t.Context(), `select coalesce(current_setting('strandline.org', true), '')`).Scan(&setting); err != nil || setting != "" {
		t.Errorf("the connection is still of org %q, %v", setting, err)
	}
	if _, _, err := batchBodies(t.Context(), db, tenant.Org{}); errs.As(err).Kind != errs.Internal {
		t.Errorf("without an org: %v", err)
	}
}

func TestReadOrgBatchJoins(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, MaxConns: 1}) // a second transaction would wait for ever
	err := db.InOrg(t.Context(), reef, func(ctx context.Context, _ pgx.Tx) error {
		if err := put(ctx, db, reef, "mine"); err != nil {
			return err
		}
		if first, _, err := batchBodies(ctx, db, reef); err != nil || !slices.Equal(first, []string{"mine"}) {
			t.Errorf("inside, it reads %v, %v", first, err)
		}
		if _, _, err := batchBodies(ctx, db, wreck); errs.As(err).Kind != errs.Internal {
			t.Errorf("another org inside: %v", err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestReadOrgBatchFails ends with an error in the middle, on the server and here, and leaves the one connection fit for others.
func TestReadOrgBatchFails(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, MaxConns: 1})
	if err := put(t.Context(), db, reef, "one"); err != nil {
		t.Fatal(err)
	}
	bad := errors.New("bad")
	for name, c := range map[string]struct {
		queue func(*pgx.Batch)
		want  func(error) bool
	}{
		"server": {func(b *pgx.Batch) { b.Queue(`select 1 / (count(*) - 1) from notes`) }, func(err error) bool { return pg.Code(err) == "22012" }},
		"writes": {func(b *pgx.Batch) {
			b.Queue(`insert into notes (org_id, note_id, body, made) values ($1, $2, 'written', $3)`, reef.UUID, uuid.New(), noon)
		}, func(err error) bool { return pg.Code(err) == "25006" }},
		"unknown table": {func(b *pgx.Batch) { b.Queue(`select 1 from nothing_of_this_name`) }, func(err error) bool { return pg.Code(err) == "42P01" }},
		"here": {func(b *pgx.Batch) {
			b.Queue(`select body from notes`).Query(func(pgx.Rows) error { return bad })
		}, func(err error) bool { return errors.Is(err, bad) }},
	} {
		err := db.ReadOrgBatch(t.Context(), reef, func(b *pgx.Batch) {
			b.Queue(`select 1`)
			c.queue(b)
			b.Queue(`select 2`)
		})
		if err == nil || !c.want(err) {
			t.Errorf("%s: %v", name, err)
		}
		if first, _, err := batchBodies(t.Context(), db, reef); err != nil || !slices.Equal(first, []string{"one"}) {
			t.Errorf("after %s it reads %v, %v", name, first, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	err := db.ReadOrgBatch(ctx, reef, func(b *pgx.Batch) {
		b.Queue(`select pg_sleep(30)`)
		cancel()
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("a caller that has gone: %v", err)
	}
	if first, _, err := batchBodies(t.Context(), db, reef); err != nil || !slices.Equal(first, []string{"one"}) {
		t.Errorf("after a caller has gone it reads %v, %v", first, err)
	}
}
