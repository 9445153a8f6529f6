package rpc_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// Codes and details: google.rpc.Code and google.rpc error details (AIP-193).
func TestStatusOfEveryKind(t *testing.T) {
	info := func(reason string, meta map[string]string) proto.Message {
		return &errdetails.ErrorInfo{Reason: reason, Domain: "strandline", Metadata: meta}
	}
	unit := "orgs/reef/units/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79"
	for _, c := range []struct {
		name string
		give error
		code codes.Code
		want []proto.Message
	}{
		{"invalid", errs.Fields(errs.Violation{Field: "unit.serial_number", Value: "x", Description: "want less"}), codes.InvalidArgument, []proto.Message{
			info("INVALID_FIELD", map[string]string{"field": "unit.serial_number", "value": "x"}),
			&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: "unit.serial_number", Description: `want less (got "x")`, Reason: "INVALID_FIELD"}}},
		}},
		{"not found", errs.Missing(unit), codes.NotFound, []proto.Message{
			info("NOT_FOUND", map[string]string{"resource": unit}),
			&errdetails.ResourceInfo{ResourceType: "strandline/unit", ResourceName: unit, Description: unit + " does not exist"},
		}},
		{"exists", errs.Taken("orgs/reef/shops/north"), codes.AlreadyExists, []proto.Message{
			info("ALREADY_EXISTS", map[string]string{"resource": "orgs/reef/shops/north"}),
			&errdetails.ResourceInfo{ResourceType: "strandline/shop", ResourceName: "orgs/reef/shops/north", Description: "orgs/reef/shops/north exists already"},
		}},
		{"precondition", errs.New(errs.Precondition, "UNIT_RETIRED", "the unit is retired", "unit", unit), codes.FailedPrecondition, []proto.Message{
			info("UNIT_RETIRED", map[string]string{"unit": unit}),
			&errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{{Type: "UNIT_RETIRED", Subject: unit, Description: "the unit is retired"}}},
		}},
		{"conflict", errs.New(errs.Conflict, "CONFLICT", "try again"), codes.Aborted, []proto.Message{
			info("CONFLICT", nil), &errdetails.RetryInfo{RetryDelay: durationpb.New(50 * time.Millisecond)},
		}},
		{"etag", errs.New(errs.Conflict, "ETAG_MISMATCH", "read again"), codes.Aborted, []proto.Message{info("ETAG_MISMATCH", nil)}},
		{"denied", errs.New(errs.Denied, "ORG_MISMATCH", "no"), codes.PermissionDenied, []proto.Message{info("ORG_MISMATCH", nil)}},
		{"unauthenticated", errs.New(errs.Unauthenticated, "TOKEN_MISSING", "no"), codes.Unauthenticated, []proto.Message{info("TOKEN_MISSING", nil)}},
		{"exhausted", errs.New(errs.Exhausted, "RESOURCE_EXHAUSTED", "no"), codes.ResourceExhausted, []proto.Message{info("RESOURCE_EXHAUSTED", nil)}},
		{"unavailable", errs.New(errs.Unavailable, "NOT_CAUGHT_UP", "wait"), codes.Unavailable, []proto.Message{
			info("NOT_CAUGHT_UP", nil), &errdetails.RetryInfo{RetryDelay: durationpb.New(time.Second)},
		}},
		{"data loss", errs.New(errs.DataLoss, "LEDGER_DAMAGED", "entry 7 does not fit", "sequence", "7"), codes.DataLoss, []proto.Message{info("LEDGER_DAMAGED", map[string]string{"sequence": "7"})}},
		{"deadline", errs.New(errs.Deadline, "DEADLINE_EXCEEDED", "late"), codes.DeadlineExceeded, []proto.Message{info("DEADLINE_EXCEEDED", nil)}},
		{"canceled", errs.New(errs.Canceled, "CANCELLED", "gone"), codes.Canceled, []proto.Message{info("CANCELLED", nil)}},
		{"internal", errs.New(errs.Internal, "X", "secret path /var", "k", "v").Because(errors.New("boom")), codes.Internal, []proto.Message{info("INTERNAL", nil)}},
		{"unknown kind", &errs.E{Kind: 99, Message: "secret"}, codes.Internal, []proto.Message{info("INTERNAL", nil)}},
		{"wrapped", fmt.Errorf("appending: %w", errs.New(errs.Denied, "ORG_MISMATCH", "no")), codes.PermissionDenied, []proto.Message{info("ORG_MISMATCH", nil)}},
		{"context deadline", fmt.Errorf("q: %w", context.DeadlineExceeded), codes.DeadlineExceeded, []proto.Message{info("DEADLINE_EXCEEDED", nil)}},
		{"context canceled", context.Canceled, codes.Canceled, []proto.Message{info("CANCELLED", nil)}},
		{"internal because of a deadline", errs.New(errs.Internal, "INTERNAL", "q").Because(context.DeadlineExceeded), codes.DeadlineExceeded, []proto.Message{info("DEADLINE_EXCEEDED", nil)}},
		{"any error", errors.New("pq: secret"), codes.Internal, []proto.Message{info("INTERNAL", nil)}},
		{"status unimplemented", status.Error(codes.Unimplemented, "method X not implemented"), codes.Unimplemented, []proto.Message{info("UNIMPLEMENTED", nil)}},
		{"status unavailable", status.Error(codes.Unavailable, "dial unix /secret"), codes.Unavailable, []proto.Message{
			info("UNAVAILABLE", nil), &errdetails.RetryInfo{RetryDelay: durationpb.New(time.Second)},
		}},
		{"another server's unauthenticated", status.Error(codes.Unauthenticated, "secret"), codes.Internal, []proto.Message{info("INTERNAL", nil)}},
		{"another server's denial", status.Error(codes.PermissionDenied, "secret"), codes.Internal, []proto.Message{info("INTERNAL", nil)}},
		{"bare not found", status.Error(codes.NotFound, "secret"), codes.Internal, []proto.Message{info("INTERNAL", nil)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			st := rpc.Status(c.give)
			if st.Code() != c.code {
				t.Errorf("code %s, want %s", st.Code(), c.code)
			}
			var got []proto.Message
			for _, d := range st.Details() {
				got = append(got, d.(proto.Message))
			}
			if diff := cmp.Diff(c.want, got, protocmp.Transform()); diff != "" {
				t.Errorf("details (-want +got):\n%s", diff)
			}
			if strings.Contains(st.Message(), "secret") || strings.Contains(st.String(), "boom") {
				t.Errorf("the message tells too much: %s", st.Message())
			}
			if _, ok := typepb.Reason_value["REASON_"+rpc.Reason(st)]; !ok {
				t.Errorf("reason %q is not in the proto", rpc.Reason(st))
			}
		})
	}
}

