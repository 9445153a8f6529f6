package pg_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
)

// raise has the server fail a statement with an SQLSTATE.
func raise(ctx context.Context, tx pgx.Tx, state string) error {
	_, err := tx.Exec(ctx, fmt.Sprintf(`do $$ begin raise exception 'made to fail' using errcode = '%s'; end $$`, state))
	return err
}

func TestALostRaceIsRunAgain(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	for _, c := range []struct {
		state    string
		failures int
		runs     int
		kind     errs.Kind
		ok       bool
	}{
		{"40001", 3, 4, 0, true},
		{"40P01", 1, 2, 0, true},
		{"40001", 9, 4, errs.Conflict, false},
		{"40P01", 9, 4, errs.Conflict, false},
		{"55P03", 9, 1, errs.Conflict, false},
		{"23505", 9, 1, errs.Internal, false},
	} {
		runs := 0
		err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
			runs++
			body := fmt.Sprint(c)
			if err := put(ctx, db, reef, body); err != nil { // would violate a key if the first try had left it
				return err
			}
			if runs <= c.failures {
				return pg.Err(raise(ctx, tx, c.state)) // as a store wraps it
			}
			return nil
		})
		if runs != c.runs || (err == nil) != c.ok {
			t.Errorf("%+v: %d runs, %v", c, runs, err)
		}
		if err != nil && errs.As(err).Kind != c.kind {
			t.Errorf("%+v: got %v", c, err)
		}
	}
}

// A joined transaction cannot be repeated alone: the outermost one is.
func TestTheOutermostTransactionIsRunAgain(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	outer, inner := 0, 0
	err := db.InOrg(t.Context(), reef, func(ctx context.Context, _ pgx.Tx) error {
		outer++
		return db.InOrg(ctx, reef, func(ctx context.Context, tx pgx.Tx) error {
			inner++
			if inner == 1 {
				return raise(ctx, tx, "40001")
			}
			return nil
		})
	})
	if err != nil || outer != 2 || inner != 2 {
		t.Errorf("outer %d, inner %d, %v", outer, inner, err)
	}
}

// Two transactions that lock two rows in opposite orders: PostgreSQL ends one with 40P01, and both get through.
func TestARealDeadlockResolves(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	rows := [2]uuid.UUID{uuid.New(), uuid.New()}
	if err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into notes (org_id, note_id, body, made) select $1, id, id::text, $3 from unnest($2::uuid[]) id`, reef.UUID, rows[:], noon)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	var both, done sync.WaitGroup
	both.Add(2)
	var runs atomic.Int64
	for i := range 2 {
		done.Go(func() {
			first := true
			if err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
				runs.Add(1)
				const lock = `update notes set made = made where org_id = $1 and note_id = $2`
				if _, err := tx.Exec(ctx, lock, reef.UUID, rows[i]); err != nil {
					return err
				}
				if first { // each holds one row before it asks for the other's
					first = false
					both.Done()
					both.Wait()
				}
				_, err := tx.Exec(ctx, lock, reef.UUID, rows[1-i])
				return err
			}); err != nil {
				t.Error(err)
			}
		})
	}
	done.Wait()
	// One of them runs twice; more often if it takes its row again before the other, which waits for that row, has woken up.
	if n := runs.Load(); n < 3 {
		t.Errorf("%d runs, want 3 or more: one of them at least twice", n)
	}
}

func TestAKilledConnectionIsUnavailableAndTheNextOneWorks(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	db := d.OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, MaxConns: 1})
	err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		var pid int
		if err := tx.QueryRow(ctx, `select pg_backend_pid()`).Scan(&pid); err != nil {
			return err
		}
		kill(t, d, pid)
		_, err := tx.Exec(ctx, `select 1`)
		return err
	})
	if e := errs.As(err); e == nil || e.Kind != errs.Unavailable || e.Reason != "UNAVAILABLE" {
		t.Errorf("got %v", err)
	}
	if err := put(t.Context(), db, reef, "after"); err != nil {
		t.Error(err)
	}
}

// A pooled connection that died while idle costs the caller nothing: a transaction that could not begin is begun anew.
func TestAnIdleConnectionThatDiedIsReplaced(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	db := d.OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, MaxConns: 1})
	var pid int
	if err := db.Pool().QueryRow(t.Context(), `select pg_backend_pid()`).Scan(&pid); err != nil {
		t.Fatal(err)
	}
	kill(t, d, pid)
	if err := put(t.Context(), db, reef, "after"); err != nil {
		t.Error(err)
	}
}

// kill ends a backend and waits until it is gone.
func kill(t *testing.T, d *pgtest.Database, pid int) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), d.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	var gone bool
	if err := conn.QueryRow(t.Context(), `select pg_terminate_backend($1, 10000)`, pid).Scan(&gone); err != nil || !gone {
		t.Fatal(gone, err)
	}
}

func TestDeadlinesAndCancellation(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	sleep := func(ctx context.Context) error {
		return db.InOrg(ctx, reef, func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, `select pg_sleep(60)`)
			return err
		})
	}
	short, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if e := errs.As(sleep(short)); e == nil || e.Kind != errs.Deadline {
		t.Errorf("deadline: got %v", e)
	}
	leaving, leave := context.WithCancel(t.Context())
	err := db.InOrg(leaving, reef, func(ctx context.Context, tx pgx.Tx) error {
		leave()
		_, err := tx.Exec(ctx, `select pg_sleep(60)`)
		return err
	})
	if e := errs.As(err); e == nil || e.Kind != errs.Canceled {
		t.Errorf("cancellation: got %v", err)
	}
	// A caller who has left before the commit gets nothing done.
	leaving, leave = context.WithCancel(t.Context())
	err = db.InOrg(leaving, reef, func(ctx context.Context, _ pgx.Tx) error {
		defer leave()
		return put(ctx, db, reef, "too late")
	})
	if e := errs.As(err); e == nil || e.Kind != errs.Canceled {
		t.Errorf("late cancellation: got %v", err)
	}
	if got := bodies(t, db, reef); len(got) != 0 {
		t.Errorf("got %q", got)
	}
}

func TestACommitThatRollsBackIsAnError(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	err := db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
		_ = raise(ctx, tx, "23505") // the error is lost, and with it the transaction
		return nil
	})
	if !errors.Is(err, pgx.ErrTxCommitRollback) || errs.As(err) == nil {
		t.Errorf("got %v", err)
	}
}
