// Package errs is the one error value of Strandline: a kind, a stable reason, a sentence for people and the facts in it.
//
// Domain packages and stores return *E (or wrap a cause); one interceptor turns it into a gRPC status with
// google.rpc.ErrorInfo and, where they fit, BadRequest, ResourceInfo, PreconditionFailure and RetryInfo. The package
// knows nothing of gRPC.
package errs

import (
	"errors"
	"fmt"
	"maps"
)

// Kind is what sort of failure it is; each maps to one gRPC code.
type Kind int

// The kinds. Internal is the zero value, so that a forgotten kind is never mistaken for the client's fault.
const (
	Internal        Kind = iota
	Invalid              // malformed request: INVALID_ARGUMENT
	NotFound             // NOT_FOUND
	Exists               // ALREADY_EXISTS
	Precondition         // the state forbids it: FAILED_PRECONDITION
	Conflict             // concurrent change, etag: ABORTED
	Denied               // PERMISSION_DENIED
	Unauthenticated      // UNAUTHENTICATED
	Exhausted            // RESOURCE_EXHAUSTED
	Unavailable          // UNAVAILABLE
	DataLoss             // the stored ledger does not verify: DATA_LOSS
	Deadline             // DEADLINE_EXCEEDED
	Canceled             // CANCELLED
)

// Violation is what is wrong with one field of a request.
type Violation struct {
	Field       string // path as in the proto, for example entries[3].usage.increment.dives
	Value       string // the offending value, printed
	Description string // what is wrong, and what to do
	Reason      string // name of a strandline.type.v1.Reason without its prefix; empty for INVALID_FIELD
}

// E is an error with a kind and a stable reason.
type E struct {
	Kind       Kind
	Reason     string            // name of a strandline.type.v1.Reason without its prefix, for example ASSET_TAG_TAKEN
	Message    string            // one sentence for people
	Meta       map[string]string // every variable of Message, keys in lowerCamelCase
	Violations []Violation       // for Invalid
	Resource   string            // resource name, for NotFound and Exists
	Cause      error             // never shown to a client
}

// Error returns the message, with the cause if there is one.
func (e *E) Error() string {
	if e.Cause != nil {
		return e.Message + ": " + e.Cause.Error()
	}
	return e.Message
}

// Unwrap returns the cause.
func (e *E) Unwrap() error { return e.Cause }

// With returns a copy that carries key and value in Meta.
func (e *E) With(key, value string) *E {
	c := *e
	c.Meta = maps.Clone(e.Meta)
	if c.Meta == nil {
		c.Meta = map[string]string{}
	}
	c.Meta[key] = value
	return &c
}

// Because returns a copy with a cause, which is logged and never shown to a client.
func (e *E) Because(cause error) *E {
	c := *e
	c.Cause = cause
	return &c
}

// New returns an error of a kind and reason; meta is alternating keys and values.
func New(kind Kind, reason, message string, meta ...string) *E {
	e := &E{Kind: kind, Reason: reason, Message: message}
	if len(meta) > 0 {
		e.Meta = make(map[string]string, len(meta)/2)
		for i := 0; i+1 < len(meta); i += 2 {
			e.Meta[meta[i]] = meta[i+1]
		}
	}
	return e
}

// Field returns an INVALID_FIELD error about one field.
func Field(field, value, description string) *E {
	return Fields(Violation{Field: field, Value: value, Description: description})
}

// Fields returns an INVALID_FIELD error about several fields. Its reason is the violations' own if they agree.
func Fields(vs ...Violation) *E {
	e := &E{Kind: Invalid, Reason: "INVALID_FIELD", Violations: vs}
	if len(vs) == 0 {
		e.Message = "invalid request"
		return e
	}
	e.Message = fmt.Sprintf("%s: %s", vs[0].Field, vs[0].Description)
	if len(vs) > 1 {
		e.Message = fmt.Sprintf("%s (and %d more)", e.Message, len(vs)-1)
	}
	e.Meta = map[string]string{"field": vs[0].Field, "value": vs[0].Value}
	if r := vs[0].Reason; r != "" {
		same := true
		for _, v := range vs {
			same = same && v.Reason == r
		}
		if same {
			e.Reason = r
		}
	}
	return e
}

// Missing returns a NOT_FOUND error that names the resource.
func Missing(resource string) *E {
	return &E{Kind: NotFound, Reason: "NOT_FOUND", Message: resource + " does not exist", Meta: map[string]string{"resource": resource}, Resource: resource}
}

// Taken returns an ALREADY_EXISTS error that names the resource.
func Taken(resource string) *E {
	return &E{Kind: Exists, Reason: "ALREADY_EXISTS", Message: resource + " exists already", Meta: map[string]string{"resource": resource}, Resource: resource}
}

// As returns the *E in err's chain, or nil.
func As(err error) *E {
	var e *E
	if errors.As(err, &e) {
		return e
	}
	return nil
}

// Is says whether err carries a reason.
func Is(err error, reason string) bool {
	e := As(err)
	return e != nil && e.Reason == reason
}
