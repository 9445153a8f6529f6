package rpc

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/errs"
)

// Domain is the ErrorInfo domain of every error.
const Domain = "strandline"

// How large a status may get. It travels in HTTP/2 trailers, and there are clients that accept no more than 8 KiB of them in
// all, base64 included.
const (
	maxDetails = 4500 // bytes of all details
	maxText    = 500  // characters of one message or description
	maxValue   = 120  // characters of one value
)

type mapped struct {
	code   codes.Code
	reason string // when the error has none of its own
}

// kinds is the one table from kinds to codes.
var kinds = map[errs.Kind]mapped{
	errs.Internal:        {codes.Internal, "INTERNAL"},
	errs.Invalid:         {codes.InvalidArgument, "INVALID_FIELD"},
	errs.NotFound:        {codes.NotFound, "NOT_FOUND"},
	errs.Exists:          {codes.AlreadyExists, "ALREADY_EXISTS"},
	errs.Precondition:    {codes.FailedPrecondition, "ORDER_OF_EVENTS"},
	errs.Conflict:        {codes.Aborted, "CONFLICT"},
	errs.Denied:          {codes.PermissionDenied, "PERMISSION_MISSING"},
	errs.Unauthenticated: {codes.Unauthenticated, "TOKEN_INVALID"},
	errs.Exhausted:       {codes.ResourceExhausted, "RESOURCE_EXHAUSTED"},
	errs.Unavailable:     {codes.Unavailable, "UNAVAILABLE"},
	errs.DataLoss:        {codes.DataLoss, "LEDGER_DAMAGED"},
	errs.Deadline:        {codes.DeadlineExceeded, "DEADLINE_EXCEEDED"},
	errs.Canceled:        {codes.Canceled, "CANCELLED"},
}

// foreign says what a status that some client of this process returned becomes when a handler lets it through. Its text may name
// hosts and paths, so it is replaced. A code that is not here is a fault of ours: above all UNAUTHENTICATED and
// PERMISSION_DENIED, which would blame the caller for a token of this process.
var foreign = map[codes.Code]*errs.E{
	codes.Unavailable:       errs.New(errs.Unavailable, "UNAVAILABLE", "a service that this one depends on cannot be reached; try again"),
	codes.ResourceExhausted: errs.New(errs.Exhausted, "RESOURCE_EXHAUSTED", "the message is too large, or no capacity is left"),
	codes.DeadlineExceeded:  errs.New(errs.Deadline, "DEADLINE_EXCEEDED", "the deadline passed before the answer was ready"),
	codes.Canceled:          errs.New(errs.Canceled, "CANCELLED", "the caller cancelled"),
}

// Status turns any error into the status that leaves the server: code, message and details, with exactly one ErrorInfo. A nil
// error is OK. What is not an *errs.E, a context error or a status with an ErrorInfo of this domain becomes INTERNAL with a text
// that tells nothing.
func Status(err error) *status.Status {
	if err == nil {
		return status.New(codes.OK, "")
	}
	if e := errs.As(err); e != nil {
		if e.Kind == errs.Internal && e.Cause != nil {
			if ctx := contextError(e.Cause); ctx != nil {
				return build(ctx)
			}
		}
		return build(e)
	}
	if ctx := contextError(err); ctx != nil {
		return build(ctx)
	}
	if st, ok := status.FromError(err); ok {
		return fromStatus(st)
	}
	return build(&errs.E{Kind: errs.Internal})
}

func contextError(err error) *errs.E {
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return foreign[codes.DeadlineExceeded]
	case errors.Is(err, context.Canceled):
		return foreign[codes.Canceled]
	}
	return nil
}

func fromStatus(st *status.Status) *status.Status {
	switch st.Code() {
	case codes.Unimplemented:
		return build(nil)
	case codes.Unauthenticated, codes.PermissionDenied, codes.Internal, codes.Unknown:
		return build(&errs.E{Kind: errs.Internal})
	}
	if infos(st) == 1 {
		return st // a service's own answer, handed on
	}
	if e := foreign[st.Code()]; e != nil {
		return build(e)
	}
	return build(&errs.E{Kind: errs.Internal})
}

func infos(st *status.Status) (n int) {
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			n++
			if info.Domain != Domain {
				return 0
			}
		}
	}
	return n
}

// Reason returns the reason in a status, or "".
func Reason(st *status.Status) string {
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.Domain == Domain {
			return info.Reason
		}
	}
	return ""
}

// build makes the status of e. A nil e stands for an RPC that does not exist.
func build(e *errs.E) *status.Status {
	if e == nil {
		return compose(codes.Unimplemented, "the RPC is not part of this service", "UNIMPLEMENTED", nil, nil)
	}
	m, ok := kinds[e.Kind]
	if !ok {
		m = kinds[errs.Internal]
	}
	if m.code == codes.Internal {
		return compose(m.code, "a fault of the service; its log has the details", "INTERNAL", nil, nil)
	}
	if e.Reason != "" {
		m.reason = e.Reason
	}
	return compose(m.code, e.Message, m.reason, e.Meta, e)
}