func TestStatusOfAnotherServiceIsHandedOn(t *testing.T) {
	first := rpc.Status(errs.Missing("orgs/reef/units/x"))
	if diff := cmp.Diff(first.Proto(), rpc.Status(first.Err()).Proto(), protocmp.Transform()); diff != "" {
		t.Errorf("changed on the way:\n%s", diff)
	}
	if rpc.Status(nil).Code() != codes.OK {
		t.Error("nil is not OK")
	}
}

// A status travels in HTTP/2 trailers. grpc-java, for one, takes no more than 8,192 bytes of metadata unless told otherwise
// (NettyChannelBuilder, maxInboundMetadataSize; from memory), and binary trailers are base64.
func TestStatusFitsIntoTrailers(t *testing.T) {
	var vs []errs.Violation
	for i := range 1000 {
		vs = append(vs, errs.Violation{Field: fmt.Sprintf("entries[%d].usage.increment.dives", i), Value: strings.Repeat("é\xff", 5000), Description: strings.Repeat("wrong ", 40)})
	}
	st := rpc.Status(errs.Fields(vs...).With("long", strings.Repeat("x", 100000)))
	if n := proto.Size(st.Proto()) * 4 / 3; n > 8000 {
		t.Errorf("%d bytes as a trailer", n)
	}
	info := st.Details()[0].(*errdetails.ErrorInfo)
	shown := len(st.Details()[1].(*errdetails.BadRequest).GetFieldViolations())
	if shown == 0 || info.GetMetadata()["violationsOmitted"] != fmt.Sprint(1000-shown) {
		t.Errorf("%d shown, %q omitted", shown, info.GetMetadata()["violationsOmitted"])
	}
}
