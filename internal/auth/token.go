package auth

import (
	"time"

	"github.com/golang-jwt/jwt/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

const (
	issuer    = "strandline"
	audience  = "strandline"
	tokenType = "JWT"
	// MaxToken is the longest token that is looked at, in bytes.
	MaxToken = 8 << 10
	// Leeway is how far the clocks of minting and verifying machines may differ.
	Leeway     = 30 * time.Second
	maxSubject = 200
)

// Claims are what a token says.
type Claims struct {
	Subject string    // who, as it stands in the ledger: 1 to 200 printable characters
	Role    string    // one of the Role constants
	Org     string    // id of the org; empty for operator and service, which have none
	Expires time.Time // required
	Issued  time.Time // required; the token is not valid before it
}

// Mint signs a token. It refuses claims that a verifier would refuse.
func (k *Key) Mint(c Claims) (string, error) {
	if _, err := caller(c.Subject, c.Role, c.Org, c.Org != ""); err != nil {
		return "", errs.New(errs.Invalid, "INVALID_FIELD", "no such token can be minted: "+err.Error(), "problem", err.Error())
	}
	if c.Issued.IsZero() || !c.Expires.After(c.Issued) {
		return "", errs.Field("expires", c.Expires.String(), "want an instant after the one of issue")
	}
	claims := jwt.MapClaims{
		"iss": issuer, "aud": audience, "sub": c.Subject, "role": c.Role,
		"iat": c.Issued.Unix(), "nbf": c.Issued.Unix(), "exp": c.Expires.Unix(),
	}
	if c.Org != "" {
		claims["org"] = c.Org
	}
	token := jwt.NewWithClaims(jwt.SigningMethodEdDSA, claims)
	token.Header["kid"] = k.id
	signed, err := token.SignedString(k.private)
	if err != nil {
		return "", errs.New(errs.Internal, "INTERNAL", "the token cannot be signed").Because(err)
	}
	return signed, nil
}

type problem string

func (p problem) Error() string { return string(p) }

// caller checks the claims against each other: exactly the roles of an org carry one.
func caller(subject, role, org string, hasOrg bool) (tenant.Caller, error) {
	if subject == "" || len(subject) > maxSubject || !printable(subject) {
		return tenant.Caller{}, problem("the subject is not 1 to 200 printable characters")
	}
	c := tenant.Caller{Subject: subject, Role: role}
	switch role {
	case RoleService, RoleOperator:
		if hasOrg {
			return tenant.Caller{}, problem("the role " + role + " has no org")
		}
		c.AllOrgs = role == RoleService
		return c, nil
	}
	if !Known(role) {
		return tenant.Caller{}, problem("the role is unknown")
	}
	if !hasOrg {
		return tenant.Caller{}, problem("the role " + role + " needs an org")
	}
	var ok bool
	if c.Org, ok = tenant.New(org); !ok {
		return tenant.Caller{}, problem("the org is malformed")
	}
	return c, nil
}

func printable(s string) bool {
	for _, r := range s {
		if r < ' ' || r == 0x7f || r == '\uFFFD' {
			return false
		}
	}
	return true
}