func compose(code codes.Code, message, reason string, meta map[string]string, e *errs.E) *status.Status {
	info := &errdetails.ErrorInfo{Reason: reason, Domain: Domain}
	for k, v := range meta {
		if info.Metadata == nil {
			info.Metadata = make(map[string]string, len(meta))
		}
		info.Metadata[clip(k, maxValue)] = clip(v, maxValue)
	}
	details := []protoadapt.MessageV1{info}
	if e != nil {
		details = append(details, extras(code, reason, e, info)...)
	}
	st := status.New(code, clip(message, maxText))
	with, err := st.WithDetails(details...)
	if err != nil { // cannot happen: all details are valid messages
		return st
	}
	return with
}

// extras returns the details that a code has besides ErrorInfo.
func extras(code codes.Code, reason string, e *errs.E, info *errdetails.ErrorInfo) []protoadapt.MessageV1 {
	switch code {
	case codes.InvalidArgument:
		if len(e.Violations) == 0 {
			return nil
		}
		return []protoadapt.MessageV1{badRequest(e.Violations, info)}
	case codes.NotFound, codes.AlreadyExists:
		if e.Resource == "" {
			return nil
		}
		return []protoadapt.MessageV1{&errdetails.ResourceInfo{
			ResourceType: resourceType(e.Resource), ResourceName: clip(e.Resource, maxText), Description: clip(e.Message, maxText),
		}}
	case codes.FailedPrecondition:
		if len(e.Violations) > 0 {
			return []protoadapt.MessageV1{preconditions(e.Violations, info)}
		}
		return []protoadapt.MessageV1{&errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{
			{Type: reason, Subject: clip(subject(e), maxText), Description: clip(e.Message, maxText)},
		}}}
	case codes.Unavailable:
		return []protoadapt.MessageV1{&errdetails.RetryInfo{RetryDelay: durationpb.New(time.Second)}}
	case codes.Aborted:
		if reason == "ETAG_MISMATCH" { // the same request again can never succeed
			return nil
		}
		return []protoadapt.MessageV1{&errdetails.RetryInfo{RetryDelay: durationpb.New(50 * time.Millisecond)}}
	}
	return nil
}

// badRequest lists as many violations as fit; info says how many do not.
func badRequest(vs []errs.Violation, info *errdetails.ErrorInfo) *errdetails.BadRequest {
	b := &errdetails.BadRequest{}
	size := proto.Size(info)
	for i, v := range vs {
		reason := v.Reason
		if reason == "" {
			reason = "INVALID_FIELD"
		}
		text := clip(v.Description, maxText)
		if v.Value != "" {
			text += " (got " + strconv.Quote(clip(v.Value, maxValue)) + ")"
		}
		f := &errdetails.BadRequest_FieldViolation{Field: clip(v.Field, maxText), Description: text, Reason: reason}
		if size += proto.Size(f) + 4; size > maxDetails && i > 0 {
			if info.Metadata == nil {
				info.Metadata = map[string]string{}
			}
			info.Metadata["violationsOmitted"] = strconv.Itoa(len(vs) - i)
			break
		}
		b.FieldViolations = append(b.FieldViolations, f)
	}
	return b
}

// preconditions lists as many violations as fit; info says how many do not.
func preconditions(vs []errs.Violation, info *errdetails.ErrorInfo) *errdetails.PreconditionFailure {
	out := &errdetails.PreconditionFailure{}
	for _, f := range badRequest(vs, info).FieldViolations {
		out.Violations = append(out.Violations, &errdetails.PreconditionFailure_Violation{Type: f.Reason, Subject: f.Field, Description: f.Description})
	}
	return out
}

func subject(e *errs.E) string {
	if e.Resource != "" {
		return e.Resource
	}
	for _, key := range []string{"resource", "unit", "entry", "hold"} {
		if e.Meta[key] != "" {
			return e.Meta[key]
		}
	}
	return ""
}

// resourceType returns strandline/{singular} of the last collection in a resource name.
func resourceType(name string) string {
	parts := strings.Split(name, "/")
	if len(parts) < 2 {
		return Domain
	}
	collection := parts[len(parts)-2]
	if singular, ok := strings.CutSuffix(collection, "ies"); ok {
		return Domain + "/" + singular + "y"
	}
	return Domain + "/" + strings.TrimSuffix(collection, "s")
}

// clip returns s as valid UTF-8 of at most n characters.
func clip(s string, n int) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if len(s) <= n || utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:n-1]) + "…"
}
