package board

import (
	"context"
	"errors"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

const problemType = "application/problem+json"

// unexplained says what a status without details becomes: one that the gateway or the connection made, not a service.
var unexplained = map[codes.Code]struct{ reason, detail string }{
	codes.InvalidArgument:   {"INVALID_FIELD", ""}, // about the client's own JSON, so its text may be told
	codes.Unavailable:       {"UNAVAILABLE", "the services behind this one cannot be reached; try again"},
	codes.DeadlineExceeded:  {"DEADLINE_EXCEEDED", "the deadline passed before the answer was ready"},
	codes.Canceled:          {"CANCELLED", "the caller cancelled"},
	codes.ResourceExhausted: {"RESOURCE_EXHAUSTED", "the message is too large"},
	codes.Unimplemented:     {"UNIMPLEMENTED", "the RPC is not part of this service"},
}

// callFailed answers with the problem that a failed call is.
func (b *Board) callFailed(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, err error) {
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) || strings.Contains(status.Convert(err).Message(), "http: request body too large") {
		b.problem(w, r, problemOf(http.StatusRequestEntityTooLarge, "RESOURCE_EXHAUSTED",
			"the body is larger than "+strconv.FormatInt(b.config.MaxBody, 10)+" bytes"))
		return
	}
	var routed *runtime.HTTPStatusError
	if errors.As(err, &routed) {
		b.problem(w, r, problemOf(routed.HTTPStatus, "INVALID_FIELD", "the path is malformed"))
		return
	}
	st := status.Convert(err)
	p := fromStatus(st)
	for _, d := range st.Details() {
		if retry, ok := d.(*errdetails.RetryInfo); ok {
			w.Header().Set("Retry-After", strconv.Itoa(int((retry.GetRetryDelay().AsDuration()+time.Second-1)/time.Second)))
		}
	}
	if st.Code() == codes.Unauthenticated { // RFC 6750, section 3
		challenge := `Bearer realm="strandline"`
		if p.GetReason() == "TOKEN_INVALID" {
			challenge += `, error="invalid_token"`
		}
		w.Header().Set("WWW-Authenticate", challenge)
	}
	b.problem(w, r, p)
}

// fromStatus turns a gRPC status into a problem. The HTTP status is the canonical one of google.rpc.Code.
func fromStatus(st *status.Status) *typepb.Problem {
	p := &typepb.Problem{Status: int32(runtime.HTTPStatusFromCode(st.Code())), Detail: st.Message()}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			p.Reason, p.Metadata = d.GetReason(), d.GetMetadata()
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				p.Errors = append(p.Errors, &typepb.Problem_FieldError{Pointer: pointer(v.GetField()), Detail: v.GetDescription(), Reason: v.GetReason()})
			}
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				p.Violations = append(p.Violations, &typepb.Problem_Violation{Reason: v.GetType(), Subject: v.GetSubject(), Detail: v.GetDescription()})
			}
		}
	}
	if p.GetReason() == "" {
		u, ok := unexplained[st.Code()]
		if !ok {
			u.reason, u.detail = "INTERNAL", "a fault of the service; its log has the details"
			p.Status = http.StatusInternalServerError
		}
		p.Reason = u.reason
		if u.detail != "" {
			p.Detail = u.detail
		} else {
			p.Detail = aboutJSON(p.GetDetail())
		}
	}
	return p
}

var (
	placed   = regexp.MustCompile(`^proto:.?(?:syntax error )?\(line ([0-9]+):([0-9]+)\): `)
	remedies = []struct {
		about *regexp.Regexp
		want  string
	}{
		{regexp.MustCompile(`google\.protobuf\.Timestamp`), "want RFC 3339 with its zone, such as 2026-06-05T09:30:00Z"},
		{regexp.MustCompile(`google\.protobuf\.Duration`), "want seconds with an s behind them, such as 900s"},
		{regexp.MustCompile(`unknown field|not a valid value|invalid value|field path|unexpected token`), "/openapi.json says what each call takes"},
	}
)

// aboutJSON tells what is wrong with a client's JSON or query: where, what, and what is wanted.
func aboutJSON(text string) string {
	if m := placed.FindStringSubmatch(text); m != nil {
		text = "line " + m[1] + ", column " + m[2] + " of the body: " + text[len(m[0]):]
	}
	for _, r := range remedies {
		if r.about.MatchString(text) {
			return text + "; " + r.want
		}
	}
	return text
}

func problemOf(status int, reason, detail string) *typepb.Problem {
	return &typepb.Problem{Status: int32(status), Reason: reason, Detail: detail}
}

// noRoute answers for a path that nothing is at, or a method that the path does not take.
func (b *Board) noRoute(w http.ResponseWriter, r *http.Request, status int) {
	switch status {
	case http.StatusMethodNotAllowed:
		b.problem(w, r, problemOf(status, "UNIMPLEMENTED", "the path does not take "+r.Method+"; see /openapi.json"))
	case http.StatusBadRequest:
		b.problem(w, r, problemOf(status, "INVALID_FIELD", "the path is malformed"))
	default:
		b.problem(w, r, problemOf(http.StatusNotFound, "UNIMPLEMENTED", "nothing is at this path; see /openapi.json"))
	}
}

// problem writes p, with what follows from its reason and the request.
func (b *Board) problem(w http.ResponseWriter, r *http.Request, p *typepb.Problem) {
	c := callOf(r.Context())
	c.reason = p.GetReason()
	p.Type = "/problems/" + p.GetReason()
	p.Title = titleOf(p.GetReason())
	p.RequestId = c.requestID
	body, err := protojson.Marshal(p)
	if err != nil { // texts come from statuses, which are valid UTF-8
		body = []byte(`{"type":"about:blank","status":500}`)
	}
	w.Header().Set("Content-Type", problemType)
	w.WriteHeader(int(p.GetStatus()))
	_, _ = w.Write(body) // the client is gone if this fails
}

// pointer turns a field path of the proto, for example unit.attributes["alloy"] or entries[3].usage, into a JSON pointer.
func pointer(field string) string {
	var out strings.Builder
	for field != "" {
		switch {
		case field[0] == '.':
			field = field[1:]
		case strings.HasPrefix(field, `["`):
			quoted, err := strconv.QuotedPrefix(field[1:])
			if err != nil {
				return out.String()
			}
			key, err := strconv.Unquote(quoted)
			if err != nil {
				return out.String()
			}
			out.WriteString("/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(key))
			field = strings.TrimPrefix(field[1+len(quoted):], "]")
		case field[0] == '[':
			index, rest, _ := strings.Cut(field[1:], "]")
			out.WriteString("/" + index)
			field = rest
		default:
			end := strings.IndexAny(field, ".[")
			if end < 0 {
				end = len(field)
			}
			out.WriteString("/" + camel(field[:end]))
			field = field[end:]
		}
	}
	return out.String()
}

// camel returns the JSON name of a proto field.
func camel(name string) string {
	var out strings.Builder
	up := false
	for _, r := range name {
		switch {
		case r == '_':
			up = true
		case up && r >= 'a' && r <= 'z':
			out.WriteRune(r - 'a' + 'A')
			up = false
		default:
			out.WriteRune(r)
			up = false
		}
	}
	return out.String()
}
