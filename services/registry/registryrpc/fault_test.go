package registryrpc_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc/codes"

	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// behindALock runs fn while another transaction holds the org's head row.
func (c *chain) behindALock(fn func()) {
	c.t.Helper()
	org := tenant.Must(c.org)
	err := c.db.InOrg(c.t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `select from heads where org_id = $1 for update`, org.UUID)
		fn()
		return err
	})
	if err != nil {
		c.t.Fatal(err)
	}
}

// tryAdd creates a unit.
func (c *chain) tryAdd(ctx context.Context, tag string) error {
	_, err := c.CreateUnit(ctx, &registrypb.CreateUnitRequest{Parent: c.name(), Unit: c.plainUnit(tag, "vest", "harbour")})
	return err
}

// unmoved fails if the org's log has grown, and shows that it still can.
func (c *chain) unmoved(before int64, tag string) {
	c.t.Helper()
	if h := head(c.t, c); h != before {
		c.t.Errorf("the head moved from %d to %d", before, h)
	}
	if err := c.tryAdd(c.t.Context(), tag); err != nil {
		c.t.Errorf("afterwards: %v", err)
	}
}

func TestAWriterBehindALockKeepsItsDeadline(t *testing.T) {
	t.Parallel()
	c := newRigWith(t, setup{deadline: 400 * time.Millisecond}).found("reef")
	before := head(t, c)
	c.behindALock(func() { wantRefused(t, c.tryAdd(t.Context(), "U-1"), codes.DeadlineExceeded, "DEADLINE_EXCEEDED") })
	c.unmoved(before, "U-1")
}

func TestAWriterThatMayNotWaitIsToldToTryAgain(t *testing.T) {
	t.Parallel()
	c := newRigWith(t, setup{prepare: func(base *pgtest.Database) {
		admin(t, base, `do $$ begin execute format('alter database %I set lock_timeout = 100', current_database()); end $$`)
	}}).found("reef")
	before := head(t, c)
	c.behindALock(func() { wantRefused(t, c.tryAdd(t.Context(), "U-1"), codes.Aborted, "CONFLICT") })
	c.unmoved(before, "U-1")
}

func TestAWriterWhoseConnectionIsCutSaysSo(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	before := head(t, c)
	c.behindALock(func() {
		done := make(chan error, 1)
		go func() { done <- c.tryAdd(t.Context(), "U-1") }()
		const kill = `select count(pg_terminate_backend(pid)) from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'`
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case err := <-done:
				wantRefused(t, err, codes.Unavailable, "UNAVAILABLE")
				return
			case <-tick.C:
				admin(t, c.base, kill)
			case <-t.Context().Done():
				return
			}
		}
	})
	c.unmoved(before, "U-1")
}

func TestAnImportWithoutRoomSaysSo(t *testing.T) {
	t.Parallel()
	c := newRigWith(t, setup{spool: filepath.Join(t.TempDir(), "gone")}).found("reef")
	_, err := c.bringIn(&registrypb.ImportRecordsRequest_Header{Parent: c.name()})
	wantRefused(t, err, codes.Unavailable, "UNAVAILABLE")
}

func admin(t testing.TB, base *pgtest.Database, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), base.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(t.Context())) }()
	if _, err := conn.Exec(t.Context(), sql); err != nil {
		t.Fatal(err)
	}
}
