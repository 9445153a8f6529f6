package pg

import (
	"context"
	"errors"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"strandline.example/strandline/internal/errs"
)

// SQLSTATEs that stores decide by, from appendix A of the PostgreSQL manual.
const (
	NotNullViolation    = "23502"
	ForeignKeyViolation = "23503"
	UniqueViolation     = "23505"
	CheckViolation      = "23514"
	ExclusionViolation  = "23P01"
)

// Code returns the SQLSTATE in err's chain, or "".
func Code(err error) string {
	var pe *pgconn.PgError
	if errors.As(err, &pe) {
		return pe.Code
	}
	return ""
}

// Constraint returns the name of the constraint that err violates, or "". A distributed PostgreSQL adds a shard's number
// to it: compare with [HasConstraint].
func Constraint(err error) string {
	var pe *pgconn.PgError
	if errors.As(err, &pe) {
		return pe.ConstraintName
	}
	return ""
}

// HasConstraint says whether err violates the named constraint, with or without a shard's number at the end.
func HasConstraint(err error, name string) bool {
	rest, ok := strings.CutPrefix(Constraint(err), name)
	if !ok || name == "" {
		return false
	}
	if rest == "" {
		return true
	}
	digits, ok := strings.CutPrefix(rest, "_")
	return ok && digits != "" && strings.Trim(digits, "0123456789") == ""
}

// Err turns a store's error into an *errs.E. Nil stays nil and an *errs.E in the chain comes back as it is. A violated
// constraint that the store did not expect is INTERNAL. No database text is in what a client sees.
func Err(err error) error {
	if err == nil {
		return nil
	}
	if e := errs.As(err); e != nil {
		return e
	}
	switch code := Code(err); {
	case code == "40001", code == "40P01", code == "55P03":
		return errs.New(errs.Conflict, "CONFLICT", "another change got in the way; try again").Because(err)
	case code == "57014":
		// The server cancels a statement because we asked it to or because of statement_timeout.
		if errors.Is(err, context.Canceled) {
			return canceled(err)
		}
		return deadline(err)
	case code == "53300", strings.HasPrefix(code, "57P"), strings.HasPrefix(code, "08"), code == "25P03":
		return unavailable(err)
	case strings.HasPrefix(code, "53"):
		return errs.New(errs.Exhausted, "RESOURCE_EXHAUSTED", "the database is out of a resource").Because(err)
	case code != "":
		return errs.New(errs.Internal, "INTERNAL", "the database refused a statement").Because(err)
	}
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return deadline(err)
	case errors.Is(err, context.Canceled):
		return canceled(err)
	case connectionTrouble(err):
		return unavailable(err)
	}
	return errs.New(errs.Internal, "INTERNAL", "the store failed").Because(err)
}

func deadline(err error) error {
	return errs.New(errs.Deadline, "DEADLINE_EXCEEDED", "the deadline passed before the database had answered").Because(err)
}

func canceled(err error) error {
	return errs.New(errs.Canceled, "CANCELLED", "the caller went away").Because(err)
}

func unavailable(err error) error {
	return errs.New(errs.Unavailable, "UNAVAILABLE", "the database cannot be reached; try again").Because(err)
}

// connectionTrouble says that the connection is at fault, not the statement.
func connectionTrouble(err error) bool {
	code := Code(err)
	if code != "" {
		return code == "53300" || strings.HasPrefix(code, "57P") || strings.HasPrefix(code, "08")
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return false
	}
	var ce *pgconn.ConnectError
	var ne net.Error
	var oe *net.OpError
	return errors.As(err, &ce) || errors.As(err, &ne) || errors.As(err, &oe) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, net.ErrClosed) || pgconn.SafeToRetry(err)
}

// NoRows says that a query that wants one row found none.
func NoRows(err error) bool { return errors.Is(err, pgx.ErrNoRows) }
