package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/errs"
)

// Exit codes; `strandline help exit-codes` lists them. They are part of the command's contract.
const (
	exitOK          = 0
	exitFailure     = 1
	exitUsage       = 2
	exitRejected    = 3
	exitNotFound    = 4
	exitDenied      = 5
	exitUnavailable = 6
	exitOverdue     = 10
	exitFailed      = 11
	exitUndecided   = 12
	exitNotReady    = 13
	exitRefused     = 14
)

// exitError ends the run with a code of its own; without an error nothing is printed.
type exitError struct {
	code int
	err  error
}

func (e exitError) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit code %d", e.code)
	}
	return e.err.Error()
}

func (e exitError) Unwrap() error { return e.err }

// failure is an error as it is told to a person.
type failure struct {
	code       int
	message    string
	reason     string
	violations []errs.Violation
	next       string
}

// explain turns an error of a service, or one of this process, into what is told and the exit code.
func explain(err error) failure {
	var own exitError
	if errors.As(err, &own) && own.err != nil {
		err = own.err // a service's message is told without what wraps it
	}
	f := failure{code: exitFailure, message: err.Error()}
	if e := errs.As(err); e != nil {
		f.message, f.reason, f.violations, f.code = err.Error(), e.Reason, e.Violations, kindCode(e.Kind)
	} else if st, ok := status.FromError(err); ok && st.Code() != codes.OK {
		f.message, f.code = st.Message(), statusCode(st.Code())
		for _, d := range st.Details() {
			switch d := d.(type) {
			case *errdetails.ErrorInfo:
				f.reason = d.GetReason()
				if f.reason == "GATE_SHUT" {
					f.next = paperStep(d.GetMetadata()["shop"])
				}
			case *errdetails.BadRequest:
				for _, v := range d.GetFieldViolations() {
					f.violations = append(f.violations, errs.Violation{Field: v.GetField(), Description: v.GetDescription(), Reason: v.GetReason()})
				}
			}
		}
		// grpc-go's own text for a connection that cannot be made.
		if _, dial, ok := strings.Cut(f.message, "Error while dialing: dial "); ok && f.reason == "" {
			f.message = "no server answers: " + strings.Trim(dial, `"`)
		}
		if _, tls, ok := strings.Cut(f.message, "authentication handshake failed: "); ok && f.reason == "" {
			f.message = "no trusted connection to the server: " + strings.TrimSuffix(tls, `"`)
			f.next = "pass the CA that signed its certificate with --ca-file, or http://host:port as --server where it speaks plain text"
		}
	} else if errors.Is(err, context.DeadlineExceeded) {
		f.code, f.message = exitUnavailable, "no answer in time"
	} else if errors.Is(err, context.Canceled) {
		f.message = "interrupted"
	}
	if own.code != 0 {
		f.code = own.code
	}
	if f.next == "" {
		f.next = nextStep(f)
	}
	return f
}

func kindCode(k errs.Kind) int {
	switch k {
	case errs.Invalid, errs.Exists, errs.Precondition:
		return exitRejected
	case errs.NotFound:
		return exitNotFound
	case errs.Denied, errs.Unauthenticated:
		return exitDenied
	case errs.Unavailable, errs.Deadline, errs.Exhausted, errs.Conflict:
		return exitUnavailable
	}
	return exitFailure
}

func statusCode(c codes.Code) int {
	switch c {
	case codes.InvalidArgument, codes.AlreadyExists, codes.FailedPrecondition, codes.OutOfRange:
		return exitRejected
	case codes.NotFound:
		return exitNotFound
	case codes.PermissionDenied, codes.Unauthenticated:
		return exitDenied
	case codes.Unavailable, codes.DeadlineExceeded, codes.ResourceExhausted, codes.Aborted:
		return exitUnavailable
	}
	return exitFailure
}

