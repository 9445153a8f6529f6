package registryrpc

import (
	"context"
	"regexp"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
)

var idPattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)

// parent returns the org of a name that is the org's own, `orgs/{org}`.
func parent(ctx context.Context, field, name string) (tenant.Org, error) {
	org, err := resname.Org(ctx, field, name)
	if err == nil && name != org.Name() {
		err = errs.Field(field, name, "want orgs/{org}")
	}
	return org, err
}

// child returns the org and id of a name such as `orgs/{org}/shops/{shop}`.
func child(ctx context.Context, field, name, collection string) (org tenant.Org, id string, err error) {
	if org, err = resname.Org(ctx, field, name); err != nil {
		return org, "", err
	}
	id, err = part(org, field, name, collection)
	return org, id, err
}

// part returns the id in a name of a known org.
func part(org tenant.Org, field, name, collection string) (string, error) {
	id, err := resname.Part(org, field, name, collection)
	if err == nil && !idPattern.MatchString(id) {
		err = errs.Field(field, name, "want "+org.Name()+"/"+collection+"/{id}, the id in lower-case letters, digits and hyphens")
	}
	return id, err
}

// unit returns the org and UUID of `orgs/{org}/units/{unit}`.
func unit(ctx context.Context, field, name string) (org tenant.Org, id uuid.UUID, err error) {
	if org, err = resname.Org(ctx, field, name); err != nil {
		return org, id, err
	}
	id, err = resname.Unit(org, field, name)
	return org, id, err
}

// chosen returns a UUID that a client may choose; zero if it did not.
func chosen(field, s string) (uuid.UUID, error) {
	if s == "" {
		return uuid.Nil, nil
	}
	id, err := uuid.Parse(s)
	if err != nil || len(s) != 36 || id == uuid.Nil {
		return uuid.Nil, errs.Field(field, s, "want a UUID, for example 0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79")
	}
	return id, nil
}
