package pg

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"regexp"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// maxRetries is how often a transaction is run again after it lost to another one, or could not begin.
const maxRetries = 3

// open is the transaction a context carries.
type open struct {
	org      uuid.UUID // zero: across orgs
	readOnly bool
	tx       pgx.Tx
}

// way is how a transaction begins.
type way struct {
	begin          string
	setting, value string // set for the transaction
	first          func(batch *pgx.Batch)
}

const (
	settingOrg    = "strandline.org"
	settingAcross = "strandline.across"
	beginWrite    = "begin isolation level read committed read write"
	beginRead     = "begin isolation level repeatable read read only"
)

// openKey finds a DB's open transaction in a context; another DB's is another key.
type openKey struct{ db *DB }

// InOrg runs fn in one read-write transaction (read committed) that sees and writes the rows of org only, and commits
// if fn returns nil. Inside it, InOrg and ReadOrg with the context that fn got join the transaction; another org, or
// writing inside a ReadOrg, is refused.
//
// The outermost call runs fn again, up to three times, if the transaction lost to another (40001, 40P01) or the
// connection could not begin it: fn must keep no outside state. An error of the outermost call is an *errs.E; what fn
// returned comes back as it is if it is one. An error while committing can mean that the commit happened.
func (db *DB) InOrg(ctx context.Context, org tenant.Org, fn func(ctx context.Context, tx pgx.Tx) error) error {
	return db.InOrgAfter(ctx, org, nil, fn)
}

// InOrgAfter is InOrg whose first statements are known beforehand: first queues them, with functions that take the rows, and they are sent with the
// transaction's beginning, in one trip. They may lock and read, and must not write. first may be called again, like fn; fn is called once they have
// been answered.
func (db *DB) InOrgAfter(ctx context.Context, org tenant.Org, first func(batch *pgx.Batch), fn func(ctx context.Context, tx pgx.Tx) error) error {
	if org.UUID == uuid.Nil {
		return errs.New(errs.Internal, "INTERNAL", "a transaction needs an org")
	}
	return db.run(ctx, way{beginWrite, settingOrg, org.UUID.String(), first}, open{org: org.UUID}, fn)
}

// ReadOrg is InOrg for reading: read only, and repeatable read, so that all of fn's statements see one state. Inside
// InOrg it joins, and sees what that wrote.
func (db *DB) ReadOrg(ctx context.Context, org tenant.Org, fn func(ctx context.Context, tx pgx.Tx) error) error {
	if org.UUID == uuid.Nil {
		return errs.New(errs.Internal, "INTERNAL", "a transaction needs an org")
	}
	return db.run(ctx, way{beginRead, settingOrg, org.UUID.String(), nil}, open{org: org.UUID, readOnly: true}, fn)
}

// ReadOrgBatch is ReadOrg for statements that are known beforehand: queue queues them, with functions that take the rows, and all of it, the
// transaction's beginning and its end included, is one trip. Inside InOrg or ReadOrg it joins. queue may be called again, like the fn of the others.
func (db *DB) ReadOrgBatch(ctx context.Context, org tenant.Org, queue func(batch *pgx.Batch)) error {
	if org.UUID == uuid.Nil {
		return errs.New(errs.Internal, "INTERNAL", "a transaction needs an org")
	}
	if have, ok := ctx.Value(openKey{db}).(open); ok {
		if have.org != org.UUID {
			return errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("a transaction of org %s is open; one of org %s cannot run inside it", have.org, org.UUID))
		}
		batch := &pgx.Batch{}
		queue(batch)
		return Err(have.tx.SendBatch(ctx, batch).Close())
	}
	return db.again(ctx, func() (err error, again bool) {
		conn, err := db.pool.Acquire(ctx)
		if err != nil {
			return err, connectionTrouble(err)
		}
		defer conn.Release() // which closes a connection that is still inside a transaction
		asked := &pgx.Batch{}
		queue(asked)
		batch := &pgx.Batch{}
		// A batch is one transaction by itself, and one statement sees one state.
		if asked.Len() > 1 {
			batch.Queue(beginRead)
		}
		batch.Queue("select set_config('strandline.org', $1, true), set_config('transaction_read_only', 'on', true)", org.UUID.String())
		batch.QueuedQueries = append(batch.QueuedQueries, asked.QueuedQueries...)
		if asked.Len() > 1 {
			batch.Queue("commit")
		}
		if err = conn.SendBatch(ctx, batch).Close(); err == nil {
			return nil, false
		}
		if ctx.Err() == nil && conn.Conn().PgConn().TxStatus() != 'I' {
			if _, rerr := conn.Exec(ctx, "rollback"); rerr != nil {
				err = errors.Join(err, rerr)
			}
		}
		return err, lostRace(err) || connectionTrouble(err) // it has written nothing
	})
}

// Inside says whether ctx carries an open transaction: what is read with it may be rolled back yet.
func (db *DB) Inside(ctx context.Context) bool {
	_, ok := ctx.Value(openKey{db}).(open)
	return ok
}

// Snapshot names the state that a ReadOrg sees, for others to see the same with ReadOrgAt while the transaction is open.
func Snapshot(ctx context.Context, tx pgx.Tx) (id string, err error) {
	err = tx.QueryRow(ctx, `select pg_export_snapshot()`).Scan(&id)
	return id, Err(err)
}

