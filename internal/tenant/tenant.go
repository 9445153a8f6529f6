// Package tenant identifies the org a request acts in.
//
// An org has an id that people chose (`orgs/{id}`) and a UUID that every row carries. The UUID is derived from the id
// (version 5), so that services agree on it without asking one another.
package tenant

import (
	"context"
	"regexp"

	"github.com/google/uuid"
)

var (
	namespace = uuid.MustParse("6b1f6a5e-3c0d-5d5b-9a53-0d6e1f0c7a11")
	idPattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)
)

// Org is a tenant.
type Org struct {
	ID   string    // the id people chose
	UUID uuid.UUID // the key of every row
}

// New returns the org of an id; ok is false if the id is malformed.
func New(id string) (org Org, ok bool) {
	if !idPattern.MatchString(id) {
		return Org{}, false
	}
	return Org{ID: id, UUID: uuid.NewSHA1(namespace, []byte(id))}, true
}

// Must is New for ids known to be well formed.
func Must(id string) Org {
	org, ok := New(id)
	if !ok {
		panic("tenant: malformed org id " + id)
	}
	return org
}

// Name returns the org's resource name.
func (o Org) Name() string { return "orgs/" + o.ID }

// Caller is who acts, as the token says.
type Caller struct {
	Subject string // the token's sub
	Role    string
	Org     Org  // zero for an operator of the installation
	AllOrgs bool // a service of the installation: the org comes from the request
}

type key struct{}

// WithCaller returns a context that carries the caller.
func WithCaller(ctx context.Context, c Caller) context.Context {
	return context.WithValue(ctx, key{}, c)
}

// FromContext returns the caller; ok is false if none was authenticated.
func FromContext(ctx context.Context) (c Caller, ok bool) {
	c, ok = ctx.Value(key{}).(Caller)
	return c, ok
}
