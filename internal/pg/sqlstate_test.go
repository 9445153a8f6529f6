package pg_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
)

// The codes are those of the PostgreSQL 15 manual, appendix A, "PostgreSQL Error Codes".
func TestErr(t *testing.T) {
	t.Parallel()
	own := errs.New(errs.Precondition, "UNIT_RETIRED", "retired")
	state := func(code string) error {
		return fmt.Errorf("store: %w", &pgconn.PgError{Code: code, Message: "secret"})
	}
	for _, c := range []struct {
		give   error
		kind   errs.Kind
		reason string
	}{
		{state("40001"), errs.Conflict, "CONFLICT"},                                 // serialization_failure
		{state("40P01"), errs.Conflict, "CONFLICT"},                                 // deadlock_detected
		{state("55P03"), errs.Conflict, "CONFLICT"},                                 // lock_not_available
		{state("57014"), errs.Deadline, "DEADLINE_EXCEEDED"},                        // query_canceled, by statement_timeout
		{errors.Join(context.Canceled, state("57014")), errs.Canceled, "CANCELLED"}, // query_canceled, by us
		{state("57P01"), errs.Unavailable, "UNAVAILABLE"},                           // admin_shutdown
		{state("57P02"), errs.Unavailable, "UNAVAILABLE"},                           // crash_shutdown
		{state("57P03"), errs.Unavailable, "UNAVAILABLE"},                           // cannot_connect_now
		{state("53300"), errs.Unavailable, "UNAVAILABLE"},                           // too_many_connections
		{state("08006"), errs.Unavailable, "UNAVAILABLE"},                           // connection_failure
		{state("25P03"), errs.Unavailable, "UNAVAILABLE"},                           // idle_in_transaction_session_timeout
		{state("53100"), errs.Exhausted, "RESOURCE_EXHAUSTED"},                      // disk_full
		{state("53200"), errs.Exhausted, "RESOURCE_EXHAUSTED"},                      // out_of_memory
		{state("23505"), errs.Internal, "INTERNAL"},                                 // unique_violation nobody expected
		{state("42P01"), errs.Internal, "INTERNAL"},                                 // undefined_table
		{state("25006"), errs.Internal, "INTERNAL"},                                 // read_only_sql_transaction
		{io.ErrUnexpectedEOF, errs.Unavailable, "UNAVAILABLE"},
		{context.DeadlineExceeded, errs.Deadline, "DEADLINE_EXCEEDED"},
		{context.Canceled, errs.Canceled, "CANCELLED"},
		{pgx.ErrNoRows, errs.Internal, "INTERNAL"},
		{fmt.Errorf("use case: %w", own), errs.Precondition, "UNIT_RETIRED"},
	} {
		e := errs.As(pg.Err(c.give))
		if e == nil || e.Kind != c.kind || e.Reason != c.reason {
			t.Errorf("%v: got %+v", c.give, e)
			continue
		}
		if e != own && !errors.Is(e, c.give) {
			t.Errorf("%v: the cause is lost", c.give)
		}
		if strings.Contains(e.Message, "secret") {
			t.Errorf("%v: the database's text is in the message", c.give)
		}
	}
	if err := pg.Err(nil); err != nil {
		t.Errorf("nil became %v", err)
	}
}

func TestConstraintsOfTheServer(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	note := uuid.New()
	in := func(sql string, args ...any) error {
		var pe error
		_ = db.InOrg(t.Context(), reef, func(ctx context.Context, tx pgx.Tx) error {
			_, pe = tx.Exec(ctx, sql, args...)
			return pe
		})
		return pe
	}
	const add = `insert into notes (org_id, note_id, body, made) values ($1, $2, $3, now())`
	const stay = `insert into stays (org_id, stay_id, note_id, during) values ($1, $2, $3, tstzrange('2026-03-01', '2026-03-03'))`
	if err := in(add, reef.UUID, note, "one"); err != nil {
		t.Fatal(err)
	}
	if err := in(stay, reef.UUID, uuid.New(), note); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		err        error
		code, name string
	}{
		{in(add, reef.UUID, note, "two"), pg.UniqueViolation, "notes_pkey"},
		{in(add, reef.UUID, uuid.New(), "one"), pg.UniqueViolation, "notes_body_key"},
		{in(add, reef.UUID, uuid.New(), ""), pg.CheckViolation, "notes_body_not_empty"},
		{in(add, reef.UUID, uuid.New(), nil), pg.NotNullViolation, ""},
		{in(stay, reef.UUID, uuid.New(), uuid.New()), pg.ForeignKeyViolation, "stays_note_fkey"},
		{in(stay, reef.UUID, uuid.New(), note), pg.ExclusionViolation, "stays_no_overlap"},
	} {
		if pg.Code(c.err) != c.code || pg.Constraint(c.err) != c.name {
			t.Errorf("got %q %q, want %q %q (%v)", pg.Code(c.err), pg.Constraint(c.err), c.code, c.name, c.err)
		}
		if c.name != "" && !pg.HasConstraint(pg.Err(c.err), c.name) {
			t.Errorf("%s is not found in the wrapped error", c.name)
		}
	}
}

func TestHasConstraint(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		have, ask string
		want      bool
	}{
		{"units_tag_key", "units_tag_key", true},
		{"units_tag_key_102053", "units_tag_key", true}, // a shard's
		{"units_tag_key_2", "units_tag", false},
		{"units_tag_key2", "units_tag_key", false},
		{"units_tag_key_", "units_tag_key", false},
		{"units_tag_key_10x", "units_tag_key", false},
		{"units_tag", "units_tag_key", false},
		{"", "units_tag_key", false},
		{"units_tag_key", "", false},
		{"_1", "", false},
	} {
		err := fmt.Errorf("store: %w", &pgconn.PgError{Code: pg.UniqueViolation, ConstraintName: c.have})
		if got := pg.HasConstraint(err, c.ask); got != c.want {
			t.Errorf("HasConstraint(%q, %q) = %v", c.have, c.ask, got)
		}
	}
	if pg.HasConstraint(io.EOF, "units_tag_key") || pg.HasConstraint(nil, "units_tag_key") || pg.Code(nil) != "" {
		t.Error("an error without a constraint has one")
	}
}
