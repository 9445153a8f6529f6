package registry

import (
	"strconv"
	"unicode"

	"strandline.example/strandline/internal/errs"
)

// Problem is why a record is refused. A single request answers with it as an error, an import lists it by row.
type Problem struct {
	errs.Violation           // Field is relative to the record until Under puts its place in front; Reason is always set
	Kind           errs.Kind // of the error it becomes
	Resource       string    // the resource in question, for NotFound, Exists and Precondition
}

// Problems are all that is wrong with a request or a record; none means it may be done.
type Problems []Problem

// Under returns the problems with the path of the record put in front of their fields.
func (ps Problems) Under(prefix string) Problems {
	out := make(Problems, len(ps))
	for i, p := range ps {
		p.Field = prefix + p.Field
		out[i] = p
	}
	return out
}

// Err returns the problems as one error, nil if there are none. What is malformed comes first, and all of it; otherwise
// the error is about the first problem.
func (ps Problems) Err() error {
	if len(ps) == 0 {
		return nil
	}
	var malformed []errs.Violation
	for _, p := range ps {
		if p.Kind == errs.Invalid {
			malformed = append(malformed, p.Violation)
		}
	}
	if len(malformed) > 0 {
		return errs.Fields(malformed...)
	}
	p := ps[0]
	e := errs.New(p.Kind, p.Reason, p.Description)
	e.Resource = p.Resource
	for _, m := range [...]struct{ key, value string }{{"field", p.Field}, {"value", p.Value}, {"resource", p.Resource}} {
		if m.value != "" {
			e = e.With(m.key, m.value)
		}
	}
	return e
}

func invalid(field, value, description string) Problem {
	return Problem{Violation: errs.Violation{Field: field, Value: value, Description: description, Reason: "INVALID_FIELD"}, Kind: errs.Invalid}
}

func future(field, value string) Problem {
	return Problem{Violation: errs.Violation{Field: field, Value: value, Description: value + " lies in the future", Reason: "IN_THE_FUTURE"}, Kind: errs.Invalid}
}

func missing(field, resource string) Problem {
	return Problem{
		Violation: errs.Violation{Field: field, Value: resource, Description: resource + " does not exist", Reason: "NOT_FOUND"},
		Kind:      errs.NotFound, Resource: resource,
	}
}

func exists(field, resource string) Problem {
	return Problem{
		Violation: errs.Violation{Field: field, Value: resource, Description: resource + " exists already", Reason: "ALREADY_EXISTS"},
		Kind:      errs.Exists, Resource: resource,
	}
}

func forbidden(reason, field, value, resource, description string) Problem {
	return Problem{
		Violation: errs.Violation{Field: field, Value: value, Description: description, Reason: reason},
		Kind:      errs.Precondition, Resource: resource,
	}
}

// text refuses control characters: they cannot be seen on a page, and the database takes no NUL.
func text(field, value string) Problems {
	for _, r := range value {
		if unicode.IsControl(r) {
			return Problems{invalid(field, value, "has a control character ("+strconv.QuoteRuneToASCII(r)+"); take it out")}
		}
	}
	return nil
}

// attributes checks the texts of a map of attributes.
func attributes(field string, m map[string]string) (ps Problems) {
	for k, v := range m {
		ps = append(ps, text(field+"."+k, v)...)
	}
	return ps
}

// checkEtag refuses a change of something that its sender has not seen as it is now. No etag means any.
func checkEtag(resource string, version int64, etag string) error {
	if etag == "" || etag == Etag(resource, version) {
		return nil
	}
	return errs.New(errs.Conflict, "ETAG_MISMATCH", resource+" has changed since it was read; read it again and repeat", "resource", resource)
}
