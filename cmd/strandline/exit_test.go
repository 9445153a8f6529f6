package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
)

func TestUsageErrors(t *testing.T) {
	tests := []struct {
		args string
		want string
	}{
		{"sumary", `did you mean "summary"?`},
		{"due --hrizon 3", "did you mean --horizon?"},
		{"due extra", `"extra"`},
		{"unit", "create, list, show"},
		{"unit lst", `did you mean "list"?`},
		{"unit show", "needs TAG"},
		{"unit create X", "--model, --shop and --since"},
		{"lift X", "needs --reason"},
		{"due --by fortnight", "want date or usage"},
		{"due --horizon -1", "0 to 3650"},
		{"summary --horizon 0", "1 to 3650"},
		{"log usage X", "--dives"},
		{"log usage X --dives 1 --meter-dives 7", "either an increment"},
		{"log usage X --dives 1 --replaced-by-meter-at 7", "--meter-dives"},
		{"log service X --activity overhaul --outcome maybe", "pass, fail, inconclusive"},
		{"log test X --activity hydrostatic-test --outcome pass --marked 2026-02-30", "28 days"},
		{"log condition X --condition drop --severity huge", "pull or note"},
		{"log amend X 3 --reason r", "--never-happened"},
		{"log amend X 3 --reason r --never-happened --dives 3", "one of the two"},
		{"hold X --reason r --blocks diving", "hand-out"},
		{"retire X --reason r", "--yes"},
		{"available --from 2026-06-05 --to 2026-06-06 --running-time soon", "1h30m"},
		{"available --from 2026-06-05 --to 2026-06-06 --divers 3", "--divers goes with --want"},
		{"available --from 2026-06-05 --to 2026-06-06 --want bcd --dives 3", "--dives-per-day"},
		{"available --from 2026-06-05 --to 2026-06-06 --want BCD", "bcd:M"},
		{"allocations", "allocate, confirm, extend, list, release, show, swap"},
		{"allocations allocate --want bcd", "--from, --shop and --to"},
		{"allocations list --state lost", "confirmed, expired, held, out, released or returned"},
		{"allocations swap", "needs WHAT"},
		{"handout", "the UUID of an allocation or a group"},
		{"return GB-REG-001=many", "number of dives"},
		{"return GB-REG-001 --note-only", "--condition"},
		{"paper", "needs --shop"},
		{"chain --days 91", "1 to 90"},
		{"transfer-times set a b soon", "1d12h"},
		{"transfer-times set a b 61d", "60 days"},
		{"evaluate /nonexistent/file.yaml", "no such file"},
		{"migrate", "--dsn"},
		{"serve registry", "--dsn"},
		{"serve --output xml", "table, json"},
		{"--server nonsense=1:2 org list", "registry=host:port"},
		{"token --ttl 1h --org UPPER", "not an org id"},
	}
	for _, tt := range tests {
		t.Run(tt.args, func(t *testing.T) {
			data := t.TempDir()
			if strings.HasPrefix(tt.args, "token") {
				if got := command(t, nil, "key", "--data", data); got.code != exitOK {
					t.Fatal(got.err)
				}
			}
			got := command(t, []string{"STRANDLINE_DATA=" + data}, strings.Fields(tt.args)...)
			if got.code != exitUsage || got.stdout != "" || !strings.Contains(got.err, tt.want) {
				t.Errorf("exit code %d (want %d), standard output %q, and %q in standard error %q", got.code, exitUsage, got.stdout, tt.want, got.err)
			}
		})
	}
}

func TestExitCodes(t *testing.T) {
	coded := func(c codes.Code) error { return status.Error(c, "x") }
	tests := []struct {
		give error
		want int
	}{
		{coded(codes.InvalidArgument), exitRejected},
		{coded(codes.AlreadyExists), exitRejected},
		{coded(codes.FailedPrecondition), exitRejected},
		{coded(codes.NotFound), exitNotFound},
		{coded(codes.PermissionDenied), exitDenied},
		{coded(codes.Unauthenticated), exitDenied},
		{coded(codes.Unavailable), exitUnavailable},
		{coded(codes.DeadlineExceeded), exitUnavailable},
		{coded(codes.Aborted), exitUnavailable},
		{coded(codes.ResourceExhausted), exitUnavailable},
		{coded(codes.Internal), exitFailure},
		{coded(codes.DataLoss), exitFailure},
		{context.DeadlineExceeded, exitUnavailable},
		{context.Canceled, exitFailure},
		{errors.New("x"), exitFailure},
		{errs.Missing("orgs/a/units/b"), exitNotFound},
		{fmt.Errorf("while reading: %w", errs.Field("f", "v", "d")), exitRejected},
		{errs.New(errs.Unavailable, "UNAVAILABLE", "x"), exitUnavailable},
		{errs.New(errs.Conflict, "CONFLICT", "x"), exitUnavailable},
		{exitError{code: exitOverdue, err: errors.New("x")}, exitOverdue},
	}
	for _, tt := range tests {
		if got := explain(tt.give).code; got != tt.want {
			t.Errorf("%v: exit code %d, want %d", tt.give, got, tt.want)
		}
	}
}

// TestErrorsAreExplained sends errors the way they come from a server: as a status with details.
func TestErrorsAreExplained(t *testing.T) {
	tests := []struct {
		name   string
		give   error
		writes bool
		want   string
	}{
		{
			name: "fields", writes: true,
			give: errs.Fields(errs.Violation{Field: "unit.asset_tag", Value: "A B", Description: "no spaces"}, errs.Violation{Field: "unit.model", Description: "is needed"}),
			want: "strandline: unit.asset_tag: no spaces (and 1 more) (INVALID_FIELD)\n  unit.asset_tag: no spaces (got \"A B\")\n  unit.model: is needed\nNothing was written.\n",
		},
		{
			name: "one field is not said twice",
			give: errs.Field("unit.model", "", "is needed"),
			want: "strandline: unit.model: is needed (INVALID_FIELD)\n",
		},
		{
			name: "one field with its value",
			give: errs.Field("unit.asset_tag", "A B", "no spaces"),
			want: "strandline: unit.asset_tag: no spaces (INVALID_FIELD)\n  It was \"A B\".\n",
		},
		{
			name: "what to do next",
			give: errs.New(errs.Precondition, "HOLD_NEEDS_PROOF", "the hold of a failed test lifts by a pass"), writes: true,
			want: "strandline: the hold of a failed test lifts by a pass (HOLD_NEEDS_PROOF)\nNothing was written.\nNext: record the work that proves the unit safe with 'strandline log service' or 'log test'; the hold then lifts by itself.\n",
		},
		{
			name: "fail closed",
			give: errs.New(errs.Unavailable, "NOT_CAUGHT_UP", "compliance has not seen everything"),
			want: "strandline: compliance has not seen everything (NOT_CAUGHT_UP)\nNext: the answer would be older than what is recorded, so none is given; try again in a moment.\n",
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var b bytes.Buffer
			printError(&b, rpc.Status(tt.give).Err(), tt.writes)
			if got := b.String(); got != tt.want {
				t.Errorf("got\n%swant\n%s", got, tt.want)
			}
		})
	}
}