// nextStep says what to do about an error, where the message does not.
func nextStep(f failure) string {
	switch f.reason {
	case "TOKEN_MISSING":
		return "pass --token or STRANDLINE_TOKEN, or the key file that signs tokens with --key-file"
	case "TOKEN_INVALID":
		return "the token may have run out, or be signed by another installation's key; 'strandline token' makes a new one"
	case "PERMISSION_MISSING":
		return "use a token of a role that may do this ('strandline help roles')"
	case "ORG_MISMATCH":
		return "use a token of that org, or leave out --org"
	case "ASSET_TAG_TAKEN":
		return "'strandline unit show' the tag to see which unit has it; a retired unit's tag is free again"
	case "ETAG_MISMATCH", "CONFLICT":
		return "somebody changed it in between; look again and repeat"
	case "NOT_CAUGHT_UP":
		return "the answer would be older than what is recorded, so none is given; try again in a moment"
	case "HOLD_NEEDS_PROOF":
		return "record the work that proves the unit safe with 'strandline log service' or 'log test'; the hold then lifts by itself"
	case "RECALL_UNITS_HELD":
		return "'strandline recalls show ID --held' lists them"
	case "ORDER_NOT_READY":
		return "do and record what is listed, and sign again; 'strandline orders show' says where the order stands"
	case "ORDER_ALREADY_OPEN":
		return "'strandline orders list --unit TAG --open' says which it is"
	case "NOT_AVAILABLE":
		return "'strandline available --want OUTFIT --alternatives' looks for other sizes, windows and shops"
	case "HAND_OUT_REFUSED":
		return "clear what is listed, or give it another unit with 'strandline allocations swap', and hand out again"
	case "ALLOCATION_STATE":
		return "'strandline allocations show' says where it stands"
	case "WATCH_TOO_SLOW":
		return "go on with --resume and the last token that was printed; nothing is lost"
	case "RESUME_TOKEN_INVALID":
		return "pass the token as it was printed, with the same --shop and --org, or begin anew without --resume"
	case "RULE_NOT_WAIVABLE":
		return "have the work done, or retire the unit where its life has ended; until then it stays out of service"
	case "FITTED_ELSEWHERE", "FITTING_OVERLAP":
		return "'strandline unfit' the part first"
	case "LEDGER_DAMAGED":
		return "stop writing to this database, keep a copy, and compare with the last backup that verifies"
	case "SCHEMA_BEHIND":
		return ""
	}
	switch f.code {
	case exitUnavailable:
		return "try again; if it stays so, see whether the server runs"
	case exitFailure:
		if f.reason == "INTERNAL" {
			return "the server's log has the details"
		}
	}
	return ""
}

// paperStep says what a counter goes by while the gate is shut.
func paperStep(shop string) string {
	if shop == "" {
		return "try again; until it opens, 'strandline paper --shop SHOP' prints what was safe when compliance last knew"
	}
	return "try again; until it opens, 'strandline paper --shop " + lastID(shop) + "' prints what was safe when compliance last knew"
}

// printError prints an error and returns the exit code; writes says whether the command would have written something.
func printError(w io.Writer, err error, writes bool) int {
	f := explain(err)
	line := "strandline: " + strings.TrimSpace(f.message)
	if f.reason != "" && !strings.Contains(line, "\n") {
		line += " (" + f.reason + ")"
	}
	fmt.Fprintln(w, line)
	// A server puts the value behind the description; the message of a single violation says the rest.
	if v := f.violations; len(v) == 1 && strings.Contains(f.message, v[0].Field) {
		if _, got, ok := strings.Cut(v[0].Description, " (got "); ok {
			fmt.Fprintln(w, "  It was "+strings.TrimSuffix(got, ")")+".")
		} else if v[0].Value != "" && !strings.Contains(f.message, v[0].Value) {
			fmt.Fprintf(w, "  It was %q.\n", v[0].Value)
		}
	} else {
		for _, v := range f.violations {
			d := v.Description
			if v.Value != "" {
				d += fmt.Sprintf(" (got %q)", v.Value)
			}
			fmt.Fprintf(w, "  %s: %s\n", v.Field, d)
		}
	}
	if (f.code == exitRejected || f.code == exitNotReady || f.code == exitRefused) && writes {
		fmt.Fprintln(w, "Nothing was written.")
	}
	if f.next != "" {
		fmt.Fprintln(w, "Next: "+f.next+".")
	}
	return f.code
}
