package pg_test

import (
	"context"
	"errors"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
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

func TestAnOrgCannotWriteAnothersRows(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	if err := put(t.Context(), db, wreck, "theirs"); err != nil {
		t.Fatal(err)
	}
	var pe error
	err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		_, pe = tx.Exec(ctx, `insert into notes (org_id, note_id, body, made) values ($1, $2, 'forged', $3)`, wreck.UUID, uuid.New(), noon)
		return pe
	})
	if pg.Code(pe) != "42501" || errs.As(err).Kind != errs.Internal { // insufficient_privilege
		t.Errorf("got %v, %v", pe, err)
	}
	err = db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		for _, sql := range []string{`update notes set body = 'changed'`, `delete from notes`} {
			tag, err := tx.Exec(ctx, sql)
			if err != nil {
				return err
			}
			if tag.RowsAffected() != 0 {
				t.Errorf("%s reached %d rows of another org", sql, tag.RowsAffected())
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := bodies(t, db, wreck); len(got) != 1 || got[0] != "theirs" {
		t.Errorf("got %q", got)
	}
}

func TestNoOrgNoRows(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, MaxConns: 1})
	count := func() (n int) {
		t.Helper()
		if err := db.Pool().QueryRow(t.Context(), `select count(*) from notes`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if n := count(); n != 0 { // the setting was never made: null
		t.Errorf("%d rows", n)
	}
	if err := put(t.Context(), db, reef, "one"); err != nil {
		t.Fatal(err)
	}
	if n := count(); n != 0 { // the same connection; the setting is the empty string now
		t.Errorf("%d rows of the last org on a connection that came back", n)
	}
	if err := db.InOrg(t.Context(), tenant.Org{}, func(context.Context, pgx.Tx) error { return nil }); errs.As(err) == nil {
		t.Error("a transaction without an org")
	}
}

func TestAcrossOrgsSeesHeadsOnlyAndWritesNothing(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	for i, org := range []tenant.Org{reef, wreck} {
		if err := put(t.Context(), db, org, "note"); err != nil {
			t.Fatal(err)
		}
		if err := db.InOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, `insert into heads (org_id, number) values ($1, $2)`, org.UUID, i+1)
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
	err := db.AcrossOrgs(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		var heads, rows int
		if err := tx.QueryRow(ctx, `select (select count(*) from heads), (select count(*) from notes)`).Scan(&heads, &rows); err != nil {
			return err
		}
		if heads != 2 || rows != 0 {
			t.Errorf("sees %d heads and %d notes, want 2 and 0", heads, rows)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var pe error
	_ = db.AcrossOrgs(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		_, pe = tx.Exec(ctx, `update heads set number = 9`)
		return pe
	})
	if pg.Code(pe) != "25006" { // read_only_sql_transaction
		t.Errorf("a write across orgs: %v", pe)
	}
}

func TestNestedTransactionsJoin(t *testing.T) {
	t.Parallel()
	// With one connection a transaction that did not join would wait for ever.
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, MaxConns: 1})
	err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		if err := put(ctx, db, reef, "inside"); err != nil {
			return err
		}
		return db.ReadOrg(ctx, reef, func(ctx context.Context, inner pgx.Tx) error {
			if inner != tx {
				t.Error("another transaction")
			}
			var n int
			if err := inner.QueryRow(ctx, `select count(*) from notes`).Scan(&n); err != nil {
				return err
			}
			if n != 1 {
				t.Errorf("sees %d notes, want its own", n)
			}
			return nil
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := bodies(t, db, reef); len(got) != 1 {
		t.Errorf("got %q", got)
	}
	lost := errors.New("lost")
	err = db.InOrg(t.Context(), reef, func(ctx context.Context, _ pgx.Tx) error {
		if err := put(ctx, db, reef, "taken back"); err != nil {
			return err
		}
		return lost
	})
	if !errors.Is(err, lost) || errs.As(err) == nil {
		t.Errorf("got %v", err)
	}
	if got := bodies(t, db, reef); len(got) != 1 {
		t.Errorf("what a joined transaction wrote outlived the outer one: %q", got)
	}
}

func TestNestedTransactionsThatCannotJoinAreRefused(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	type in = func(context.Context, func(context.Context, pgx.Tx) error) error
	writing := func(org tenant.Org) in {
		return func(ctx context.Context, fn func(context.Context, pgx.Tx) error) error { return db.InOrg(ctx, org, fn) }
	}
	reading := func(org tenant.Org) in {
		return func(ctx context.Context, fn func(context.Context, pgx.Tx) error) error {
			return db.ReadOrg(ctx, org, fn)
		}
	}
	inReef, readReef, inWreck, readWreck := writing(reef), reading(reef), writing(wreck), reading(wreck)
	for name, c := range map[string]struct{ outer, inner in }{
		"another org":                 {inReef, inWreck},
		"another org to read":         {inReef, readWreck},
		"writing inside reading":      {readReef, inReef},
		"across orgs inside one":      {inReef, db.AcrossOrgs},
		"one inside across orgs":      {db.AcrossOrgs, readReef},
		"writing inside across orgs":  {db.AcrossOrgs, inReef},
		"another org inside reading":  {readReef, readWreck},
		"across orgs inside its read": {readReef, db.AcrossOrgs},
	} {
		err := c.outer(t.Context(), func(ctx context.Context, _ pgx.Tx) error {
			return c.inner(ctx, func(context.Context, pgx.Tx) error {
				t.Errorf("%s: ran", name)
				return nil
			})
		})
		if e := errs.As(err); e == nil || e.Kind != errs.Internal {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

func TestAPanicRollsBackAndGivesTheConnectionBack(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, MaxConns: 1})
	func() {
		defer func() {
			if recover() == nil {
				t.Error("the panic was swallowed")
			}
		}()
		_ = db.InOrg(t.Context(), reef, func(ctx context.Context, _ pgx.Tx) error {
			if err := put(ctx, db, reef, "half"); err != nil {
				return err
			}
			panic("half way")
		})
	}()
	if got := bodies(t, db, reef); len(got) != 0 {
		t.Errorf("got %q", got)
	}
}

func TestReadOrgSeesOneState(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	err := db.ReadOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		var before, after int
		if err := tx.QueryRow(ctx, `select count(*) from notes`).Scan(&before); err != nil {
			return err
		}
		if err := put(t.Context(), db, reef, "meanwhile"); err != nil { // t's context: a transaction of its own
			return err
		}
		if err := tx.QueryRow(ctx, `select count(*) from notes`).Scan(&after); err != nil {
			return err
		}
		if before != 0 || after != 0 {
			t.Errorf("saw %d, then %d", before, after)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// trips counts the requests that pgx sends.
type trips struct{ n atomic.Int64 }

func (c *trips) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	c.n.Add(1)
	return ctx
}
func (*trips) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

// TestReadOrgAtSeesTheSameState reads through a second connection what the first one sees, after others have written more; with the first
// one's context, which carries its transaction.
func TestReadOrgAtSeesTheSameState(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	for _, org := range []tenant.Org{reef, wreck} {
		if err := put(t.Context(), db, org, "early"); err != nil {
			t.Fatal(err)
		}
	}
	count := func(ctx context.Context, tx pgx.Tx) (n int) {
		if err := tx.QueryRow(ctx, `select count(*) from notes`).Scan(&n); err != nil {
			t.Error(err)
		}
		return n
	}
	err := db.ReadOrg(t.Context(), reef, func(ctx context.Context, first pgx.Tx) error {
		snapshot, err := pg.Snapshot(ctx, first)
		if err != nil {
			return err
		}
		if err := put(t.Context(), db, reef, "late"); err != nil {
			return err
		}
		return db.ReadOrgAt(ctx, reef, snapshot, func(ctx context.Context, second pgx.Tx) error {
			if first == second {
				t.Error("it joined the transaction")
			}
			if n := count(ctx, second); n != 1 {
				t.Errorf("%d rows, want the one of the snapshot and of the org", n)
			}
			attempt, err := second.Begin(ctx) // a savepoint: the refusal ends it, not the transaction
			if err != nil {
				return err
			}
			if _, err := attempt.Exec(ctx, `delete from notes`); err == nil {
				t.Error("it wrote")
			}
			return attempt.Rollback(ctx)
		})
	})
	if err != nil {
		t.Error(err)
	}
	if n := len(bodies(t, db, reef)); n != 2 {
		t.Errorf("%d rows afterwards", n)
	}
	for _, snapshot := range []string{"", "'; reset role; --", "00000003-0000001B-1 "} {
		if err := db.ReadOrgAt(t.Context(), reef, snapshot, func(context.Context, pgx.Tx) error { return nil }); errs.As(err).Kind != errs.Internal {
			t.Errorf("%q: %v", snapshot, err)
		}
	}
	if err := db.ReadOrgAt(t.Context(), reef, "00000003-0000001B-1", func(context.Context, pgx.Tx) error { return nil }); err == nil {
		t.Error("a snapshot that is gone was read")
	}
}

func TestBeginAndTheOrgAreOneTrip(t *testing.T) {
	t.Parallel()
	var c trips
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, Tracer: &c})
	c.n.Store(0)
	if err := db.InOrg(t.Context(), reef, func(context.Context, pgx.Tx) error { return nil }); err != nil {
		t.Fatal(err)
	}
	if n := c.n.Load(); n != 2 { // begin with the setting, commit
		t.Errorf("%d trips, want 2", n)
	}
}

func TestReadingBackUsesUTCAndUUIDs(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	ids := []uuid.UUID{uuid.New(), uuid.New(), uuid.New()}
	err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `insert into notes (org_id, note_id, body, made)
			select $1, id, id::text, $3 from unnest($2::uuid[]) id`, reef.UUID, ids, noon); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, `select note_id, made from notes where note_id = any($1)`, ids[:2])
		if err != nil {
			return err
		}
		defer rows.Close()
		n := 0
		for ; rows.Next(); n++ {
			var id uuid.UUID
			var made time.Time
			if err := rows.Scan(&id, &made); err != nil {
				return err
			}
			if made != noon { // also the location, which == compares
				t.Errorf("read %v, wrote %v", made, noon)
			}
			if !slices.Contains(ids[:2], id) {
				t.Errorf("read %v", id)
			}
		}
		if n != 2 {
			t.Errorf("%d rows", n)
		}
		// Nulls: into a pointer, in an array, and nowhere else.
		var one *uuid.UUID
		var some []*uuid.UUID
		if err := tx.QueryRow(ctx, `select null::uuid, $1::uuid[]`, []*uuid.UUID{&ids[0], nil}).Scan(&one, &some); err != nil || one != nil || len(some) != 2 || *some[0] != ids[0] || some[1] != nil {
			t.Errorf("%v, %v, %v", one, some, err)
		}
		if err := tx.QueryRow(ctx, `select $1::uuid`, &ids[1]).Scan(&one); err != nil || *one != ids[1] {
			t.Errorf("%v, %v", one, err)
		}
		var id uuid.UUID
		if err := tx.QueryRow(ctx, `select null::uuid`).Scan(&id); err == nil {
			t.Error("null was read as a UUID")
		}
		return rows.Err()
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestCommittedTellsOfAnOrgsCommits waits for commits: those of the org alone are told, once each, and neither reading nor what was rolled back.
func TestCommittedTellsOfAnOrgsCommits(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	told := func(c <-chan struct{}) bool {
		select {
		case <-c:
			return true
		default:
			return false
		}
	}
	first, same := db.Committed(reef.UUID), db.Committed(reef.UUID)
	if err := put(t.Context(), db, wreck, "elsewhere"); err != nil {
		t.Fatal(err)
	}
	_ = bodies(t, db, reef)
	refused := errors.New("refused")
	if err := db.InOrg(t.Context(), reef, func(ctx context.Context, _ pgx.Tx) error {
		if err := put(ctx, db, reef, "taken back"); err != nil {
			return err
		}
		return refused
	}); err == nil {
		t.Fatal("not rolled back")
	}
	if told(first) {
		t.Fatal("told of another org, of reading or of a rollback")
	}
	if err := db.InOrg(t.Context(), reef, func(ctx context.Context, _ pgx.Tx) error {
		err := put(ctx, db, reef, "kept") // joins, and is not committed yet
		if told(first) {
			t.Error("told before the commit")
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if !told(first) || !told(same) {
		t.Fatal("not told")
	}
	if told(db.Committed(reef.UUID)) {
		t.Fatal("told of a commit of before")
	}
}
