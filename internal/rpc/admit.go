package rpc

import (
	"context"
	"strings"

	"google.golang.org/grpc/metadata"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// admit authenticates the caller and authorises the RPC, before any of the message is looked at.
func (s *Server) admit(ctx context.Context, full string, who *tenant.Caller) (context.Context, error) {
	m, known := s.methods[full]
	if !known {
		return ctx, errUnknownMethod
	}
	if m.open {
		return ctx, nil
	}
	token, err := bearer(ctx)
	if err != nil {
		return ctx, err
	}
	c, err := s.config.Verifier.Verify(token, s.config.Clock.Now())
	if err != nil {
		return ctx, err
	}
	*who = c
	if !m.declared || !auth.Allows(c.Role, m.permission) {
		return ctx, errs.New(errs.Denied, "PERMISSION_MISSING",
			"the role "+c.Role+" does not hold "+m.permission.String(), "role", c.Role, "permission", m.permission.String())
	}
	return tenant.WithCaller(ctx, c), nil
}

// bearer returns the token of the authorization metadata (RFC 6750, section 2.1).
func bearer(ctx context.Context) (string, error) {
	values := metadata.ValueFromIncomingContext(ctx, "authorization")
	switch len(values) {
	case 0:
		return "", errs.New(errs.Unauthenticated, "TOKEN_MISSING", "the request carries no token; send it as authorization: Bearer {token}")
	case 1:
	default:
		return "", errs.New(errs.Unauthenticated, "TOKEN_INVALID", "the request carries more than one authorization")
	}
	scheme, token, ok := strings.Cut(values[0], " ")
	if !ok || !strings.EqualFold(scheme, "bearer") || token == "" {
		return "", errs.New(errs.Unauthenticated, "TOKEN_INVALID", "the authorization is not of the form: Bearer {token}")
	}
	return token, nil
}