// ReadOrgAt is ReadOrg in a transaction of its own that sees the state of a snapshot. It never joins an open transaction, and waits for a
// connection while the pool has none: whoever holds one must be able to go on without it.
func (db *DB) ReadOrgAt(ctx context.Context, org tenant.Org, snapshot string, fn func(ctx context.Context, tx pgx.Tx) error) error {
	if org.UUID == uuid.Nil {
		return errs.New(errs.Internal, "INTERNAL", "a transaction needs an org")
	}
	if !snapshotID.MatchString(snapshot) {
		return errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("%q is no snapshot", snapshot))
	}
	begin := beginRead + "; set transaction snapshot '" + snapshot + "'"
	return db.run(context.WithValue(ctx, openKey{db}, nil), way{begin, settingOrg, org.UUID.String(), nil}, open{org: org.UUID, readOnly: true}, fn)
}

// snapshotID is what PostgreSQL calls a snapshot, so that it can be printed into a statement that takes no parameter.
var snapshotID = regexp.MustCompile(`^[0-9A-F]+(-[0-9A-F]+)*$`)

// AcrossOrgs runs fn in a read-only transaction without an org. Only tables whose policy says so show rows in it: heads,
// and the registry's orgs.
func (db *DB) AcrossOrgs(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx) error) error {
	return db.run(ctx, way{beginRead, settingAcross, "heads", nil}, open{readOnly: true}, fn)
}

func (db *DB) run(ctx context.Context, how way, want open, fn func(ctx context.Context, tx pgx.Tx) error) error {
	if have, ok := ctx.Value(openKey{db}).(open); ok {
		switch {
		case have.org != want.org:
			return errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("a transaction of org %s is open; one of org %s cannot run inside it", have.org, want.org))
		case have.readOnly && !want.readOnly:
			return errs.New(errs.Internal, "INTERNAL", "a read-only transaction is open; one that writes cannot run inside it")
		}
		if how.first != nil {
			batch := &pgx.Batch{}
			how.first(batch)
			if err := have.tx.SendBatch(ctx, batch).Close(); err != nil {
				return Err(err)
			}
		}
		return fn(ctx, have.tx)
	}
	return db.again(ctx, func() (error, bool) { return db.once(ctx, how, want, fn) })
}

// again runs once, and runs it again, up to three times, while that may help.
func (db *DB) again(ctx context.Context, once func() (err error, again bool)) error {
	for try := 0; ; try++ {
		err, again := once()
		if err == nil {
			return nil
		}
		if !again || try == maxRetries || ctx.Err() != nil {
			return Err(err)
		}
		// A random pause keeps two losers from meeting again.
		pause := time.NewTimer(time.Duration(1+rand.IntN(20<<try)) * time.Millisecond)
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
			return Err(err)
		}
	}
}

// once runs fn in one transaction. Again says that running it anew may help and repeats no effect.
func (db *DB) once(ctx context.Context, how way, want open, fn func(ctx context.Context, tx pgx.Tx) error) (err error, again bool) {
	tx, err := db.begin(ctx, how)
	if err != nil {
		return err, lostRace(err) || connectionTrouble(err) // nothing is written yet
	}
	want.tx = tx
	done := false
	defer func() {
		if done {
			return
		}
		// Also when fn panics, and when ctx has ended: the connection should come back clean rather than be closed.
		back, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		if rerr := tx.Rollback(back); rerr != nil && !errors.Is(rerr, pgx.ErrTxClosed) && err != nil {
			err = errors.Join(err, rerr)
		}
	}()
	if err := fn(context.WithValue(ctx, openKey{db}, want), tx); err != nil {
		return err, lostRace(err)
	}
	if err := ctx.Err(); err != nil {
		return err, false
	}
	done = true
	err = tx.Commit(ctx)
	if !want.readOnly { // it may have happened even if it failed
		db.committed(want.org)
	}
	return err, lostRace(err)
}

// begin begins a transaction, in one trip with what is to be sent first.
func (db *DB) begin(ctx context.Context, how way) (pgx.Tx, error) {
	if how.first == nil {
		// Two statements in one text. SET takes no bind parameter; what is set is a UUID's own printing or a word of this package.
		return db.pool.BeginTx(ctx, pgx.TxOptions{BeginQuery: how.begin + "; set local " + how.setting + " = '" + how.value + "'"})
	}
	batch := &pgx.Batch{}
	batch.BeginTx(pgx.TxOptions{BeginQuery: how.begin})
	batch.Queue("select set_config($1, $2, true)", how.setting, how.value) // a text that is the same for all, and prepared once
	asked := &pgx.Batch{}
	how.first(asked)
	batch.QueuedQueries = append(batch.QueuedQueries, asked.QueuedQueries...)
	results := db.pool.SendBatch(ctx, batch)
	err := results.Close()
	if err == nil {
		return results.Tx(), nil
	}
	back, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if rerr := results.Tx().Rollback(back); rerr != nil && !errors.Is(rerr, pgx.ErrTxClosed) {
		err = errors.Join(err, rerr)
	}
	return nil, err
}

// lostRace says that the transaction was rolled back because of another one.
func lostRace(err error) bool {
	switch Code(err) {
	case "40001", "40P01":
		return true
	}
	return false
}
